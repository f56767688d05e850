"""Command lines that a page or a screen prints: filled in, quoted for a shell, and run as they stand."""

from __future__ import annotations

import math
import shlex
from dataclasses import dataclass
from pathlib import Path

from tcomp.estimation.curve import Curve
from tcomp.units import SECONDS_PER_HOUR, degc_text, utc

NO_CLOCK_S = 1_772_438_400.0
"""Stands for the end of runs without a clock, in an example: 2026-03-02T08:00Z."""


@dataclass(frozen=True)
class Commands:
    """Commands on a job and its folder of results, where the two are named like this."""

    job: str
    folder: str

    @classmethod
    def usual(cls, job: Path) -> Commands:
        """As typed in the job's folder, with the results where a build puts them: a page holds no path of its machine."""
        return cls(job.name, f"{job.stem}.out")

    def build(self) -> str:
        """All that follows from the job's logs."""
        return shlex.join(["tcomp", "build", self.job, *self._into()])

    def prove(self) -> str:
        """The C, on this machine."""
        return shlex.join(["tcomp", "prove", self.job, *self._into()])

    def prove_everywhere(self) -> str:
        """The C, on emulated processors too."""
        return shlex.join(["tcomp", "prove", self.job, *self._into(), "--target", "all"])

    def plan_after(self) -> str:
        """The soaks that would lower the curve's uncertainty most."""
        return shlex.join(["tcomp", "plan", self.job, "--after", self.folder])

    def check(self, log: str = "verification.csv") -> tuple[str, str]:
        """A job for a verification run, and the table held against it."""
        job = str(Path(log).with_suffix(".toml"))
        return (
            shlex.join(["tcomp", "start", log, "--into", job]),
            shlex.join(["tcomp", "check", str(Path(self.folder) / "table.json"), job]),
        )

    def retrim(self, curve: Curve) -> str:
        """A trim by one trusted point; the point is what the curve predicts an hour after its base was as stated."""
        clock_s = curve.base_clock_s
        base_s = NO_CLOCK_S if clock_s is None else math.ceil(clock_s / SECONDS_PER_HOUR) * SECONDS_PER_HOUR
        since = [] if clock_s is not None or curve.trimmed else ["--since", _minute(base_s)]
        at = f"{degc_text(curve.reference_c)} degC, {curve.base_ppb:.0f} ppb, 5 ppb"
        when = ["--time", _minute(base_s + SECONDS_PER_HOUR)]
        return shlex.join(["tcomp", "retrim", self.folder, "--at", at, *when, *since, *self._named_job()])

    def _into(self) -> list[str]:
        return [] if self.folder == f"{Path(self.job).stem}.out" else ["--into", self.folder]

    def _named_job(self) -> list[str]:
        """Where `tcomp retrim` does not find the job: it looks for NAME.toml beside NAME.out."""
        beside = Path(self.folder).suffix == ".out" and Path(self.folder).with_suffix(".toml") == Path(self.job)
        return [] if beside else ["--job", self.job]


def _minute(time_s: float) -> str:
    """
    >>> _minute(NO_CLOCK_S)
    '2026-03-02T08:00Z'
    """
    return f"{utc(time_s)[:16]}Z"
