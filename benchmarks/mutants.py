"""Plant small faults in the code, and count those that the tests find.

    python -m pip install mutmut
    python -P benchmarks/mutants.py PART [--share 0.1 | --draw 60] [--seed 1] [--module NAME] [--since REVISION]

PART is a room of the house, or tables, corrections or templates (the C of the export).  The faults are those of mutmut's
operators and of our own, which are faults of this field (OWN), one at a time, in functions, properties and registered
functions alike; mutmut's own runner leaves out whatever is decorated.  A share of the mutants is drawn by the seed, or a
number of them; of blunt ones a quarter: operators that put None in the place of a value, drop an argument or change a text
make many mutants, most of which stop at once.  With --since only lines that were changed after a revision are mutated.
Tests that compare with stored pages or bytes are left out, as what they find would pass once those are made anew.

All runs in one pytest session.  The tests are run once, to see which of them call which line; then each mutant gets a fork
of that session, in which the function's code is exchanged and the tests that call its line are run, the fastest first, until
one fails or they have taken QUICK_S: what survives may be found by slower tests.  Compiled programs are remembered, as most
mutants change the C of some tables alone; what the tests call is kept in the folder for temporary files.  -P, as a
neighbour of this file is called coverage, too.
"""

from __future__ import annotations

import argparse
import ast
import gc
import hashlib
import os
import pickle
import random
import re
import resource
import signal
import subprocess
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
    "bench": (["tcomp/bench/*.py"], ["tests/test_bench_[cls]*.py", "tests/test_bench_false_samples.py", "tcomp/bench"]),
    "budget": (["tcomp/budget/*.py"], ["tests/test_budget.py", "tests/test_verdict*.py", "tests/test_upkeep_*.py", "tcomp/budget"]),
    "estimation": (
        ["tcomp/estimation/*.py", "tcomp/estimation/effects/*.py"],
        [
            "tests/test_curve_*.py", "tests/test_clock_noise.py", "tests/test_estimators.py", "tests/test_model_*.py",
            "tests/test_service.py", "tcomp/estimation",
        ],
    ),
    "job": (["tcomp/job/*.py"], ["tests/test_job*.py", "tests/test_input_mistakes.py", "tcomp/job"]),
    "logs": (["tcomp/logs/*.py"], ["tests/test_logs_*.py", "tests/test_events.py", "tests/test_log_mistakes.py", "tcomp/logs"]),
    "lot": (["tcomp/lot/*.py"], ["tests/test_lot.py", "tests/test_lot_[fps]*.py", "tcomp/lot"]),
    "planning": (["tcomp/planning/*.py"], ["tests/test_planning*.py", "tcomp/planning"]),
    "proof": (["tcomp/proof/*.py"], ["tests/test_proof_*.py", "tcomp/proof"]),
    "report": (["tcomp/report/*.py"], ["tests/test_report*.py", "tests/test_bench_live.py", "tcomp/report"]),
    "upkeep": (["tcomp/upkeep/*.py"], ["tests/test_upkeep_*.py", "tcomp/upkeep"]),
    "verdict": (["tcomp/verdict/*.py"], ["tests/test_verdict*.py", "tests/test_budget.py", "tcomp/verdict"]),
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


SWAPPED = {
    one: other
    for pair in (
        ("min", "max"), ("minimum", "maximum"), ("argmin", "argmax"), ("nanmin", "nanmax"), ("any", "all"),
        ("floor", "ceil"), ("heating", "cooling"), ("mean", "median"), ("steady_w", "peak_w"), ("zeros", "ones"),
    )
    for one, other in (pair, pair[::-1])
}  # fmt: skip
"""Names that are easily taken for each other."""


# --- mutants ---------------------------------------------------------------------------------------------------------


def other_name(node: cst.Name) -> Iterator[cst.CSTNode]:
    """Put the largest in the place of the smallest, heating of cooling."""
    if node.value in SWAPPED:
        yield cst.Name(SWAPPED[node.value])


def bare_argument(node: cst.Call) -> Iterator[cst.CSTNode]:
    """Drop a magnitude or a root: abs(x) becomes x."""
    name = node.func.attr if isinstance(node.func, cst.Attribute) else node.func
    if isinstance(name, cst.Name) and name.value in {"abs", "sqrt", "square", "hypot"} and node.args:
        yield cst.ensure_type(node.args[0].value, cst.BaseExpression).with_changes(
            lpar=[cst.LeftParen()], rpar=[cst.RightParen()]
        )


def arguments_in_turn(node: cst.Call) -> Iterator[cst.CSTNode]:
    """Swap two series: the first two arguments by position."""
    if len(node.args) > 1 and not any(arg.keyword or arg.star for arg in node.args[:2]):
        first, second, *rest = node.args
        if not first.value.deep_equals(second.value):
            swapped = [first.with_changes(value=second.value), second.with_changes(value=first.value)]
            yield node.with_changes(args=[*swapped, *rest])


def one_side(node: cst.BooleanOperation) -> Iterator[cst.CSTNode]:
    """Drop a condition."""
    yield node.left
    yield node.right


def without_divisor(node: cst.BinaryOperation) -> Iterator[cst.CSTNode]:
    """Drop a half, a root of a count, a unit: x / 2 becomes x."""
    if isinstance(node.operator, cst.Divide):
        yield node.left


def other_unit(node: cst.Float) -> Iterator[cst.CSTNode]:
    """Put a thousand times a number in its place."""
    if float(node.value):
        yield cst.Float(repr(1000.0 * float(node.value)))


OWN = (
    (cst.Name, other_name), (cst.Call, bare_argument), (cst.Call, arguments_in_turn), (cst.BooleanOperation, one_side),
    (cst.BinaryOperation, without_divisor), (cst.Float, other_unit),
)  # fmt: skip
"""Faults of this field, beside mutmut's: by kind of node."""


class Places(MutationVisitor):
    """mutmut's visitor, which looks into decorated functions too, and notes which operator made a mutation."""

    def __init__(self) -> None:
        super().__init__([*mutation_operators, *OWN], IgnoredCode(set(), set(), set()))
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
    """Every mutant of a template."""
    return c_faults(str(path.relative_to(ROOT)), path.read_text(encoding="ascii"))


def c_faults(name: str, text: str) -> Iterator[Mutant]:
    """Every mutant of C: its comments, its guards and what only a target compiles are left alone."""
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
                    name,
                    line,
                    (1, 1),
                    "C",
                    f"{found[0]} in {rows[0]}",
                    rows[1],
                    partial(str, whole),
                )


def one_more(number: str) -> str:
    return f"0x{int(number, 16) + 1:X}" if number.startswith("0x") else str(int(number) + 1)


def changed_lines(path: Path, revision: str) -> set[int]:
    """Lines of a file, as it is now, that a revision does not have."""
    shown = subprocess.run(
        ["git", "diff", "-U0", revision, "--", str(path)], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout
    found: set[int] = set()
    for start, count in re.findall(r"^@@ -\S+ \+(\d+)(?:,(\d+))? @@", shown, re.M):
        found.update(range(int(start), int(start) + int(count or 1)))
    return found


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

    def __init__(self, paths: list[Path], watched: list[Path], asked: argparse.Namespace, kept: Path) -> None:
        self.paths, self.seen_in, self.options, self.kept = paths, watched, asked, kept
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
        if self.options.since:
            changed = {str(path.relative_to(ROOT)): changed_lines(path, self.options.since) for path in self.paths}
            every = [m for m in every if any(m.lines[0] <= line <= m.lines[1] for line in changed[m.path])]
        draw = random.Random(self.options.seed)
        self.counts = Counter(mutant.operator in BLUNT for mutant in every)
        share = self.options.share
        if self.options.draw:
            share = min(1.0, self.options.draw / max(self.counts[False] + self.counts[True] / 4, 1))
        return [m for m in every if draw.random() < share / (4 if m.operator in BLUNT and share < 1 else 1)]

    def watched(self, items: dict[str, pytest.Item]) -> tuple[dict[str, float], dict[str, set[tuple[str, int]]]]:
        """How long each test takes, and the lines that it calls: as kept, or by running it."""
        sources = f"{ROOT} {digest(self.seen_in)}"
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
    parser = argparse.ArgumentParser()
    parser.add_argument("part", choices=sorted(PARTS))
    parser.add_argument("--share", type=float, default=1.0)
    parser.add_argument("--draw", type=int, default=0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--module", default="")
    parser.add_argument("--since", default="")
    asked = parser.parse_args()
    patterns, tests = PARTS[asked.part]
    os.chdir(ROOT)
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    settings.register_profile("mutants", phases=(Phase.explicit, Phase.generate), database=None, deadline=None)
    settings.load_profile("mutants")
    remember_builds()
    together = WATCHED.get(asked.part, [asked.part])
    watched = [path for one in together for pattern in PARTS[one][0] for path in sorted(ROOT.glob(pattern))]
    paths = [path for pattern in patterns for path in sorted(ROOT.glob(pattern))]
    paths = [p for p in paths if p.name != "__init__.py" and asked.module in p.name]
    files = [str(path) for pattern in tests for path in sorted(ROOT.glob(pattern))]
    kept = Path(tempfile.gettempdir()) / f"mutants_{together[0]}.pickle"
    # hypothesis is loaded before pytest could rewrite its assertions, which is no matter here.
    options = ["-n0", "-q", "-p", "no:cacheprovider", "-W", "ignore::pytest.PytestAssertRewriteWarning"]
    sys.exit(pytest.main([*options, *files], plugins=[Judge(paths, watched, asked, kept)]))


if __name__ == "__main__":
    main()
