"""Each package is taken by the builder of its ecosystem, or by what stands in for it here, and a planted fault is found.

Arduino's own core, PlatformIO, ESP-IDF and Zephyr are not on the machine: the sketch is compiled with a header in the place of
the core's, and of the others only the form of their files is checked.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path
from typing import Any

import pytest
from hostile_runs import tcomp
from test_proof_bit_exact import STAMP, TABLE

from tcomp.errors import FirmwareError
from tcomp.firmware import Export
from tcomp.firmware.packages import PACKAGES, packaged

EXPORT = Export(table=TABLE, symbol="gauge07", stamp=STAMP, formats=("c",), corrections=("frequency", "interval"))
CORE = """#pragma once
#include <stdint.h>
struct Port { void begin(long); void println(long); };
extern Port Serial;
extern "C" void delay(unsigned long);
"""
"""What the sketch takes of the core's header."""


def laid_out(name: str, folder: Path) -> Path:
    for path, content in packaged(name, EXPORT).items():
        assert isinstance(content, str)
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        (folder / path).write_text(content)
    return folder


def built(*command: Any, folder: Path) -> str:
    """What a builder says, and nothing if it succeeds."""
    words = [str(word) for word in command]
    done = subprocess.run(words, cwd=folder, capture_output=True, text=True, timeout=120, check=False)
    return "" if done.returncode == 0 else done.stdout + done.stderr


def needs(program: str) -> pytest.MarkDecorator:
    return pytest.mark.skipif(shutil.which(program) is None, reason=f"needs {program}")


@needs("avr-g++")
def test_the_sketch_compiles_with_the_library_as_a_board_takes_them(tmp_path: Path) -> None:
    folder = laid_out("arduino", tmp_path)
    (folder / "core").mkdir()
    (folder / "core" / "Arduino.h").write_text(CORE)
    # A sketch is C++, with the core's header in front.
    (folder / "sketch.cpp").write_text('#include "Arduino.h"\n' + (folder / "examples/offset/offset.ino").read_text())
    flags = ["-mmcu=atmega328p", "-Os", "-Wall", "-Wextra", "-Werror", "-Isrc", "-Icore", "-c"]
    assert built("avr-g++", "-std=gnu++11", *flags, "sketch.cpp", "-o", "sketch.o", folder=folder) == ""
    for source in sorted((folder / "src").glob("*.c")):
        assert built("avr-gcc", "-std=gnu11", *flags, source, "-o", source.with_suffix(".o"), folder=folder) == ""
    properties = dict(line.split("=", 1) for line in (folder / "library.properties").read_text().splitlines())
    # The library specification's required fields (from memory).
    assert {
        "name",
        "version",
        "author",
        "maintainer",
        "sentence",
        "paragraph",
        "category",
        "url",
        "architectures",
    } <= set(properties)
    (folder / "sketch.cpp").write_text((folder / "sketch.cpp").read_text().replace("gauge07_offset", "gauge08_offset"))
    assert "gauge08_offset" in built("avr-g++", "-std=gnu++11", *flags, "sketch.cpp", "-o", "sketch.o", folder=folder)


@needs("cmake")
def test_a_cmake_project_links_the_library_and_its_self_test_passes(tmp_path: Path) -> None:
    laid_out("cmake", tmp_path / "gauge07")
    (tmp_path / "main.c").write_text('#include "gauge07.h"\nint main(void) { return gauge07_selftest(); }\n')
    (tmp_path / "CMakeLists.txt").write_text(
        "cmake_minimum_required(VERSION 3.13)\nproject(use C)\nadd_subdirectory(gauge07)\n"
        "add_executable(use main.c)\ntarget_link_libraries(use gauge07)\n"
    )
    assert built("cmake", "-S", ".", "-B", "build", "-Wdev", folder=tmp_path) == ""
    assert built("cmake", "--build", "build", folder=tmp_path) == ""
    assert subprocess.run([tmp_path / "build" / "use"], check=False).returncode == 0
    text = (tmp_path / "gauge07" / "gauge07.c").read_text()
    (tmp_path / "gauge07" / "gauge07.c").write_text(text.replace("1000", "1001", 1))
    assert built("cmake", "--build", "build", folder=tmp_path) == ""
    assert subprocess.run([tmp_path / "build" / "use"], check=False).returncode != 0


@needs("cargo")
def test_a_crate_builds_without_the_standard_library_and_clippy_is_silent(tmp_path: Path) -> None:
    folder = laid_out("cargo", tmp_path)
    command = ("clippy", "--offline", "--quiet") if shutil.which("cargo-clippy") else ("build", "--offline", "--quiet")
    assert built("cargo", *command, "--", *(["-D", "warnings"] if "clippy" in command else []), folder=folder) == ""
    text = (folder / "src" / "lib.rs").read_text()
    assert text.startswith("#![no_std]\n")
    # The vectors are checked by the compiler.
    assert "-300,   20" in text
    (folder / "src" / "lib.rs").write_text(text.replace("-300,   20", "-300,   21"))
    assert built("cargo", "build", "--offline", folder=folder) != ""


def test_a_wheel_is_built_and_holds_the_modules(tmp_path: Path) -> None:
    pytest.importorskip("hatchling")
    folder = laid_out("wheel", tmp_path / "source")
    command = (
        sys.executable,
        "-m",
        "pip",
        "wheel",
        ".",
        "--no-deps",
        "--no-build-isolation",
        "--no-index",
        "-q",
        "-w",
        "out",
    )
    assert built(*command, folder=folder) == ""
    (wheel,) = (folder / "out").glob("*.whl")
    with zipfile.ZipFile(wheel) as content:
        content.extractall(tmp_path / "installed")
    program = "import gauge07_selftest; raise SystemExit(gauge07_selftest.selftest())"
    assert built(sys.executable, "-c", program, folder=tmp_path / "installed") == ""


def test_the_other_manifests_have_the_form_and_name_every_source() -> None:
    manifest = packaged("platformio", EXPORT)
    assert json.loads(str(manifest["library.json"]))["name"] == "gauge07"
    sources = sorted(name for name in packaged("cmake", EXPORT) if name.endswith(".c"))
    assert sources == ["gauge07.c", "gauge07_selftest.c"]
    for name, file in (("esp-idf", "CMakeLists.txt"), ("zephyr", "zephyr/CMakeLists.txt")):
        text = str(packaged(name, EXPORT)[file])
        assert all(source in text for source in sources), name
    assert "config GAUGE07\n" in str(packaged("zephyr", EXPORT)["zephyr/Kconfig"])


@pytest.mark.parametrize("name", PACKAGES)
def test_each_says_how_it_is_used_and_the_same_export_gives_the_same_bytes(name: str) -> None:
    assert packaged(name, EXPORT) == packaged(name, EXPORT)
    assert "gauge07" in str(packaged(name, EXPORT)["README.md"])


def test_a_package_that_is_unknown_is_refused() -> None:
    with pytest.raises(FirmwareError, match='there is no package "tarball"; expected some of arduino, '):
        packaged("tarball", EXPORT)


def test_the_command_refuses_an_unknown_package_before_it_writes_anything(tmp_path: Path) -> None:
    shutil.copytree(Path(__file__).parent.parent / "sample_runs" / "river_gauge", tmp_path / "gauge")
    found = tcomp(
        "export", tmp_path / "gauge" / "gauge07.toml", "--into", tmp_path / "out", "--package", "cmake,tarball"
    )
    assert found.exit_code == 2
    assert 'there is no package "tarball"' in found.stderr
    assert not (tmp_path / "out").exists()
