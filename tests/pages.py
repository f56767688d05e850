"""The pages of docs/ and the README, carried out: their command lines are run in order, and what they print is compared.

Fenced blocks of a page, in order:

- ``sh``: each line is run in a folder with copies of ``sample_runs/``, ``firmware_export/`` and ``benchmarks/``, and ends with
  exit code 0.  What sets a machine up (``pip``, ``apt-get``, an environment) is left out.
- ``text``, straight behind a ``sh`` block: what that block prints, remarks on stderr and all; ``[...]`` stands for anything,
  alone on a line for any lines.
- ``python`` and ``{doctest}``: the examples behind ``>>>``, in the same folder.

A comment above a block says what differs: ``<!-- file: NAME -->``, the block is put into that file; ``<!-- exit code: 1 -->``;
``<!-- needs: make cc -->``, programs without which the block is left out (with CI=true they must be there);
``<!-- not run: REASON -->``; ``<!-- prints -->``, a block of another kind is compared as ``text`` is; ``<!-- not printed -->``.

``python tests/pages.py [PAGE.md ...]`` writes anew what the blocks print; where ``[...]`` stands, as many lines stay before,
between and behind.
"""

from __future__ import annotations

import doctest
import os
import re
import shlex
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import TextIO
from unittest.mock import patch

from click.testing import CliRunner
from markdown_it import MarkdownIt

from tcomp.cli import main

ROOT = Path(__file__).parent.parent
PAGES = [ROOT / "README.md", *sorted(path for path in (ROOT / "docs").rglob("*.md") if "build" not in path.parts)]
FOLDERS = ("sample_runs", "firmware_export", "benchmarks")
SET_UP = ("pip", "apt-get", "python3", ".venv/bin/python")
"""Words that set a machine up: not for a test to run."""
ALLOWED = (
    "tcomp",
    "python",
    "make",
    "cat",
    "head",
    "tail",
    "cut",
    "grep",
    "sed",
    "cp",
    "ls",
    "diff",
    "firmware_export/build/gauge07_host",
)
ELLIPSIS = "[...]"
COMPILER = re.compile(r"\((?:gcc|cc|clang|zig cc|avr-gcc)\b[^)]*\)")
"""Which one proves depends on the machine; any stands for any."""
SPOKEN = re.compile(r"<!-- (file|exit code|needs|not run|prints|not printed):? ?(.*?) -->\s*")
IN_DOCTESTS = doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE


@dataclass(frozen=True)
class Block:
    """A fenced block: its language, its text, the line of the page at which it opens, and what the comment above it says."""

    kind: str
    text: str
    line: int
    said: dict[str, str]


def blocks_of(page: str) -> list[Block]:
    """The fenced blocks of a page in order."""
    found: list[Block] = []
    said: dict[str, str] = {}
    for token in MarkdownIt("commonmark").parse(page):
        if token.type == "html_block":
            said |= dict(SPOKEN.findall(token.content))
        elif token.type == "fence":
            kind = (token.info.split() or [""])[0]
            found.append(Block(kind, token.content, (token.map or [0])[0] + 1, said))
            said = {}
        elif token.type.endswith("_open"):
            said = {}
    return found


@dataclass(frozen=True)
class BuildResult:
    """What a build left behind: a copy of the folder, the exit code, and what it printed."""

    copy: Path
    code: int
    output: str


@dataclass
class Walk:
    """A page that is carried out in a folder of its own; what does not hold is noted, line by line.

    ``kept`` has the builds that other pages come to by the very same lines.
    """

    folder: Path
    kept: dict[tuple[str, ...], BuildResult]
    faults: list[str] = field(default_factory=list)
    lacking: set[str] = field(default_factory=set)
    printed: dict[int, str] = field(default_factory=dict)
    """What the page's blocks should show, by the line at which they open."""
    names: dict[str, object] = field(default_factory=dict)
    done: tuple[str, ...] = ()
    """Commands and files so far."""

    def page(self, text: str) -> Walk:
        """Carry out a page."""
        output: str | None = None  # of the block before, if it was run
        for block in blocks_of(text):
            lacking = {name for name in block.said.get("needs", "").split() if shutil.which(name) is None}
            self.lacking |= lacking
            if "file" in block.said:
                (self.folder / block.said["file"]).write_text(block.text, encoding="utf-8")
                self.done += (block.said["file"], block.text)
            elif block.kind == "sh" and "not run" not in block.said and not lacking:
                output = "".join(self.line(line, block) for line in lines_of(block.text))
                continue
            elif output is not None and shows_output(block):
                self.printed[block.line] = output
                if not fits(block.text, output):
                    self.faults.append(f"line {block.line}: the page shows\n{block.text}but there is printed\n{output}")
            elif block.kind in {"python", "{doctest}"} and "not run" not in block.said:
                self.examples(block)
            output = None
        return self

    def line(self, line: str, block: Block) -> str:
        """Run a line of commands; give what it prints."""
        output = ""
        *others, last = [command.strip() for command in line.split("&&")]
        for command in [*others, last]:
            code, text = self.command(command)
            wanted = int(block.said.get("exit code", 0)) if command is last else 0
            if code != wanted:
                self.faults.append(f"line {block.line}: exit code {code}, not {wanted}, of: {command}\n{text}")
            output += text
        return output

    def command(self, command: str) -> tuple[int, str]:
        """Run one command: ours in this process, which is quick, all else by the shell."""
        words = [word.removeprefix(".venv/bin/tcomp") or "tcomp" for word in shlex.split(command, comments=True)]
        if words[0] in SET_UP:
            return 0, ""
        if words[0] not in ALLOWED:
            return 127, f"{words[0]}: not among the commands that a page may run\n"
        self.done += (shlex.join(words),)
        if words[0] != "tcomp" or "|" in words:
            return self._shell(command)
        return self._build_once(words) if words[1] == "build" else self._tcomp(words)

    def _build_once(self, words: list[str]) -> tuple[int, str]:
        built = self.kept.get(self.done)
        if built is None:
            code, output = self._tcomp(words)
            built = self.kept[self.done] = BuildResult(
                Path(tempfile.mkdtemp(dir=self.folder.parent)) / "kept", code, output
            )
            shutil.copytree(self.folder, built.copy)
        else:
            shutil.copytree(built.copy, self.folder, dirs_exist_ok=True)
        return built.code, built.output

    def _tcomp(self, words: list[str]) -> tuple[int, str]:
        arguments, target = words[1:], None
        if ">" in arguments:
            arguments, target = words[1 : words.index(">")], self.folder / words[words.index(">") + 1]
        with ExitStack() as patched:
            # As on a terminal of so many columns; in a pipe no line is broken.
            for module in [module for name, module in sys.modules.items() if name.startswith("tcomp.cli.")]:
                if hasattr(module, "width_of"):
                    patched.enter_context(patch.object(module, "width_of", _columns))
            result = CliRunner().invoke(main, arguments, prog_name="tcomp", catch_exceptions=False)
        if target is None:
            return result.exit_code, result.output
        target.write_text(result.stdout, encoding="utf-8")
        return result.exit_code, result.stderr

    def _shell(self, command: str) -> tuple[int, str]:
        python = shlex.quote(sys.executable)
        ours = shlex.quote('from tcomp.cli import main; main(prog_name="tcomp")')
        functions = f'tcomp() {{ {python} -c {ours} "$@"; }}\npython() {{ {python} "$@"; }}\n'
        done = subprocess.run(
            ["bash", "-o", "pipefail", "-c", functions + command], cwd=self.folder, text=True, check=False,
            env=os.environ | {"PYTHONPATH": str(ROOT)}, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
        )  # fmt: skip
        return done.returncode, done.stdout

    def examples(self, block: Block) -> None:
        """Run the Python examples of a block, with the names of the blocks before."""
        test = doctest.DocTestParser().get_doctest(block.text, self.names, "page", "page", block.line)
        if not test.examples:
            self.faults.append(f"line {block.line}: there is no >>> in this Python; no test runs it")
        said: list[str] = []
        doctest.DocTestRunner(verbose=False, optionflags=IN_DOCTESTS).run(test, out=said.append, clear_globs=False)
        self.names |= test.globs
        self.faults += [f"line {block.line}: {text}" for text in said]


def _columns(_: TextIO) -> int:
    """How wide the terminal of a page is."""
    return 88


def shows_output(block: Block) -> bool:
    """Whether a block behind commands shows what they print."""
    return "prints" in block.said or (block.kind == "text" and "not printed" not in block.said)


def lines_of(text: str) -> Iterator[str]:
    """The commands of a ``sh`` block; a line that ends in a backslash goes on."""
    for line in text.replace("\\\n", " ").splitlines():
        if line.strip() and not line.lstrip().startswith("#"):
            yield line


def fits(shown: str, printed: str) -> bool:
    """Whether a page shows what is printed, but for blanks at the ends of lines, for the compiler, and for ``[...]``."""
    page, screen = (_bare_lines(COMPILER.sub("(cc)", text)) for text in (shown, printed))
    pattern = "".join("(?:.*\n)*?" if line == ELLIPSIS else _line_pattern(line) for line in page)
    return re.fullmatch(pattern, "".join(f"{line}\n" for line in screen)) is not None


def _line_pattern(line: str) -> str:
    return ".*?".join(map(re.escape, line.split(ELLIPSIS))) + "\n"


def _bare_lines(text: str) -> list[str]:
    return [line.rstrip() for line in text.strip("\n").splitlines()]


def folder_for_a_page(folder: Path) -> Path:
    """A folder as a page finds it."""
    for name in FOLDERS:
        shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("build", "__pycache__"))
    return folder


# --- written anew ----------------------------------------------------------------------------------------------------


def written_anew(page: Path, kept: dict[tuple[str, ...], BuildResult], place: Path) -> str:
    """A page with what its blocks print as it is printed today; on stderr, what else does not hold."""
    text = page.read_text(encoding="utf-8")
    folder = folder_for_a_page(Path(tempfile.mkdtemp(dir=place)) / "page")
    os.chdir(folder)
    walk = Walk(folder, kept).page(text)
    lines = text.splitlines()
    for block in reversed(blocks_of(text)):
        if block.line in walk.printed and not fits(block.text, walk.printed[block.line]):
            shown = lines[block.line : block.line + block.text.count("\n")]
            lines[block.line : block.line + len(shown)] = shortened(shown, _bare_lines(walk.printed[block.line]))
    print(*(fault for fault in walk.faults if "the page shows" not in fault), sep="\n", end="", file=sys.stderr)
    return "\n".join(lines) + "\n"


def shortened(shown: list[str], printed: list[str]) -> list[str]:
    """What is printed, with as many lines before, between and behind each ``[...]`` as were shown.

    >>> shortened(["a 1", "[...]", "c 1", "[...]", "e 1"], ["a 2", "b 2", "c 2", "d 2", "e 2"])
    ['a 2', '[...]', 'c 2', '[...]', 'e 2']
    """
    if ELLIPSIS not in shown:
        return printed
    at = shown.index(ELLIPSIS)
    head, rest = printed[:at], shown[at + 1 :]
    if ELLIPSIS not in rest:
        return [*head, ELLIPSIS, *printed[len(printed) - len(rest) :]]
    word = rest[0].split(" ")[0]
    found = (number for number, line in enumerate(printed) if number >= at and line.split(" ")[0] == word)
    start = next(found, len(printed))
    return [*head, ELLIPSIS, *shortened(rest, printed[start:])]


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as scratch:
        builds: dict[tuple[str, ...], BuildResult] = {}
        for path in [Path(name).resolve() for name in sys.argv[1:]] or PAGES:
            path.write_text(written_anew(path, builds, Path(scratch)), encoding="utf-8")
