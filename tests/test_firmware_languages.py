"""Python, C++ and Rust equal the specification at every code for tables of every kind, and a planted fault is found.

Each program is run by what its users have: CPython, the WebAssembly build of MicroPython, g++, avr-g++ and rustc.  Many
tables go into one program, as compilers take longer to start than to compile one.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from tables import changed
from test_proof_bit_exact import HOSTILE, STAMP, TABLES

from tcomp.errors import FirmwareError
from tcomp.firmware import Export, Stamp, exported
from tcomp.firmware.corrections import CORRECTIONS
from tcomp.firmware.integer_lookup import SMALL_LIMIT, integer_lookup
from tcomp.proof.expected import proof_cases
from tcomp.tables.layout import CorrectionTable

NAMES = list(TABLES)
ALL = tuple(CORRECTIONS)
PLAIN = TABLES["plain"]


def files_of(language: str, table: CorrectionTable, symbol: str = "gauge07", stamp: Stamp = STAMP) -> dict[str, str]:
    export = Export(table=table, symbol=symbol, stamp=stamp, formats=(language,), corrections=ALL)
    return {name: text for name, text in exported(export).items() if isinstance(text, str)}


def python_module(text: str) -> dict[str, Any]:
    found: dict[str, Any] = {}
    exec(compile(text, "generated", "exec"), found)
    return found


def some_cases(table: CorrectionTable) -> list[tuple[str, int, int, int]]:
    """Every fifth of the proof's cases of each correction, with what the specification says."""
    return [
        (one.function, given, offset_ppt, one.specification(given, offset_ppt))
        for one in CORRECTIONS.values()
        if one.name in ALL
        for given, offset_ppt in proof_cases(table, one)[::5]
    ]


def codes_asked(table: CorrectionTable) -> np.ndarray:
    """Every code of the range, and those outside it, whose value is that of an end, each 61st."""
    codes = table.all_codes
    return np.unique(np.concatenate([table.codes, codes[::61], codes[-1:]]))


@pytest.mark.parametrize("name", NAMES)
def test_python_equals_the_specification(name: str) -> None:
    table = TABLES[name]
    module = python_module(files_of("python", table)["gauge07.py"])
    codes = table.all_codes if name == "plain" else codes_asked(table)
    # What fills the type is asked at each code in the compiled languages; here at one in eleven, and beside the entries.
    if len(codes) > 30_000 and name != "plain":
        near = (np.floor(table.knot_codes)[:, None] + [-1, 0, 1]).astype(int).ravel()
        codes = np.unique(np.concatenate([codes[::11], near[(near >= codes[0]) & (near <= codes[-1])]]))
    lookup = module["lookup"]
    assert [lookup(code) for code in codes.tolist()] == table.lookup(codes).tolist()
    few = codes[:: max(1, len(codes) // 50)]
    assert [module["offset_ppt"](code) for code in few.tolist()] == table.offset_ppt(few).tolist()
    assert [module["in_range"](code) for code in few.tolist()] == table.in_range(few).tolist()


def test_python_corrects_as_the_specification_does() -> None:
    module = python_module(files_of("python", PLAIN)["gauge07.py"])
    cases = some_cases(PLAIN)
    assert len(cases) > 1000
    assert [module[function](given, offset_ppt) for function, given, offset_ppt, _ in cases] == [
        one[3] for one in cases
    ]


@pytest.mark.parametrize("name", [name for name in NAMES if TABLES[name].entry_bits <= 16])
def test_a_lookup_with_entries_of_16_bits_takes_small_integers_of_a_31_bit_python(name: str) -> None:
    assert integer_lookup(TABLES[name], SMALL_LIMIT).largest < 2**30


def test_the_self_test_of_python_passes_and_finds_a_changed_entry(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name, text in files_of("python", PLAIN).items():
        (tmp_path / name).write_text(text)
    monkeypatch.syspath_prepend(tmp_path)
    import gauge07_selftest  # type: ignore[import-not-found]

    assert gauge07_selftest.selftest() == 0
    gauge07_selftest.gauge07.ENTRIES = (-300, 21, 1000, 7)
    assert gauge07_selftest.selftest() > 0


def test_a_fault_planted_in_python_is_found() -> None:
    text = files_of("python", PLAIN)["gauge07.py"]
    for right, wrong in (("+ 128)", "+ 127)"), (">> 8", ">> 9"), ("held = 250", "held = 249")):
        lookup = python_module(text.replace(right, wrong))["lookup"]
        codes = range(PLAIN.low_code - 1, PLAIN.high_code + 2)
        assert [lookup(code) for code in codes] != PLAIN.lookup(codes).tolist(), right


def built(*command: Any) -> subprocess.CompletedProcess[str]:
    return subprocess.run([str(word) for word in command], capture_output=True, text=True, timeout=60, check=False)


NPM = Path(__file__).parent.parent / "build" / "npm" / "node_modules"
MICROPYTHON = Path(
    os.environ.get("MICROPYTHON_MJS", NPM / "@micropython" / "micropython-webassembly-pyscript" / "micropython.mjs")
)
RUNNER = """
const { loadMicroPython } = await import(process.argv[2]);
const python = await loadMicroPython({ heapsize: 16 * 1024 * 1024, stdout: (line) => console.log(line), linebuffer: true });
python.runPython((await import("node:fs")).readFileSync(process.argv[3], "utf8"));
"""


ASKED = """
import micropython

def asked(module, codes, corrections):
    lookup = module["lookup"]
    takes_memory = False
    micropython.heap_lock()
    try:
        for code in codes:
            lookup(code)
    except MemoryError:
        takes_memory = True
    micropython.heap_unlock()
    if takes_memory:
        print("a lookup takes memory")
    print(" ".join([str(lookup(code)) for code in codes]))
    print(" ".join([str(module[name](given, offset)) for name, given, offset in corrections]))
"""


def micropython(folder: Path, program: str) -> subprocess.CompletedProcess[str]:
    if not MICROPYTHON.is_file() or shutil.which("node") is None:
        pytest.skip("needs node and the npm package of MicroPython")
    (folder / "run.mjs").write_text(RUNNER)
    (folder / "asked.py").write_text(program)
    return built("node", folder / "run.mjs", MICROPYTHON.resolve(), folder / "asked.py")


def test_micropython_equals_the_specification(tmp_path: Path) -> None:
    """The WebAssembly build has small integers of 31 bits, as boards of 32 bits have; larger ones take memory.

    Every lookup is made once more with the heap locked, where taking memory is an error.
    """
    names = [
        "plain",
        "segments",
        "even, quadratic, extremes",
        "even, 8 bits on a polynomial",
        "polynomial, int16 extremes",
    ]
    program, expected = [ASKED], []
    for name in names:
        table = TABLES[name]
        codes = table.all_codes[:: 1 if name == "plain" else 16]
        cases = some_cases(table) if name == "plain" else []
        program += ["module = {}", f"exec({files_of('python', table)['gauge07.py']!r}, module)"]
        calls = [case[:3] for case in cases]
        program += [f"asked(module, range({codes[0]}, {codes[-1] + 1}, {codes[1] - codes[0]}), {calls!r})"]
        expected += [" ".join(map(str, table.lookup(codes).tolist())), " ".join(str(case[3]) for case in cases)]
    ran = micropython(tmp_path, "\n".join(program))
    assert ran.stderr == ""
    assert ran.stdout.splitlines() == expected


def test_a_lookup_that_takes_memory_would_be_found(tmp_path: Path) -> None:
    text = files_of("python", TABLES["int32 extremes"])["gauge07.py"]
    ran = micropython(tmp_path, f"{ASKED}\nmodule = {{}}\nexec({text!r}, module)\nasked(module, range(-100, 100), [])")
    assert ran.stdout.startswith("a lookup takes memory")


FLAGS = ("-std=c++14", "-Wall", "-Wextra", "-Wpedantic", "-Wconversion", "-Wsign-conversion", "-Wshadow", "-Werror")
needs_cpp = pytest.mark.skipif(shutil.which("g++") is None, reason="needs g++")


def cpp_program(folder: Path, names: list[str]) -> str:
    """Writes the value at every code of each table, then each correction of the first."""
    for number, name in enumerate(names):
        for file, text in files_of("cpp", TABLES[name], f"t{number}").items():
            (folder / file).write_text(text)
    lines = [f'#include "t{number}.hpp"' for number in range(len(names))]
    lines += ["#include <cstdio>", "#include <vector>"]
    lines += ["struct asked { int which; int64_t given; int32_t offset_ppt; };", "int main() {"]
    lines += ["    std::vector<int32_t> out; std::vector<int64_t> corrected;"]
    for number, name in enumerate(names):
        scale = TABLES[name].scale
        kind = "int16_t" if scale.least_code < 0 else "uint16_t"
        lines += [f"    for (int32_t c = {scale.least_code}; c <= {scale.largest_code}; c++)"]
        lines += [f"        out.push_back(t{number}::lookup(static_cast<{kind}>(c)));"]
    rows = [
        f"{{{ALL_FUNCTIONS.index(function)}, {'INT64_MIN' if given == -(2**63) else f'INT64_C({given})'}, "
        f"{'INT32_MIN' if offset_ppt == -(2**31) else offset_ppt}}}"
        for function, given, offset_ppt, _ in some_cases(TABLES[names[0]])
    ]
    lines += [f"    static const asked all[] = {{{', '.join(rows)}}};"]
    lines += ["    for (const asked &a : all)", "        corrected.push_back("]
    lines += ["            a.which == 0 ? t0::true_frequency(a.given, a.offset_ppt)"]
    lines += ["            : a.which == 1 ? t0::true_interval(a.given, a.offset_ppt)"]
    lines += ["            : a.which == 3 ? t0::tuning_word_48(a.given, a.offset_ppt)"]
    lines += ["            : static_cast<int64_t>(t0::tuning_word(static_cast<uint32_t>(a.given), a.offset_ppt)));"]
    lines += ["    std::fwrite(out.data(), 4, out.size(), stdout);"]
    lines += ["    std::fwrite(corrected.data(), 8, corrected.size(), stdout);", "}"]
    return "\n".join(lines) + "\n"


ALL_FUNCTIONS = tuple(one.function for one in CORRECTIONS.values())


def compared(results: bytes, names: list[str]) -> list[str]:
    """Each table and correction that differs from the specification."""
    values = np.frombuffer(results, "<i4", 65536 * len(names)).reshape(len(names), 65536)
    cases = some_cases(TABLES[names[0]])
    corrected = np.frombuffer(results, "<i8", len(cases), 4 * values.size)
    assert len(results) == 4 * values.size + 8 * len(cases)
    expected = {name: TABLES[name].lookup(TABLES[name].all_codes) for name in names}
    found = [name for name, got in zip(names, values, strict=True) if not np.array_equal(got, expected[name])]
    return found + [f"{case}" for case, got in zip(cases, corrected.tolist(), strict=True) if got != case[3]]


@needs_cpp
def test_cpp_equals_the_specification_at_every_code(tmp_path: Path) -> None:
    (tmp_path / "all.cpp").write_text(cpp_program(tmp_path, NAMES))
    made = built(
        "g++",
        *FLAGS,
        "-O1",
        "-fsanitize=undefined",
        "-fno-sanitize-recover=all",
        tmp_path / "all.cpp",
        "-o",
        tmp_path / "all",
    )
    assert made.stderr == ""
    ran = subprocess.run([tmp_path / "all"], capture_output=True, timeout=60, check=True)
    assert compared(ran.stdout, NAMES) == []


@needs_cpp
@pytest.mark.parametrize(
    ("right", "wrong"),
    [
        ("-300,   20", "-300,   21"),
        (" * part + 128", " * part + 12"),
        ("one / 2u", "one / 3u"),
        ("(code > 250) ? 250", "(code > 250) ? 249"),
    ],
)
def test_a_fault_planted_in_cpp_does_not_compile(right: str, wrong: str, tmp_path: Path) -> None:
    text = files_of("cpp", PLAIN)["gauge07.hpp"]
    assert right in text
    (tmp_path / "gauge07.hpp").write_text(text.replace(right, wrong))
    made = built("g++", "-std=c++14", "-fsyntax-only", "-x", "c++", tmp_path / "gauge07.hpp")
    assert "static assertion failed" in made.stderr


@pytest.mark.skipif(shutil.which("avr-g++") is None, reason="needs avr-g++")
def test_cpp_compiles_for_avr_with_its_table_in_flash_only(tmp_path: Path) -> None:
    for number, name in enumerate(("plain", "segments", "polynomial, 32 bits", "even, 8 bits on a polynomial")):
        symbol = f"t{number}"
        (tmp_path / f"{symbol}.hpp").write_text(files_of("cpp", TABLES[name], symbol)[f"{symbol}.hpp"])
        use = (
            f'#include "{symbol}.hpp"\nint32_t asked(int16_t code);\n'
            f"int32_t asked(int16_t code) {{ return {symbol}::offset_ppt(code); }}\n"
        )
        (tmp_path / "use.cpp").write_text(use)
        made = built("avr-g++", "-mmcu=atmega328p", "-Os", *FLAGS, "-c", tmp_path / "use.cpp", "-o", tmp_path / "use.o")
        assert made.stderr == ""
        sizes = built("avr-size", "-A", tmp_path / "use.o").stdout
        found = dict(re.findall(r"^\.(\S+)\s+(\d+)", sizes, re.MULTILINE))
        assert int(found["data"]) == 0
        assert not any(section.startswith("rodata") for section in found)
        assert sum(int(size) for section, size in found.items() if section.startswith("progmem")) > 0


needs_rust = pytest.mark.skipif(shutil.which("rustc") is None, reason="needs rustc")


def rust_program(folder: Path, names: list[str]) -> str:
    lines = ["#![deny(warnings)]", "#![allow(dead_code)]", "use std::io::Write;"]
    for number, name in enumerate(names):
        (folder / f"t{number}.rs").write_text(files_of("rust", TABLES[name], f"t{number}")[f"t{number}.rs"])
        lines.append(f"mod t{number};")
    lines += ["fn main() {", "    let mut out: Vec<u8> = Vec::new();"]
    for number, name in enumerate(names):
        kind = "i16" if TABLES[name].scale.least_code < 0 else "u16"
        lines += [f"    for code in {kind}::MIN..={kind}::MAX {{"]
        lines += [f"        out.extend_from_slice(&(t{number}::lookup(code) as i32).to_le_bytes());", "    }"]
    rows = [
        f"({ALL_FUNCTIONS.index(function)}, {given}, {offset_ppt})"
        for function, given, offset_ppt, _ in some_cases(TABLES[names[0]])
    ]
    lines += [f"    let all: &[(u8, i64, i32)] = &[{', '.join(rows)}];"]
    lines += ["    for &(which, given, offset_ppt) in all {", "        let result = match which {"]
    lines += ["            0 => t0::true_frequency(given, offset_ppt),"]
    lines += ["            1 => t0::true_interval(given, offset_ppt),"]
    lines += ["            3 => t0::tuning_word_48(given, offset_ppt),"]
    lines += ["            _ => t0::tuning_word(given as u32, offset_ppt) as i64,", "        };"]
    lines += ["        out.extend_from_slice(&result.to_le_bytes());", "    }"]
    return "\n".join([*lines, "    std::io::stdout().write_all(&out).unwrap();", "}"]) + "\n"


@needs_rust
def test_rust_equals_the_specification_at_every_code(tmp_path: Path) -> None:
    """Debug build: an overflow anywhere would end the program."""
    (tmp_path / "all.rs").write_text(rust_program(tmp_path, NAMES))
    made = built(
        "rustc",
        "--edition=2021",
        "-C",
        "opt-level=1",
        "-C",
        "overflow-checks=on",
        tmp_path / "all.rs",
        "-o",
        tmp_path / "all",
    )
    assert made.stderr == ""
    ran = subprocess.run([tmp_path / "all"], capture_output=True, timeout=60, check=True)
    assert compared(ran.stdout, NAMES) == []


@needs_rust
@pytest.mark.parametrize(
    ("right", "wrong"), [("-300,   20", "-300,   21"), (" * part + 128", " * part + 12"), ("ONE / 2", "ONE / 3")]
)
def test_a_fault_planted_in_rust_does_not_compile(right: str, wrong: str, tmp_path: Path) -> None:
    text = files_of("rust", PLAIN)["gauge07.rs"]
    assert right in text
    (tmp_path / "lib.rs").write_text("#![no_std]\n" + text.replace(right, wrong))
    made = built(
        "rustc", "--edition=2021", "--crate-type=lib", "--emit=metadata", "--out-dir", tmp_path, tmp_path / "lib.rs"
    )
    assert "assertion failed" in made.stderr


@pytest.mark.skipif(shutil.which("clippy-driver") is None, reason="needs clippy")
def test_clippy_has_nothing_to_say_of_the_rust(tmp_path: Path) -> None:
    lines = ["#![no_std]", "#![forbid(unsafe_code)]", "#![deny(warnings, clippy::all)]"]
    for number, name in enumerate(NAMES):
        (tmp_path / f"t{number}.rs").write_text(files_of("rust", TABLES[name], f"t{number}")[f"t{number}.rs"])
        lines.append(f"pub mod t{number};")
    (tmp_path / "lib.rs").write_text("\n".join(lines) + "\n")
    made = built(
        "clippy-driver",
        "--edition=2021",
        "--crate-type=lib",
        "--emit=metadata",
        "--out-dir",
        tmp_path,
        tmp_path / "lib.rs",
    )
    assert made.stderr == ""


@pytest.mark.parametrize("language", ["python", "cpp", "rust"])
def test_hostile_free_text_stays_in_comments(language: str) -> None:
    for plain, hostile in zip(
        files_of(language, PLAIN).items(), files_of(language, PLAIN, stamp=HOSTILE).items(), strict=True
    ):
        mark = "#" if language == "python" else "//"
        code = [[line for line in text.splitlines() if not line.startswith(mark)] for _, text in (plain, hostile)]
        assert code[0] == code[1]
        assert hostile[1].isascii()


@pytest.mark.parametrize(
    ("language", "symbol", "name"),
    [("python", "lambda", "Python"), ("rust", "fn", "Rust"), ("python", "import", "Python")],
)
def test_a_word_of_the_language_is_no_symbol(language: str, symbol: str, name: str) -> None:
    with pytest.raises(
        FirmwareError, match=rf'"{symbol}" is a word that (C or C\+\+|{name}) keeps to itself; "{symbol}_table"'
    ):
        files_of(language, PLAIN, symbol)


@pytest.mark.parametrize(
    ("language", "asked"), [*product(["python", "cpp", "rust"], [(), ("tuning-word",), ("frequency",)])]
)
def test_only_the_corrections_asked_for_are_written(language: str, asked: tuple[str, ...]) -> None:
    found = exported(Export(table=PLAIN, symbol="t", stamp=STAMP, formats=(language,), corrections=asked))
    text = "".join(one for one in found.values() if isinstance(one, str))
    for one in CORRECTIONS.values():
        assert (one.function in text) == (one.name in asked)


def test_the_same_table_gives_the_same_bytes() -> None:
    for language in ("python", "cpp", "rust"):
        assert files_of(language, PLAIN) == files_of(language, changed(PLAIN))
