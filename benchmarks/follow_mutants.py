"""Plant faults in the exported C of the filter, one at a time, and count those that its proofs find.

PYTHONPATH=.:tests:benchmarks python -P benchmarks/follow_mutants.py [FILTER ...]

FILTER is "gauge" or one of tests/test_firmware_follow.py; by default two, without a lead.  Operators,
constants, shifts and casts are changed as mutants.py does (it needs the same packages).  A fault is found by sequences of
updates, of which one unoptimised build is compared with the specification, or else by the induction, for an int of 32 and of
16 bits; what does not compile is not counted.
"""

from __future__ import annotations

import sys
import time
from collections import Counter

from mutants import c_faults, wilson
from test_firmware_follow import FILTERS, follower, sources, straight

from tcomp.errors import ProofError
from tcomp.proof import calls
from tcomp.proof.calls import differences_here
from tcomp.proof.follow import _program, follow_calls
from tcomp.proof.induction import induction_faults
from tcomp.tables.follow import FollowFilter, Stage

GAUGE = follower(straight(count=81, slope=16, unit_log2_ppt=10, low_code=-320), Stage(part=3746))
"""As the river gauge's, over a straight line: in a short range some faults would change nothing."""
CASES = FILTERS | {"gauge": GAUGE}
BY_DEFAULT = ("gauge", "two lags and a loop")
RANDOM_UPDATES = 300
BY = ("sequences", "induction", "nothing", "no program")


def induction_finds(wrong: dict[str, str], follow: FollowFilter) -> bool:
    """Whether a fault is shown with an int of 32 or of 16 bits; a solver that gives up has found none."""
    return any("gave up" not in text for bits in (32, 16) for text in induction_faults(wrong, follow, "t", bits))


def found_by(name: str) -> Counter[str]:
    """How many of a filter's mutants are found by what; survivors are printed."""
    follow, tally = CASES[name], Counter[str]()
    right, expected = sources(follow), follow_calls(follow, RANDOM_UPDATES)
    for mutant in c_faults("t_follow.c", right["t_follow.c"]):
        wrong = right | {"t_follow.c": mutant.text()}
        try:
            differs = bool(differences_here(wrong | _program(follow, "t"), expected, "t", None))
            by = "sequences" if differs else "induction" if induction_finds(wrong, follow) else "nothing"
        except ProofError as error:
            # What does not come to an end is found.
            by = "no program" if "does not compile" in str(error) else "sequences"
        tally[by] += 1
        if by == "nothing":
            print(f"    survives in {name}: {mutant.words}", flush=True)
    return tally


def main(names: tuple[str, ...]) -> None:
    """Print the table."""
    calls.builds_of = lambda sources: (("-O0",),)
    found = {}
    for name in names:
        began = time.perf_counter()
        found[name] = found_by(name)
        print(f"    {name}: {time.perf_counter() - began:.0f} s", flush=True)
    print("| filter | mutants | by sequences | by the induction alone | by neither | found, % | 95 % |")
    print("|---|---|---|---|---|---|---|")
    for name, tally in (*found.items(), ("all", sum(found.values(), Counter()))):
        count = tally.total() - tally["no program"]
        caught = count - tally["nothing"]
        low, high = wilson(caught, count)
        share = f"{100 * caught / count:.1f} | {100 * low:.0f} to {100 * high:.0f}"
        print(f"| {name} | {count} | {tally[BY[0]]} | {tally[BY[1]]} | {tally[BY[2]]} | {share} |")


if __name__ == "__main__":
    main(tuple(sys.argv[1:]) or BY_DEFAULT)
