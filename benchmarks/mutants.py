"""Plant small faults in the code, and count those that the tests find.

    python -m pip install mutmut
    python -P benchmarks/mutants.py PART [SHARE [SEED [MODULE]]]

PART is table, firmware, corrections or templates (the C of the export).  The faults are those of mutmut's operators, one at
a time, in functions, properties and registered functions alike; mutmut's own runner leaves out whatever is decorated.  SHARE
(1 by default) is the share of the mutants that is drawn, by SEED (1); of blunt ones a quarter of it: operators that put
None in the place of a value, drop an argument or change a text make many mutants, most of which stop at once.

All runs in one pytest session.  The tests are run once, to see which of them call which line; then each mutant gets a fork
of that session, in which the function's code is exchanged and the tests that call its line are run, the fastest first, until
one fails or they have taken QUICK_S: what survives may be found by slower tests.  Compiled programs are remembered, as most
mutants change the C of some tables alone; what the tests call is kept in the folder for temporary files.  -P, as a
neighbour of this file is called coverage, too.
"""

from __future__ import annotations

import ast
import gc
import hashlib
import os
import pickle
import random
import re
import resource
import signal
import sys
import tempfile
import time
import types
import warnings
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import partial
from importlib import import_module
from itertools import zip_longest
from math import sqrt
from pathlib import Path
from string import Template
from typing import Any

import coverage
import libcst as cst
import pytest
from hypothesis import Phase, settings
from libcst.metadata import MetadataWrapper, PositionProvider
from mutmut.mutation.file_mutation import Mutation, MutationVisitor, OuterFunctionProvider
from mutmut.mutation.mutators import mutation_operators
from mutmut.mutation.pragma_handling import IgnoredCode

ROOT = Path(__file__).parent.parent
c_source = import_module("tcomp.firmware.exporters.c99")  # the package has a function of this name
LEFT_OUT = {f"tcomp/{room}/__init__.py" for room in ("tables", "tables/layouts", "firmware", "firmware/exporters")}
"""They hold nothing but names."""
PARTS: dict[str, tuple[list[str], list[str]]] = {
    "table": (
        ["tcomp/tables/*.py", "tcomp/tables/layouts/*.py"],
        ["tests/test_tables_*.py", "tests/test_properties_tables.py", "tcomp/tables"],
    ),
    "firmware": (
        ["tcomp/firmware/*.py", "tcomp/firmware/exporters/*.py"],
        [
            "tests/test_firmware_[cns]*.py", "tests/test_firmware_image*.py",
            "tests/test_properties_tables.py", "tests/test_proof_bit_exact.py", "tcomp/firmware",
        ],
    ),
    "corrections": (
        ["tcomp/firmware/corrections.py", "tcomp/units.py", "tcomp/upkeep/apply.py", "tcomp/upkeep/corrector.py"],
        [
            "tests/test_firmware_corrections.py", "tests/test_properties_tables.py", "tests/test_upkeep_apply.py",
            "tests/test_upkeep_corrected_frame.py", "tests/test_logs_quantities.py", "tcomp/units.py",
            "tcomp/firmware/corrections.py", "tcomp/upkeep/apply.py", "tcomp/upkeep/corrector.py",
        ],
    ),
}  # fmt: skip
PARTS["templates"] = ["tcomp/firmware/templates/*.[ch]"], PARTS["firmware"][1][:-1]
WATCHED = {"firmware": ["firmware", "templates"], "templates": ["firmware", "templates"]}
"""Parts whose tests are the same are watched together."""
QUICK_S = 4.0
"""Processor's time that the tests for one mutant may take; no test is begun after it. [s]"""
SLOW_S = 10.0
"""Processor's time for one mutant, beyond which it counts as caught: it does not come to an end. [s]"""
MEMORY_BYTES = 6 * 2**30
BLUNT = {"operator_arg_removal", "operator_assignment", "operator_string"}


@dataclass(frozen=True)
class Mutant:
    """A module's text with one fault in it."""

    path: str
    line: int
    lines: tuple[int, int]
    operator: str
    before: str
    after: str
    text: Callable[[], str]
    """The whole module, worked out when it is asked for."""

    @property
    def words(self) -> str:
        return f"{self.path}:{self.line}: {' '.join(self.before.split())[:70]} -> {' '.join(self.after.split())[:70]}"


# --- mutants ---------------------------------------------------------------------------------------------------------


class Places(MutationVisitor):
    """mutmut's visitor, which looks into decorated functions too, and notes which operator made a mutation."""

    def __init__(self) -> None:
        super().__init__(mutation_operators, IgnoredCode(set(), set(), set()))
        self.named: list[tuple[str, Mutation]] = []

    def _skip_node_and_children(self, node: cst.CSTNode) -> bool:
        if isinstance(node, cst.FunctionDef) and node.decorators:
            return False
        return super()._skip_node_and_children(node)

    def _create_mutations(self, node: cst.CSTNode) -> None:
        for kind, operator in self._operators:
            if isinstance(node, kind):
                within = self.get_metadata(OuterFunctionProvider, node, None)
                if isinstance(within, cst.FunctionDef):
                    self.named += [(operator.__name__, Mutation(node, after, within)) for after in operator(node)]


class Replacing(cst.CSTTransformer):
    """Replaces one node."""

    def __init__(self, old: cst.CSTNode, new: cst.CSTNode) -> None:
        super().__init__()
        self.old, self.new = old, new

    def on_leave(self, original_node: cst.CSTNode, updated_node: cst.CSTNode) -> Any:
        return self.new if original_node is self.old else updated_node


def mutants_of(path: Path) -> Iterator[Mutant]:
    """Every mutant of a module's functions, in the order of the text."""
    source = path.read_text(encoding="utf-8")
    statements = statement_lines(source)
    wrapper = MetadataWrapper(cst.parse_module(source))
    visitor, module = Places(), wrapper.module
    wrapper.visit(visitor)
    at = wrapper.resolve(PositionProvider)
    for operator, one in visitor.named:
        line = at[one.original_node if one.original_node in at else one.contained_by_top_level_function].start.line
        before, after = (module.code_for_node(node) for node in (one.original_node, one.mutated_node))

        def text(one: Mutation = one) -> str:
            return module.visit(Replacing(one.original_node, one.mutated_node)).code

        yield Mutant(str(path.relative_to(ROOT)), line, statements[line], operator, before, after, text)


def statement_lines(source: str) -> dict[int, tuple[int, int]]:
    """First and last line of the innermost statement about each line; of one with a body the head."""
    lines: dict[int, tuple[int, int]] = defaultdict(lambda: (0, 0))
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.stmt):
            body = getattr(node, "body", None)
            last = max(body[0].lineno - 1 if body else node.end_lineno or 0, node.lineno)
            # What calls a function comes to its body, not to its head.
            called = body[-1].lineno if isinstance(node, ast.FunctionDef) else 0
            for line in range(node.lineno, last + 1):
                lines[line] = (called, called) if called else (node.lineno, last)
    return lines


C_FAULTS = {
    r" \+ ": (" - ",), r" - ": (" + ",), r" \* ": (" + ",), r" / ": (" * ",), r" % ": (" / ",), r" << ": (" >> ",),
    r" >> ": (" << ",), r" < ": (" <= ", " > "), r" <= ": (" < ",), r" > ": (" >= ", " < "), r" >= ": (" > ",),
    r" == ": (" != ",), r" != ": (" == ",), r" && ": (" || ",), r" \|\| ": (" && ",), r" & ": (" | ",), r" \| ": (" & ",),
    r" \^ ": (" | ",), r"\+\+": ("--",), r"--": ("++",), r"\+=": ("-=",), r"-=": ("+=",), r"\^=": ("|=",), r"~": ("",),
    r"= -(?=\()": ("= ",), r"\buint16_t\)\(": ("uint8_t)(",),
}  # fmt: skip
"""What takes the place of what in C; each number becomes one more, too."""


def faults_of_template(path: Path) -> Iterator[Mutant]:
    """Every mutant of a template: its comments, its guards and what only a target compiles are left alone."""
    text = path.read_text(encoding="ascii")
    left_alone = [
        m.span()
        for m in re.finditer(
            r"/\*.*?\*/|^\s*#(?:[^\n\\]|\\\n)*|__asm__\(.*?\);|\$\{\w+\}|INT\d+_MAX", text, re.S | re.M
        )
    ]
    for pattern, others in (C_FAULTS | {r"(?<![\w$.{])(?:0x[0-9A-F]+|\d+)(?=[u,;:)\s])": ()}).items():
        for found in re.finditer(pattern, text):
            if any(start <= found.start() < end for start, end in left_alone):
                continue
            for other in others or (one_more(found[0]),):
                line = text.count("\n", 0, found.start()) + 1
                whole = text[: found.start()] + other + text[found.end() :]
                rows = text.split("\n")[line - 1], whole.split("\n")[line - 1]
                yield Mutant(
                    str(path.relative_to(ROOT)),
                    line,
                    (1, 1),
                    "C",
                    f"{found[0]} in {rows[0]}",
                    rows[1],
                    partial(str, whole),
                )


def one_more(number: str) -> str:
    return f"0x{int(number, 16) + 1:X}" if number.startswith("0x") else str(int(number) + 1)


# --- exchanging code -------------------------------------------------------------------------------------------------


def functions_of(code: types.CodeType) -> list[types.CodeType]:
    """Code of the functions and methods of a module, in order."""
    found = []
    for constant in code.co_consts:
        if isinstance(constant, types.CodeType):
            if constant.co_flags & 0x2:  # CO_NEWLOCALS: a function; the body of a class has none
                found.append(constant)
            else:
                found += functions_of(constant)
    return found


class Exchange:
    """The living functions of a module, by their place in it."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.original = functions_of(compile(path.read_text(encoding="utf-8"), str(path), "exec"))
        self.living: dict[tuple[str, int], list[types.FunctionType]] = defaultdict(list)
        for one in gc.get_objects():
            if isinstance(one, types.FunctionType) and one.__code__.co_filename == str(path):
                self.living[one.__code__.co_qualname, one.__code__.co_firstlineno].append(one)

    def plant(self, text: str) -> None:
        module = compile(text, str(self.path), "exec")
        mutated = functions_of(module)
        defaults = self.defaults(module) if mutated == self.original else {}
        for before, after in zip(self.original, mutated, strict=True):
            for function in self.living[before.co_qualname, before.co_firstlineno]:
                if len(function.__code__.co_freevars) == len(after.co_freevars):
                    function.__code__ = after
                if after in defaults:
                    function.__defaults__, function.__kwdefaults__ = defaults[after]

    def defaults(self, module: types.CodeType) -> dict[types.CodeType, Any]:
        """The fault lies in what a parameter is when it is not given: that is worked out where functions are made."""
        scratch = types.ModuleType(self.path.stem)
        name = ".".join(self.path.relative_to(ROOT).with_suffix("").parts)
        scratch.__dict__.update(__name__=name, __file__=str(self.path))
        exec(module, scratch.__dict__)
        made = [f for f in gc.get_objects() if isinstance(f, types.FunctionType) and f.__globals__ is scratch.__dict__]
        return {function.__code__: (function.__defaults__, function.__kwdefaults__) for function in made}


class TemplateExchange:
    """A template of the C, by what the export reads."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def plant(self, text: str) -> None:
        original = c_source._template
        c_source._template = lambda name: Template(text) if name == self.path.name else original(name)  # type: ignore


# --- running ---------------------------------------------------------------------------------------------------------


class Judge:
    """A pytest plugin: runs the tests for each mutant instead of once."""

    def __init__(self, paths: list[Path], watched: list[Path], share: float, seed: int, kept: Path) -> None:
        self.paths, self.seen_in, self.share, self.seed, self.kept = paths, watched, share, seed, kept
        self.failed = False

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self.failed |= report.failed

    def run(self, item: pytest.Item) -> bool:
        """Say whether a test passes."""
        self.failed = False
        item.config.hook.pytest_runtest_protocol(item=item, nextitem=None)
        return not self.failed

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        items = {item.nodeid: item for item in session.items}
        seconds, lines = self.watched(items)
        exchanges = {
            str(path.relative_to(ROOT)): Exchange(path) if path.suffix == ".py" else TemplateExchange(path)
            for path in self.paths
        }
        calling: dict[tuple[str, int], set[str]] = defaultdict(set)
        for name, places in lines.items():
            for place in places:
                calling[place].add(name)
        recent: dict[str, list[str]] = defaultdict(list)
        results = []
        for mutant in self.drawn():
            first, last = mutant.lines
            names = {n for line in range(first, last + 1) for n in calling[str(ROOT / mutant.path), line]}
            killers = [n for n in recent[mutant.path] if n in names and seconds[n] < 1.0][:3]
            order = [*killers, *in_turn(names - set(killers), seconds)]
            began = time.perf_counter()
            by = self.killed_by(mutant, exchanges[mutant.path], [items[name] for name in order])
            if by in names:
                recent[mutant.path] = [by, *(n for n in recent[mutant.path] if n != by)][:8]
            results.append((mutant, by))
            with self.kept.with_suffix(".txt").open("a") as file:
                file.write(
                    f"{time.perf_counter() - began:.2f} {mutant.words} ({mutant.operator}): {by or 'SURVIVES'} {len(order)}\n"
                )
        result(results, self.counts)
        return True

    def drawn(self) -> list[Mutant]:
        """A share of all mutants, drawn at random but alike for the same seed."""
        of = {".py": mutants_of, ".c": faults_of_template, ".h": faults_of_template}
        every = [mutant for path in self.paths for mutant in of[path.suffix](path)]
        draw = random.Random(self.seed)
        self.counts = Counter(mutant.operator in BLUNT for mutant in every)
        return [m for m in every if draw.random() < self.share / (4 if m.operator in BLUNT and self.share < 1 else 1)]

    def watched(self, items: dict[str, pytest.Item]) -> tuple[dict[str, float], dict[str, set[tuple[str, int]]]]:
        """How long each test takes, and the lines that it calls: as kept, or by running it."""
        sources = digest(self.seen_in)
        kept: dict[str, Any] = pickle.loads(self.kept.read_bytes()) if self.kept.exists() else {}
        BUILDS.update(kept.get("builds", {}))
        keys = {name: f"{name} {digest([item.path])} {sources}" for name, item in items.items()}
        missing = {name: item for name, item in items.items() if keys[name] not in kept}
        if missing:
            seen, builds = in_fork(lambda: ({keys[name]: self.watch(item) for name, item in missing.items()}, BUILDS))
            broken = [name for name, (took, _) in seen.items() if took < 0]
            assert not broken, f"these fail without a mutant: {broken}"
            BUILDS.update(builds)
            self.kept.write_bytes(pickle.dumps(kept | seen | {"builds": BUILDS}))
            kept |= seen
        return {n: kept[key][0] for n, key in keys.items()}, {n: kept[key][1] for n, key in keys.items()}

    def watch(self, item: pytest.Item) -> tuple[float, set[tuple[str, int]]]:
        """Run a test: how long it takes (negative: it fails), and the lines that it calls."""
        seen: set[tuple[str, int]] = set()

        def template(name: str, original: Any = c_source._template) -> Template:
            seen.update((str(path), 1) for path in self.seen_in if path.name == name)
            return original(name)

        watching = coverage.Coverage(data_file=None, include=[str(path) for path in self.seen_in], config_file=False)
        original, c_source._template = c_source._template, template
        began = used_s()
        watching.start()
        passed = self.run(item)
        watching.stop()
        c_source._template = original
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # a test that calls nothing of the part
            called = watching.get_data()
        seen.update((file, line) for file in called.measured_files() for line in called.lines(file) or ())
        return (used_s() - began if passed else -1.0), seen

    def killed_by(self, mutant: Mutant, exchange: Exchange | TemplateExchange, items: list[pytest.Item]) -> str:
        """Name of the test that finds it, or what else does; empty: it survives."""

        def judged() -> str:
            try:
                exchange.plant(mutant.text())
            except (SyntaxError, ValueError, TypeError):
                return "no program"
            began = used_s()
            for item in items:
                if not self.run(item):
                    return item.nodeid
                if used_s() - began > QUICK_S:
                    break
            return ""

        try:
            return in_fork(judged, limited=True)
        except EOFError:
            return "time, memory or crash"


def in_fork(work: Any, *, limited: bool = False) -> Any:
    """Do work in a fork of this process, and bring its result back."""
    with tempfile.TemporaryFile() as file:
        child = os.fork()
        if child == 0:
            if limited:
                used = int(time.process_time())
                resource.setrlimit(resource.RLIMIT_CPU, (used + int(SLOW_S), used + int(SLOW_S)))
                resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
                signal.alarm(int(20 * SLOW_S))
            silent = os.open(os.devnull, os.O_WRONLY)
            os.dup2(silent, 1)
            os.dup2(silent, 2)
            try:
                pickle.dump(work(), file)
                file.flush()
            finally:
                os._exit(0)
        os.waitpid(child, 0)
        file.seek(0)
        return pickle.load(file)


def in_turn(names: Iterable[str], seconds: dict[str, float]) -> list[str]:
    """The fastest case of each test first, then the next one of each."""
    cases: dict[str, list[str]] = defaultdict(list)
    for name in sorted(names, key=lambda n: (seconds[n], n)):
        cases[name.split("[")[0]].append(name)
    return [name for turn in zip_longest(*cases.values()) for name in turn if name is not None]


def used_s() -> float:
    """Processor's time of this process and of those that it started. [s]"""
    return time.process_time() + sum(resource.getrusage(resource.RUSAGE_CHILDREN)[:2])


def digest(paths: Iterable[Path]) -> str:
    return hashlib.sha256(b"".join(path.read_bytes() for path in paths)).hexdigest()


BUILDS: dict[str, Any] = {}
"""What compiled programs gave, by what they were compiled from."""


def remember_builds() -> None:
    """Compile and run nothing twice."""
    from tcomp.proof import compilers as build

    original = build.Workshop.build_and_run

    def remembered(self: build.Workshop, *options: str) -> build.Build:
        sources = (".c", ".h", ".part")
        named = sorted((path.name, path.read_bytes()) for path in self.folder.iterdir() if path.suffix in sources)
        cases = (self.folder / "cases.bin").read_bytes()
        key = hashlib.sha256(repr((named, cases, self.compiler, options, build.SANITIZER, build.RUNNING_S)).encode())
        if key.hexdigest() not in BUILDS:
            BUILDS[key.hexdigest()] = original(self, *options)
        return BUILDS[key.hexdigest()]

    build.Workshop.build_and_run = remembered  # type: ignore[method-assign]


# --- what came out ---------------------------------------------------------------------------------------------------


def wilson(caught: int, count: int, z: float = 1.96) -> tuple[float, float]:
    """Interval for a share of 95 % (E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209)."""
    share, room = caught / count, z * z / count
    middle = (share + room / 2) / (1 + room)
    half = z * sqrt(share * (1 - share) / count + room / count / 4) / (1 + room)
    return middle - half, middle + half


def result(results: Iterable[tuple[Mutant, str]], counts: Counter[bool]) -> None:
    """Print the scores by module, and the mutants that nothing found."""
    tally: dict[tuple[str, bool], Counter[bool]] = defaultdict(Counter)
    survivors = []
    for mutant, by in results:
        for row in (mutant.path, "all"):
            tally[row, mutant.operator in BLUNT][bool(by)] += 1
        if not by:
            survivors.append(mutant)
    lines = [
        f"of {counts[False]} sharp and {counts[True]} blunt ones:",
        "",
        "| module | kind | mutants | caught | % | 95 % |",
    ]
    lines.append("|---|---|---|---|---|---|")
    for (row, blunt), found in sorted(tally.items()):
        low, high = wilson(found[True], found.total())
        share = f"{100 * found[True] / found.total():.1f} | {100 * low:.1f} to {100 * high:.1f}"
        lines.append(f"| {row} | {'blunt' if blunt else 'sharp'} | {found.total()} | {found[True]} | {share} |")
    shares = {blunt: tally["all", blunt][True] / max(tally["all", blunt].total(), 1) for blunt in counts}
    both = sum(counts[blunt] * share for blunt, share in shares.items()) / counts.total()
    lines += ["", f"both kinds, each by its number: {100 * both:.1f} %", ""]
    lines += [f"{mutant.words} ({mutant.operator})" for mutant in survivors]
    sys.__stdout__.write("\n".join(["", *lines, ""]))  # type: ignore[union-attr]


def main() -> None:
    """Judge the tests of a part."""
    part, share, seed, module = [*sys.argv[1:], *("1", "1", "")[len(sys.argv) - 2 :]]
    patterns, tests = PARTS[part]
    os.chdir(ROOT)
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    settings.register_profile("mutants", phases=(Phase.explicit, Phase.generate), database=None, deadline=None)
    settings.load_profile("mutants")
    remember_builds()
    together = WATCHED.get(part, [part])
    watched = [path for one in together for pattern in PARTS[one][0] for path in sorted(ROOT.glob(pattern))]
    paths = [path for pattern in patterns for path in sorted(ROOT.glob(pattern))]
    paths = [p for p in paths if str(p.relative_to(ROOT)) not in LEFT_OUT and module in p.name]
    files = [str(path) for pattern in tests for path in sorted(ROOT.glob(pattern))]
    kept = Path(tempfile.gettempdir()) / f"mutants_{together[0]}.pickle"
    # hypothesis is loaded before pytest could rewrite its assertions, which is no matter here.
    options = ["-n0", "-q", "-p", "no:cacheprovider", "-W", "ignore::pytest.PytestAssertRewriteWarning"]
    sys.exit(pytest.main([*options, *files], plugins=[Judge(paths, watched, float(share), int(seed), kept)]))


if __name__ == "__main__":
    main()
