"""Tools that read the generated C without running it find nothing in it, and find what is planted.

Frama-C's EVA computes with intervals that hold every value that can occur, so that "0 alarms" is a proof, for every
code: no index out of range, no signed overflow, no wrong shift, no conversion to a signed type that changes a value.
The others look for what is suspicious.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from tables import design_table

from tcomp.firmware.exporter import Stamp
from tcomp.firmware.exporters.c99 import c_source
from tcomp.firmware.exporters.image import image_bytes, image_source
from tcomp.job import Sensor
from tcomp.proof.compilers import WARNINGS, compiler_at
from tcomp.proof.expected import AVR_HEADER
from tcomp.tables import AdcScale, CodeScale, CorrectionTable, TemperatureScale
from tcomp.tables.coded_curve import coded_curve
from tcomp.tables.design import Designs, Family
from tcomp.tables.follow import FollowFilter, Loop, Stage
from tcomp.tables.layouts.chebyshev import ChebyshevFamily
from tcomp.tables.layouts.even import EvenFamily, ResidualFamily
from tcomp.tables.layouts.patches import PatchFamily
from tcomp.tables.layouts.polynomial import PolynomialFamily
from tcomp.tables.layouts.segments import SegmentFamily

STAMP = Stamp("1.0", "sha256 00ff", "gauge 07", (("curve", 3.25),), "ramps to 1 degC/min")


def cubic(temperature_c: Any) -> Any:
    """Of an AT cut's shape (invented), so steep at the ends that 16-bit entries use the whole of their unit."""
    return 0.1 * (temperature_c - 25.0) ** 3 - 15.0 * (temperature_c - 25.0)


def dips(temperature_c: Any) -> Any:
    """The cubic with two dips, invented."""
    return cubic(temperature_c) - 200.0 * np.exp(-((temperature_c - 40.0) ** 2)) + 90.0 * np.exp(-(temperature_c**2))


# An invented sensor that is straight and gives every code of 16 bits: 100 degC at 0, -31.07 degC at 65535.
RAW = AdcScale(Sensor("linear", degc_per_count=-0.002, offset_c=100.0))
SOME = Designs(coded_curve(cubic, -20.0, 60.0, TemperatureScale(16)))
DIPS = Designs(coded_curve(dips, -20.0, 60.0, TemperatureScale(100)))
EVERY = Designs(coded_curve(cubic, -128.0, 127.996, TemperatureScale(256)))
EVERY_RAW = Designs(coded_curve(cubic, -31.07, 100.0, RAW))


def steps(low_c: float, high_c: float, scale: CodeScale, step_log2: int, entry_bits: int, how: Any) -> CorrectionTable:
    shape: dict[str, Any] = {"low_c": low_c, "high_c": high_c, "scale": scale, "interpolation": how, "align": "auto"}
    return design_table(cubic, **shape, step_log2=step_log2, entry_bits=entry_bits)


def designed(family: Family, max_error_ppb: float) -> CorrectionTable:
    table = family.smallest(max_error_ppb)
    assert table is not None
    return table


LINES = steps(-20.0, 60.0, TemperatureScale(16), 6, 16, "linear")
TABLES: dict[str, CorrectionTable] = {
    "steps, 16 bits": LINES,
    "steps, every code": steps(-128.0, 127.996, TemperatureScale(256), 13, 16, "linear"),
    "steps, raw codes": steps(-20.0, 60.0, RAW, 12, 32, "linear"),
    "steps, nearest": steps(-20.0, 60.0, TemperatureScale(16), 6, 16, "nearest"),
    "a knot at every code": steps(24.0, 25.0, TemperatureScale(16), 0, 16, "linear"),
    "even, every code": designed(EvenFamily(EVERY, 16, "linear"), 6000.0),
    "even, 32 bits, every raw code": designed(EvenFamily(EVERY_RAW, 32, "linear"), 6000.0),
    "even, nearest": designed(EvenFamily(EVERY_RAW, 16, "nearest"), 12000.0),
    "even, quadratic": designed(EvenFamily(EVERY, 16, "quadratic"), 6000.0),
    "even, 8 bits on a polynomial": designed(ResidualFamily(SOME, 8, "linear", 2), 100.0),
    "even, quadratic on a polynomial": designed(ResidualFamily(SOME, 16, "quadratic", 2), 100.0),
    "segments, every code": designed(SegmentFamily(EVERY, 16), 6000.0),
    "segments, 32 bits, every raw code": designed(SegmentFamily(EVERY_RAW, 32), 6000.0),
    "polynomial, every code": designed(PolynomialFamily(EVERY, 16), 6000.0),
    "Chebyshev, every code": designed(ChebyshevFamily(EVERY, 16, 16), 6000.0),
    "Chebyshev, 32 bits, raw codes": designed(ChebyshevFamily(EVERY_RAW, 16, 32), 6000.0),
    "patches": designed(PatchFamily(DIPS, 8, 3, 16), 30.0),
    "patches, 32 bits": designed(PatchFamily(DIPS, 8, 3, 32), 30.0),
    "polynomial, 32 bits, every raw code": designed(PolynomialFamily(EVERY_RAW, 32), 6000.0),
}
IMAGES = ("steps, 16 bits", "steps, raw codes")
"""Those of which all that can be exported is checked: the reader of images has one text for each kind of code."""

STRICT = ["-std=c99", *WARNINGS, "-pedantic-errors", "-Wcast-qual", "-Wundef", "-Wstrict-prototypes"]
STRICT += ["-Wmissing-prototypes"]
# Bytes of stack in one function. A correction holds its numbers of 64 bits itself, where a call of the library's
# division took a stack that no compiler counted.
LOOKING_UP, CORRECTING = "-Wstack-usage=64", "-Wstack-usage=112"
AVR_GCC = ["avr-gcc", "-mmcu=atmega328p", "-Os", LOOKING_UP, "-c"]
TIDY = ["clang-tidy", "--quiet", "--warnings-as-errors=*"]
TIDY += ["--checks=-*,bugprone-*,clang-analyzer-*,clang-diagnostic-*,cert-*"]
# An offset stands beside what it corrects, and both are integers.
TIDY[-1] += ",-bugprone-easily-swappable-parameters"
# Two uint16_t add up to an int, which newer versions see shifted; EVA proves that it is not negative.
TIDY[-1] += ",-bugprone-signed-bitwise"
CPPCHECK = ["cppcheck", "--quiet", "--enable=all", "--inconclusive", "--std=c99", "--error-exitcode=1"]
# What is exported is for the user's program to call.
CPPCHECK += ["--suppress=unusedFunction", "--suppress=staticFunction"]
# cppcheck knows the types of <stdint.h> without its text.
CPPCHECK += ["--suppress=missingIncludeSystem"]
# The lines for AVR are built by avr-gcc, and read with those below.
CPPCHECK += ["-U__AVR__"]
# What newer versions say of their own work, and older ones of what these lines name.
CPPCHECK += ["--suppress=checkersReport", "--suppress=normalCheckLevelMaxBranches", "--suppress=unmatchedSuppression"]
CHECKS: dict[str, tuple[list[str], list[str]]] = {
    "gcc": (["gcc", "-c", "-Og", "-fanalyzer", "-Warith-conversion", *STRICT], []),
    "avr-gcc": ([*AVR_GCC, *STRICT], []),
    "clang-tidy": (TIDY, ["--", *STRICT]),
    # Any target whose int has 16 bits; without its C library, clang brings <stdint.h>.
    "clang-tidy, 16-bit int": (TIDY, ["--", *STRICT, "--target=msp430", "-ffreestanding"]),
    "cppcheck": ([*CPPCHECK, "--platform=unix32"], []),
    "cppcheck, 16-bit int": ([*CPPCHECK, "--platform=avr8"], []),
}
"""What stands before the files, and what behind. All fail on a finding."""

MACHINES = {"int of 16 bits": ["-machdep", "gcc_x86_16"], "int of 32 bits": ["-machdep", "gcc_x86_32"]}
# Some lookups have lines of their own there.
AVR = {"int of 16 bits, AVR": [*MACHINES["int of 16 bits"], "-cpp-extra-args=-D__AVR__ -I."]}
EVA = ["frama-c", "-eva", "-eva-precision", "3", "-lib-entry", "-eva-no-print", "-warn-signed-overflow"]
# EVA and what it needs: without the other plug-ins it starts in half the time.
EVA[1:1] = ["-no-autoload-plugins", "-load-module", "from,inout,eva,scope"]
# A function that says by its result whether it filled a structure: both cases are followed.
EVA += ["-eva-split-return", "auto"]
# Unsigned arithmetic wraps as C defines it, and the C relies on it: no alarms are asked for there.
EVA += ["-warn-signed-downcast", "-warn-right-shift-negative", "-warn-left-shift-negative"]
RUNNING_S = 120
ALL_REACHED = re.compile(r"(\d+) functions analyzed \(out of \1\): 100% coverage")
"""What is not reached has no alarms either."""
PACKAGES = {"avr-gcc": "gcc-avr avr-libc", "frama-c": "frama-c-base"}


def why_not(program: str) -> str:
    """Why a program cannot be used here; empty if it can."""
    # On some systems gcc is another compiler's name.
    other = program == "gcc" and getattr(compiler_at(("gcc",)), "name", None) != "gcc"
    if shutil.which(program) is None or other:
        return f"{program} was not found; get it by: apt-get install {PACKAGES.get(program, program)}"
    return ""


def on_this_machine(check: str, *more: str) -> Any:
    lacking = why_not(CHECKS[check][0][0])
    return pytest.param(check, *more, marks=pytest.mark.skipif(bool(lacking), reason=lacking))


each_check = pytest.mark.parametrize("check", [on_this_machine(check) for check in CHECKS])
each_table = pytest.mark.parametrize("name", TABLES)
each_machine = pytest.mark.parametrize("machine", MACHINES)
needs_eva = pytest.mark.skipif(bool(why_not("frama-c")), reason=why_not("frama-c"))


def run(command: list[str], folder: Path) -> tuple[int, str]:
    # Frama-C looks for files where PWD says.
    environment = os.environ | {"PWD": str(folder)}
    done = subprocess.run(
        command, cwd=folder, env=environment, capture_output=True, text=True, timeout=RUNNING_S, check=False
    )
    return done.returncode, done.stdout + done.stderr


def findings(check: str, sources: dict[str, str], folder: Path) -> str:
    """What a check says of the sources; empty if it finds nothing."""
    for name, text in sources.items():
        (folder / name).write_text(text)
    before, behind = CHECKS[check]
    if any("_true_interval(" in text for text in sources.values()):
        before = [CORRECTING if option == LOOKING_UP else option for option in before]
    status, said = run([*before, *(name for name in sources if name.endswith(".c")), *behind], folder)
    return said if status else ""


FLASH_AS_IT_IS = """#define PROGMEM
#define pgm_read_byte(address) (*(address))
#define pgm_read_word(address) (*(address))
#define pgm_read_dword(address) (*(address))
"""
"""In place of <avr/pgmspace.h>: an entry keeps its type.

There it comes as an unsigned number, and C leaves the conversion to the compiler: in these lines to avr-gcc alone, which
reduces modulo 2**n (GCC's manual, "Integers implementation"). The proofs on the host and on the AVR convert it so.
"""


def proof(sources: dict[str, str], machine: str, folder: Path) -> str:
    """What EVA says of ``every_code`` with arguments that may be anything."""
    (folder / "avr").mkdir(exist_ok=True)
    for name, text in (sources | {AVR_HEADER: FLASH_AS_IT_IS}).items():
        (folder / name).write_text(text)
    files = [name for name in sources if name.endswith(".c")]
    status, said = run([*EVA, *(MACHINES | AVR)[machine], "-main", "every_code", *files], folder)
    assert status == 0, said
    assert "No errors or warnings raised during the analysis" in said, said
    return said


def alarms(said: str) -> list[str]:
    """EVA's alarms, each with its place, as many as EVA counts."""
    found = re.findall(r"\[eva:alarm\] (\S+): Warning:\s+(.+(?:\n  .+)*)", said)
    stated = re.search(r"(\d+) alarms? generated by the analysis", said)
    assert stated is not None, said
    assert int(stated[1]) == len(found), said
    return [f"{place} {' '.join(words.split())}" for place, words in found]


def every_code(table: CorrectionTable, call: str, opening: str) -> str:
    """Definition of a function that makes a call with each code that its type holds.

    EVA keeps an interval for each name, and no relation between names: not that a code that shares an index with the
    last knot lies upon it. So the codes are cut at the knots and at the ends of the range; at zero, below which a code
    becomes a large unsigned number; and at the quarters, for what has no knots.
    """
    knots = table.knot_codes.astype(float)
    quarters = np.linspace(table.low_code, table.high_code, 5)
    ends = [table.low_code, 0, table.high_code, table.high_code + 1]
    cuts = np.unique(np.ceil(np.concatenate([knots, quarters, ends])).astype(int))
    inside = cuts[(cuts > table.scale.least_code) & (cuts <= table.scale.largest_code)]
    stretches = [f"    if (code < {cut}) {{ {call}; return; }}" for cut in inside]
    head = f"void every_code({code_type(table)} code)"
    return "\n".join([f"{head};", head, "{", opening, *stretches, f"    {call};", "}", ""])


def code_type(table: CorrectionTable) -> str:
    return "int16_t" if table.scale.least_code < 0 else "uint16_t"


def lookups(table: CorrectionTable) -> dict[str, str]:
    """A table in C, and what calls it with every code: the lookup through the offset in ppt."""
    caller = [
        '#include "t.h"',
        f"static void read({code_type(table)} code)",
        "{ (void)t_offset_ppt(code); (void)t_in_range(code); }",
        every_code(table, "read(code)", ""),
    ]
    exported = c_source(table, "t", corrections=(), stamp=STAMP)
    return {"caller.c": "\n".join(caller), "t.h": exported["t.h"], "t.c": exported["t.c"]}


def planted(sources: dict[str, str], pattern: str, replacement: str) -> dict[str, str]:
    """The sources with a fault where the pattern stands, which is one place."""
    places = {name: len(re.findall(pattern, text)) for name, text in sources.items()}
    assert sum(places.values()) == 1, places
    return {name: re.sub(pattern, replacement, text) for name, text in sources.items()}


@each_check
@each_table
def test_nothing_is_found_in_what_is_exported(name: str, check: str, tmp_path: Path) -> None:
    if name in IMAGES:
        sources = c_source(TABLES[name], "t", stamp=STAMP) | image_source(TABLES[name], "t", STAMP)
    else:
        # The corrections have one text for all tables.
        sources = c_source(TABLES[name], "t", corrections=(), stamp=STAMP)
    assert findings(check, sources, tmp_path) == ""


BY_MACHINE = [
    (name, machine)
    for name, table in TABLES.items()
    for machine in (MACHINES | AVR if "__AVR__" in lookups(table)["t.c"] else MACHINES)
]


@needs_eva
@pytest.mark.parametrize(("name", "machine"), BY_MACHINE)
def test_no_code_makes_a_lookup_do_what_c_leaves_open(name: str, machine: str, tmp_path: Path) -> None:
    said = proof(lookups(TABLES[name]), machine, tmp_path)
    assert alarms(said) == []
    assert ALL_REACHED.search(said)


CORRECTIONS = """#include "t.h"
void every_code(int64_t shown, uint32_t wanted, int32_t offset_ppt);
void every_code(int64_t shown, uint32_t wanted, int32_t offset_ppt)
{
    (void)t_true_frequency(shown, offset_ppt);
    (void)t_true_interval(shown, offset_ppt);
    (void)t_tuning_word(wanted, offset_ppt);
    (void)t_selftest();
}
"""


@needs_eva
@each_machine
def test_no_argument_makes_a_correction_do_so_nor_does_the_self_test(machine: str, tmp_path: Path) -> None:
    # A table without a knot at its end: the self-test's codes come one by one, but EVA may take them together.
    sources = {"caller.c": CORRECTIONS} | c_source(TABLES["steps, raw codes"], "t", stamp=STAMP)
    said = proof(sources, machine, tmp_path)
    assert alarms(said) == []
    assert ALL_REACHED.search(said)


LONGEST = 72 + 4 * 65537 + 4
"""An image of as many entries as a reader takes. [bytes]"""


def any_image(table: CorrectionTable) -> dict[str, str]:
    """The reader of images, and what gives it any bytes of any length; to read behind the longest is an alarm."""
    # EVA takes a variable that is not const to hold anything at the start.
    caller = f"""#include "t_image.h"
static uint8_t bytes[{LONGEST}];
void every_code(uint32_t length);
void every_code(uint32_t length)
{{
    struct t_image image;
    if (length <= UINT32_C({LONGEST})) {{
        (void)t_image_open(&image, bytes, length, &t_image_unit);
    }}
}}
"""
    return {"caller.c": caller} | image_source(table, "t", STAMP)


def sound_image(table: CorrectionTable) -> dict[str, str]:
    """The reader of images, and what gives it the table's own and every code."""
    caller = [
        '#include "t_image.h"',
        f"static const uint8_t bytes[] = {{{', '.join(map(str, image_bytes(table)))}}};",
        f"static void read(const struct t_image *image, {code_type(table)} code)",
        "{ (void)t_image_offset_ppt(image, code); (void)t_image_in_range(image, code); }",
        every_code(
            table,
            "read(&image, code)",
            "    struct t_image image;\n    if (t_image_open(&image, bytes, sizeof bytes, &t_image_unit) != 0) { return; }",
        ),
    ]
    return {"caller.c": "\n".join(caller)} | image_source(table, "t", STAMP)


@needs_eva
@each_machine
def test_no_bytes_make_the_reader_of_images_do_so(machine: str, tmp_path: Path) -> None:
    assert alarms(proof(any_image(LINES), machine, tmp_path)) == []


@needs_eva
def test_a_reader_that_reads_a_byte_too_many_is_found(tmp_path: Path) -> None:
    sources = planted(any_image(LINES), r"stated > length\b", "stated > length + 1u")
    found = alarms(proof(sources, "int of 16 bits", tmp_path))
    assert any(re.match(r"t_image\.c:\d+ out of bounds read\. assert .valid_read", alarm) for alarm in found), found


@needs_eva
@pytest.mark.parametrize(("name", "machine"), list(zip(IMAGES, MACHINES, strict=True)))
def test_no_code_makes_the_reader_of_a_sound_image_do_so(name: str, machine: str, tmp_path: Path) -> None:
    said = proof(sound_image(TABLES[name]), machine, tmp_path)
    assert alarms(said) == []
    # Images with entries of 16 bits are read by two functions of their own, others by two others: each table reaches its own.
    reached = re.search(r"(\d+) functions analyzed \(out of (\d+)\)", said)
    assert reached is not None
    assert int(reached[2]) - int(reached[1]) == 2


OFFSET = r"\(int32_t\)t_lookup\(code\)"
"""Where the offset in ppt begins with what the lookup returns."""
FAULTS = {
    "an index past the end": (r",\s*-?\w+\s*\};", "};"),
    "a right shift of a negative": (OFFSET, "(int32_t)(t_lookup(code) >> 1)"),
    "a downcast that changes the value": (OFFSET, "(int32_t)(int8_t)t_lookup(code)"),
    "an overflow of a 16-bit int": (OFFSET, "(int32_t)(t_lookup(code) * 2)"),
    "a constant that overflows it": (OFFSET, "(int32_t)t_lookup(code) + (32767 + 1)"),
    "a name without a value": (r"(int t_in_range\(\w+ code\)\s*\{)", r"\1 int unset; if (unset == 7) { return 1; }"),
}
"""Found where they stand in the text that is exported, and what stands there instead."""
FOUND_BY_EVA = {
    "an index past the end": "(accessing out of bounds index|out of bounds read)",
    # Frama-C 25 calls it a left shift; the alarm comes with -warn-right-shift-negative alone.
    "a right shift of a negative": r"invalid LHS operand for (left|right) shift. assert 0 ≤",
    "a downcast that changes the value": "signed downcast",
    "an overflow of a 16-bit int": "signed overflow",
    "a constant that overflows it": "signed overflow",
    "a name without a value": "accessing uninitialized left-value",
}
FOUND_BY_CHECKS = [
    ("gcc", "a name without a value", "analyzer-use-of-uninitialized-value"),
    ("avr-gcc", "a name without a value", "used uninitialized"),
    ("clang-tidy", "a name without a value", "clang-analyzer-core.UndefinedBinaryOperatorResult"),
    ("clang-tidy, 16-bit int", "a name without a value", "clang-analyzer-core.UndefinedBinaryOperatorResult"),
    ("cppcheck", "a name without a value", "uninitvar"),
    ("cppcheck, 16-bit int", "a name without a value", "uninitvar"),
    ("avr-gcc", "a constant that overflows it", "integer overflow in expression"),
    ("clang-tidy, 16-bit int", "a constant that overflows it", "clang-diagnostic-integer-overflow"),
    ("cppcheck, 16-bit int", "a constant that overflows it", "integerOverflow"),
    ("clang-tidy", "an index past the end", "clang-analyzer-"),
]


def with_fault(fault: str) -> dict[str, str]:
    """A table that is exported and called with every code, with a fault in it."""
    sources = lookups(LINES)
    faulty = planted({"t.c": sources["t.c"]}, *FAULTS[fault])
    if fault == "an index past the end":
        # An entry less is there and declared, and the lookup knows nothing of it.
        faulty |= planted({"t.h": sources["t.h"]}, r"(_ENTRIES +)\(\d+u\)", rf"\g<1>({len(LINES.entries) - 1}u)")
    return sources | faulty


@needs_eva
@pytest.mark.parametrize("fault", FAULTS)
def test_eva_finds_each_planted_fault(fault: str, tmp_path: Path) -> None:
    found = alarms(proof(with_fault(fault), "int of 16 bits", tmp_path))
    assert found
    assert all(re.match(rf"t\.c:\d+ {FOUND_BY_EVA[fault]}", alarm) for alarm in found), found


@needs_eva
@pytest.mark.parametrize("fault", ["an overflow of a 16-bit int", "a constant that overflows it"])
def test_what_only_a_16_bit_int_cannot_hold_is_no_fault_elsewhere(fault: str, tmp_path: Path) -> None:
    assert alarms(proof(with_fault(fault), "int of 32 bits", tmp_path)) == []


@needs_eva
@pytest.mark.parametrize(("machine", "finds"), [("int of 16 bits, AVR", 1), ("int of 16 bits", 0)])
def test_a_fault_in_lines_for_avr_is_found_where_they_are_read(machine: str, finds: int, tmp_path: Path) -> None:
    place, fault = FAULTS["a name without a value"]
    sources = planted(lookups(LINES), place, fault.replace(" int", "\n#if defined(__AVR__)\nint") + "\n#endif\n")
    assert len(alarms(proof(sources, machine, tmp_path))) == finds


@pytest.mark.parametrize(("check", "fault", "words"), [on_this_machine(*found) for found in FOUND_BY_CHECKS])
def test_each_check_finds_a_planted_fault(check: str, fault: str, words: str, tmp_path: Path) -> None:
    assert words in findings(check, with_fault(fault), tmp_path)


def follower(step_log2: int) -> FollowFilter:
    """From 0 degC on, as EVA loses the sign of a code that is a large unsigned number for a while; and to between two knots."""
    return FollowFilter(
        table=steps(0.0, 59.0, TemperatureScale(16), step_log2, 16, "linear"), update_s=10.0, fine_bits=4, slot_bits=4,
        stages=(Stage(part=9000, lead_log2=1), Stage(part=3746)), loop=Loop(half=24, weight=-90001),
    )  # fmt: skip


FOLLOWERS = {"between codes by the table's lookup": follower(5), "on a line from code to code": follower(6)}


def followed(name: str) -> dict[str, str]:
    """The filter in C, from every state that it can have to every code; the induction shows which these are.

    EVA keeps an interval for each name, and cannot tell that a state that moves towards another stays between the ends.
    """
    follow = FOLLOWERS[name]
    exported = c_source(follow.table, "t", corrections=(), stamp=STAMP, follow=follow)
    bounds = " && ".join(f"f->fine[{number}] <= {follow.top}" for number in range(2))
    bounds += f" && f->along <= {follow.span} && f->slot <= {follow.span << follow.slot_bits}"
    read = "    return t_follow_read(f);\n"
    assert exported["t_follow.c"].count(read) == 2
    text = exported["t_follow.c"].replace(read, f"    /*@ admit {bounds}; */\n{read}")
    caller = f"""#include "t_follow.h"
extern t_follow_t any;
static t_follow_t state;
void every_code(int16_t code, uint16_t updates);
void every_code(int16_t code, uint16_t updates)
{{
    t_follow_t *const f = &state;

    t_follow_start(f, code);
    state = any;
    /*@ admit {bounds}; */
    (void)t_follow_fine_code(f);
    (void)t_follow_offset_ppt(f, code);
    (void)t_follow_missed_ppt(f, updates);
    (void)t_offset_ppt(code);
    (void)t_in_range(code);
}}
"""
    return {"caller.c": caller, "t_follow.c": text} | {name: exported[name] for name in ("t.h", "t.c", "t_follow.h")}


@needs_eva
@pytest.mark.parametrize(("name", "machine"), list(zip(FOLLOWERS, MACHINES, strict=True)))
def test_no_code_makes_the_filter_do_what_c_leaves_open(name: str, machine: str, tmp_path: Path) -> None:
    said = proof(followed(name), machine, tmp_path)
    assert alarms(said) == []
    assert ALL_REACHED.search(said)


@needs_eva
@pytest.mark.parametrize(
    ("name", "right", "wrong"),
    [
        ("between codes by the table's lookup", r"at \+ (\d+)u\) >>", r"at + 400u + \1u) >>"),
        ("on a line from code to code", r"\(code \+ 1\)", "(code + 100)"),
    ],
)
def test_a_filter_that_reads_beyond_its_table_is_found(name: str, right: str, wrong: str, tmp_path: Path) -> None:
    sources = planted(followed(name), right, wrong)
    if name == "on a line from code to code":
        # The lookup holds every code within its table: it is the type that the code leaves.
        sources = {file: text.replace("(code + 100)", "(code + 32000)") for file, text in sources.items()}
    assert alarms(proof(sources, "int of 16 bits", tmp_path))


def misra_findings(sources: dict[str, str], folder: Path) -> dict[str, set[str]]:
    """Rules of MISRA C:2012 that cppcheck's addon sees broken, file by file; it knows their numbers, not their texts."""
    for name, text in sources.items():
        (folder / name).write_text(text)
    names = [name for name in sources if name.endswith(".c")]
    command = [
        "cppcheck",
        "--addon=misra",
        "--std=c99",
        "--platform=avr8",
        "-U__AVR__",
        "-U__cplusplus",
        "--quiet",
        *names,
    ]
    status, said = run(command, folder)
    assert status == 0, said
    found: dict[str, set[str]] = {name: set() for name in names}
    for name, rule in re.findall(r"^(\S+\.[ch]):\d+:.*\[misra-c2012-(\d+\.\d+)\]", said, re.MULTILINE):
        found.setdefault(name, set()).add(rule)
    return found


EXPORT_PAGE = Path(__file__).parent.parent / "docs" / "commands" / "export.md"
KINDS_OF_FILE = {
    "SYMBOL_follow.h": "t_follow.h",
    "SYMBOL.c": "t.c",
    "SYMBOL_selftest.c": "t_selftest.c",
    "SYMBOL_image.c": "t_image.c",
    "SYMBOL_follow.c": "t_follow.c",
}


OF_EVERY_RULE = ("steps, raw codes", "a knot at every code", "even, quadratic on a polynomial")
"""What the addon finds in others, it finds in these."""


@pytest.mark.skipif(bool(why_not("cppcheck")), reason=why_not("cppcheck") or "-")
def test_the_rules_of_misra_that_are_broken_are_those_that_the_page_lists(tmp_path: Path) -> None:
    listed: dict[str, set[str]] = {name: set() for name in KINDS_OF_FILE.values()}
    for rule, where in re.findall(
        r"^\| (\d+\.\d+) \| [^|]+ \| ([^|]+) \|", EXPORT_PAGE.read_text(encoding="utf-8"), re.MULTILINE
    ):
        for name in re.findall(r"`(SYMBOL\w*\.[ch])`", where):
            listed[KINDS_OF_FILE[name]].add(rule)
    found: dict[str, set[str]] = {name: set() for name in listed}
    follow = FOLLOWERS["between codes by the table's lookup"]
    for number, table in enumerate([*(TABLES[name] for name in OF_EVERY_RULE), follow.table]):
        folder = tmp_path / str(number)
        folder.mkdir()
        sources = c_source(table, "t", stamp=STAMP, follow=follow if table is follow.table else None)
        if table is follow.table:
            sources |= image_source(table, "t", STAMP)
        for name, rules in misra_findings(sources, folder).items():
            found.setdefault(name, set()).update(rules)
    assert found == listed
    # A planted fault: a loop's counter of floating point is rule 14.1.
    wrong = planted(
        {"t.c": sources["t.c"]},
        r"(int t_in_range\(\w+ code\)\s*\{)",
        r"\1 float x; for (x = 0.0f; x < 1.0f; x += 0.5f) { }",
    )
    assert "14.1" in misra_findings(sources | wrong, tmp_path)["t.c"]
