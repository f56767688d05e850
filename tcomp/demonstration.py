"""The whole way on a simulated oscillator, whose truth is known."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from tcomp.documents.summary import AgainstTruth
from tcomp.files import write_text
from tcomp.job import read_job
from tcomp.progress import ProgressCallback, no_progress
from tcomp.simulation import true_offset_ppb, write_sample
from tcomp.units import PPT_PER_PPB
from tcomp.workflow import BuildResult, Notify, build

if TYPE_CHECKING:
    from tcomp.bench.live import View

Floats = NDArray[np.float64]
LIVE_SPEED = 1800.0
"""Of the bench that is logged live: its thirteen hours take half a minute."""


def demo(
    sample: str, into: Path, notify: Notify, progress: ProgressCallback = no_progress
) -> tuple[BuildResult, AgainstTruth]:
    """Simulate a sample, build it, and compare curve and exported integers with the truth. [ppb]"""
    notify(f"simulating {sample}: invented data, with a truth to compare with")
    job = read_job(write_sample(sample, into)[0])
    built = build(job, into / f"{job.path.stem}.out", notify=notify, progress=progress)
    return built, _against_truth(built, lambda temperature_c: true_offset_ppb(into / "truth.json", temperature_c))


def demo_live(
    into: Path,
    views: tuple[View, ...],
    notify: Notify,
    progress: ProgressCallback = no_progress,
    speed: float = LIVE_SPEED,
) -> tuple[BuildResult, AgainstTruth]:
    """Log the bench that `tcomp log --example` describes, show it in the views, build it, and compare it with the truth. [ppb]"""
    from tcomp.bench.session import Session, SessionOptions
    from tcomp.bench.simulated import scenario_of

    text = (resources.files("tcomp.bench") / "samples" / "simulated.toml").read_text(encoding="utf-8")
    job = read_job(write_text(into / "gauge07.toml", text))
    job = replace(job, log=replace(job.log, speed=speed))
    session = Session(job, SessionOptions(), views)
    session.layout.path.unlink(missing_ok=True)
    notify("logging a simulated bench: invented data, with a truth to compare with")
    session.run()
    built = build(job, into / f"{job.path.stem}.out", notify=notify, progress=progress)
    crystal, age_s = scenario_of(job).crystal, session.now_s - scenario_of(job).runs[0].start_s
    return built, _against_truth(built, lambda c: crystal.offset_ppb(c, np.full(c.shape, age_s), 0))


def _against_truth(built: BuildResult, true_ppb: Callable[[Floats], Floats]) -> AgainstTruth:
    table = built.folder.read_table()
    temperature_c = table.temperature_of(table.codes)
    truth_ppb = true_ppb(temperature_c)
    curve_error = built.folder.read_curve().offset_ppb(temperature_c) - truth_ppb
    firmware_error = table.offset_ppt(table.codes) / PPT_PER_PPB - truth_ppb
    return AgainstTruth(
        curve_worst_ppb=float(np.abs(curve_error).max()),
        firmware_worst_ppb=float(np.abs(firmware_error).max()),
        firmware_rms_ppb=float(np.sqrt(np.mean(firmware_error**2))),
    )
