"""Finding a compiler: the one asked for first, each once, and a way out when there is none."""

from __future__ import annotations

import stat
import sys
from pathlib import Path

import pytest

from tcomp.errors import ProofError
from tcomp.proof import compilers
from tcomp.proof.compilers import find_compilers, first_compiler


def invented(folder: Path, name: str, answer: str) -> Path:
    """A program that says a version and nothing else."""
    program = folder / name
    program.write_text(f"#!{sys.executable}\nprint({answer!r})\n")
    program.chmod(program.stat().st_mode | stat.S_IXUSR)
    return program


@pytest.fixture
def bare(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """A machine with nothing on its PATH but an empty folder."""
    monkeypatch.delenv("CC", raising=False)
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setattr(compilers, "find_spec", lambda name: None)
    return tmp_path


def test_without_a_compiler_the_message_says_how_to_get_one(bare: Path) -> None:
    assert find_compilers() == ()
    with pytest.raises(ProofError, match=r"no C compiler was found .* python -m pip install ziglang"):
        first_compiler()


@pytest.mark.skipif(sys.platform == "win32", reason="the invented programs are scripts")
def test_the_path_is_searched_in_order_and_each_compiler_listed_once(bare: Path) -> None:
    for name in ("cc", "gcc"):
        invented(bare, name, f"{name} (Somewhere 9.9) 9.9\nFree Software Foundation")
    invented(bare, "clang", "clang version 99.0 (https://host/path 00ff)\nInstalledDir: /usr/bin")
    found = find_compilers()
    assert [compiler.command for compiler in found] == [("cc",), ("clang",)]
    assert [compiler.name for compiler in found] == ["gcc", "clang"]
    assert [compiler.version for compiler in found] == ["(Somewhere 9.9) 9.9", "version 99.0"]


@pytest.mark.skipif(sys.platform == "win32", reason="the invented programs are scripts")
def test_the_compiler_asked_for_comes_first(bare: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    invented(bare, "cc", "cc 1.0\nFree Software Foundation")
    mine = invented(bare, "mine", "mine 2.0")
    monkeypatch.setenv("CC", f"{mine} -m64")
    assert first_compiler().command == (str(mine), "-m64")
    assert (first_compiler().name, first_compiler().version) == ("mine", "mine 2.0")


def test_a_compiler_asked_for_that_is_none_is_refused(bare: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CC", "no-such-compiler")
    with pytest.raises(ProofError, match='CC is "no-such-compiler", which cannot be run as a C compiler'):
        find_compilers()


def test_no_version_line_of_this_machine_holds_a_path() -> None:
    for compiler in find_compilers():
        assert compiler.version
        assert "/" not in compiler.version
        assert "\\" not in compiler.version
