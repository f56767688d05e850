"""One job for many units: its text, in which {unit} and {file} stand for what differs."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from tcomp.job import Job, read_job_text
from tcomp.job.place import Place


@dataclass(frozen=True)
class Template:
    """The text of a job with {unit} and {file} in it, and the path that its relative paths start from.

    Examples
    --------
    >>> text = '''[oscillator]
    ... name = "gauge {unit}"
    ... [[run]]
    ... file = "{file}"
    ... temperature = "board_c"
    ... offset = "ppb"
    ... offset_unit = "ppb"'''
    >>> job = Template(Path("job.toml"), text).job_of("07", "logs/07.csv")
    >>> job.oscillator.name, job.firmware.symbol, job.runs[0].file.as_posix()
    ('gauge 07', 'gauge_07', 'logs/07.csv')
    """

    path: Path
    text: str

    @cached_property
    def job(self) -> Job:
        """The job with its places still open."""
        return read_job_text(self.text, self.path)

    @property
    def place_of_run(self) -> str:
        """File and line of the first [[run]], for a message about it."""
        return Place(self.path, self.text).of("run")

    def filled(self, text: str, unit: str, file: str) -> str:
        """A text of the job as it is for one unit."""
        return text.replace("{unit}", unit).replace("{file}", file)

    def job_of(self, unit: str, file: str) -> Job:
        """The job of one unit: the very one that a job file with this text asks for.

        Raises
        ------
        JobError
            The text is no job.
        """
        return read_job_text(self.filled(self.text, unit, file), self.path)
