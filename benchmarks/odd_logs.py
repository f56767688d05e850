"""Odd logs by the thousand through inspect, fit and table, to find what ends in a traceback.

    PYTHONPATH=. python benchmarks/odd_logs.py 10000 [FIRST_SEED]

The logs are those of ``tests/odd_logs.py``.  Printed are the seeds that ended in anything but a result or one sentence, each
with the last line of its traceback, then how the others ended.  Exit code 1 if there is any such seed.
"""

from __future__ import annotations

import collections
import os
import sys
import tempfile
import traceback
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))
from odd_logs import drawn_log, run_commands


def outcome(seed: int) -> tuple[int, str, str]:
    """Seed, the command that refused it or how it ended otherwise, and the traceback's end if there is one."""
    with tempfile.TemporaryDirectory() as folder:
        try:
            refused = run_commands(drawn_log(seed), Path(folder))
        except BaseException as error:  # whatever it is, it is what is looked for
            place = traceback.extract_tb(error.__traceback__)[-1]
            ours = [frame for frame in traceback.extract_tb(error.__traceback__) if "/tcomp/" in frame.filename]
            where = ours[-1] if ours else place
            return (
                seed,
                "traceback",
                f"{Path(where.filename).name}:{where.lineno} {type(error).__name__}: {str(error)[:300]}",
            )
    return seed, refused.partition(":")[0] + " refused" if refused else "table made", ""


def main() -> int:
    """Run so many seeds on all cores."""
    count, first = int(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 0
    ends: collections.Counter[str] = collections.Counter()
    with ProcessPoolExecutor(int(os.environ.get("WORKERS", os.cpu_count() or 1))) as pool:
        for done, (seed, end, fault) in enumerate(
            pool.map(outcome, range(first, first + count), chunksize=20), start=1
        ):
            ends[end] += 1
            if fault:
                print(f"seed {seed}: {fault}", flush=True)
            if done % 500 == 0:
                print(f"{done} logs: {dict(ends)}", flush=True)
    print(f"{count} logs: {dict(ends)}")
    return 1 if ends["traceback"] else 0


if __name__ == "__main__":
    sys.exit(main())
