"""Files and folders on the command line: what a shell offers for them, and what is refused."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click
from click.shell_completion import CompletionItem

from tcomp.errors import TcompError


class FileOf(click.Path):
    """A file of some endings; that is what a shell offers, and folders on the way to one.  Others may be given."""

    endings: tuple[str, ...] = ()

    def __init__(self, *, dir_okay: bool = True) -> None:
        super().__init__(path_type=Path, dir_okay=dir_okay)

    def shell_complete(self, ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem]:
        """Folders by the shell's own means, which add no blank; files by their names."""
        folder, slash, begun = incomplete.rpartition("/")
        above = Path(folder or slash or ".")
        names = sorted(path.name for path in above.iterdir() if path.is_file()) if above.is_dir() else []
        fitting = (name for name in names if name.startswith(begun) and name.lower().endswith(self.endings))
        return [CompletionItem(incomplete, type="dir"), *(CompletionItem(f"{folder}{slash}{name}") for name in fitting)]


class JobFile(FileOf):
    """A job file, or a lot's."""

    endings = (".toml",)


class ResultFile(FileOf):
    """A curve.json, table.json or lot.json."""

    endings = (".json",)


class LogFile(FileOf):
    """A log of a run, or of readings."""

    endings = (".csv", ".tsv", ".txt", ".dsv", ".gz", ".parquet")


class ResultFolder(click.Path):
    """A folder for results, which may be there or not; a file is refused."""

    def __init__(self) -> None:
        super().__init__(path_type=Path, file_okay=False)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Refuse a file in one sentence."""
        if Path(value).is_file():
            raise TcompError(f"{value}: is a file; give a folder of results, such as {Path(value).stem}.out")
        return super().convert(value, param, ctx)
