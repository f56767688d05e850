"""The pages of docs/ and the README, carried out: their command lines are run in order, and what they print is compared.

Fenced blocks of a page, in order:

- ``sh``: each line is run in a folder with copies of ``sample_runs/`` and ``firmware_export/``, and ends with exit code 0.
  What sets a machine up (``pip``, ``apt-get``, an environment) is left out.
- ``text``, straight behind a ``sh`` block: what that block prints, remarks on stderr and all; ``[...]`` stands for anything.
- ``python`` and ``{doctest}``: the examples behind ``>>>``, in the same folder.

A comment above a block says what differs: ``<!-- file: NAME -->``, the block is put into that file; ``<!-- exit code: 1 -->``;
``<!-- not run: REASON -->``; ``<!-- prints -->``, a block of another kind is compared as ``text`` is; ``<!-- not printed -->``.

``python tests/pages.py PAGE.md`` writes anew what the blocks of a page print, those with ``[...]`` excepted.
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
from dataclasses import dataclass, field
from pathlib import Path

from click.testing import CliRunner
from markdown_it import MarkdownIt

from tcomp.cli import main

ROOT = Path(__file__).parent.parent
PAGES = [ROOT / "README.md", *sorted(path for path in (ROOT / "docs").rglob("*.md") if "build" not in path.parts)]
SET_UP = ("pip", "apt-get", "python3", ".venv/bin/python")
"""Words that set a machine up: not for a test to run."""
ALLOWED = (
    "tcomp",
    "make",
    "cat",
    "head",
    "tail",
    "grep",
    "sed",
    "cp",
    "ls",
    "diff",
    "firmware_export/build/gauge07_host",
)
ELLIPSIS = "[...]"
SPOKEN = re.compile(r"<!-- (file|exit code|not run|prints|not printed):? ?(.*?) -->\s*")
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


@dataclass
class Walk:
    """A page that is carried out in a folder of its own; what does not hold is noted, line by line."""

    folder: Path
    kept: dict[str, tuple[Path, int, str]]
    """Of a build that other pages begin with as well: a copy of the folder behind it, exit code, and what it printed."""
    faults: list[str] = field(default_factory=list)
    printed: dict[int, str] = field(default_factory=dict)
    """What the page's blocks should show, by the line at which they open."""
    names: dict[str, object] = field(default_factory=dict)
    begun: bool = False

    def page(self, text: str) -> Walk:
        """Carry out a page."""
        before, output = "", ""
        for block in blocks_of(text):
            if "file" in block.said:
                (self.folder / block.said["file"]).write_text(block.text, encoding="utf-8")
            elif "not run" in block.said:
                pass
            elif block.kind == "sh":
                output = "".join(self.line(line, block) for line in lines_of(block.text))
            elif "prints" in block.said or (
                block.kind == "text" and before == "sh" and "not printed" not in block.said
            ):
                self.printed[block.line] = output
                if not fits(block.text, output):
                    self.faults.append(f"line {block.line}: the page shows\n{block.text}but there is printed\n{output}")
            elif block.kind in {"python", "{doctest}"}:
                self.examples(block)
            before = block.kind
        return self

    def line(self, line: str, block: Block) -> str:
        """Run a line of commands; give what it prints."""
        output = ""
        *others, last = line.split("&&")
        for command in [*others, last]:
            code, text = self.command(command.strip())
            wanted = int(block.said.get("exit code", 0)) if command is last else 0
            if code != wanted:
                self.faults.append(f"line {block.line}: exit code {code}, not {wanted}, of: {command.strip()}\n{text}")
            output += text
        return output

    def command(self, command: str) -> tuple[int, str]:
        """Run one command: ours in this process, which is quick, all else by the shell."""
        words = shlex.split(command, comments=True)
        first = words[0].removeprefix(".venv/bin/") if words[0] == ".venv/bin/tcomp" else words[0]
        if first in SET_UP:
            return 0, ""
        if first not in ALLOWED:
            return 127, f"{first}: not among the commands that a page may run\n"
        plain = first == "tcomp" and not {"|", ";", "2>"} & set(words)
        if plain and words[1] == "build" and not self.begun:
            code, output = self._build_once(command, words)
        else:
            code, output = self._tcomp(words) if plain else self._shell(command)
        self.begun = True
        return code, output

    def _build_once(self, command: str, words: list[str]) -> tuple[int, str]:
        if command not in self.kept:
            code, output = self._tcomp(words)
            copy = Path(tempfile.mkdtemp(dir=self.folder.parent)) / "kept"
            shutil.copytree(self.folder, copy)
            self.kept[command] = copy, code, output
        copy, code, output = self.kept[command]
        shutil.copytree(copy, self.folder, dirs_exist_ok=True)
        return code, output

    def _tcomp(self, words: list[str]) -> tuple[int, str]:
        target = self.folder / words[words.index(">") + 1] if ">" in words else None
        arguments = words[1 : words.index(">")] if target is not None else words[1:]
        result = CliRunner().invoke(main, arguments, prog_name="tcomp", catch_exceptions=False)
        if target is None:
            return result.exit_code, result.output
        target.write_text(result.stdout, encoding="utf-8")
        return result.exit_code, result.stderr

    def _shell(self, command: str) -> tuple[int, str]:
        function = f'tcomp() {{ {shlex.quote(sys.executable)} -m tcomp "$@"; }}\n'
        done = subprocess.run(
            ["bash", "-o", "pipefail", "-c", function + command], cwd=self.folder, text=True, check=False,
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


def lines_of(text: str) -> Iterator[str]:
    """The commands of a ``sh`` block; a line that ends in a backslash goes on."""
    for line in text.replace("\\\n", " ").splitlines():
        if line.strip() and not line.lstrip().startswith("#"):
            yield line


def fits(shown: str, printed: str) -> bool:
    """Whether a page shows what is printed, but for blanks at the ends of lines, and for ``[...]``."""
    parts = [re.escape(part) for part in _bare(shown).split(ELLIPSIS)]
    return re.fullmatch(".*?".join(parts), _bare(printed), re.DOTALL) is not None


def _bare(text: str) -> str:
    return "\n".join(line.rstrip() for line in text.strip("\n").splitlines())


def folder_for_a_page(folder: Path) -> Path:
    """A folder as a page finds it."""
    for name in ("sample_runs", "firmware_export"):
        shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("build"))
    return folder


def written_anew(page: Path) -> str:
    """A page with what its blocks print, as it is printed today."""
    text = page.read_text(encoding="utf-8")
    with tempfile.TemporaryDirectory() as place:
        folder = folder_for_a_page(Path(place) / "page")
        os.chdir(folder)
        walk = Walk(folder, {}).page(text)
        os.chdir(ROOT)
    lines = text.splitlines(keepends=True)
    for block in reversed(blocks_of(text)):
        if block.line in walk.printed and ELLIPSIS not in block.text:
            lines[block.line : block.line + block.text.count("\n")] = [_bare(walk.printed[block.line]) + "\n"]
    print("\n".join(fault for fault in walk.faults if "the page shows" not in fault))
    return "".join(lines)


if __name__ == "__main__":
    for name in sys.argv[1:]:
        path = Path(name).resolve()
        path.write_text(written_anew(path), encoding="utf-8")
