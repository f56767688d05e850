"""The whole way on a simulated oscillator, whose truth is known."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from tcomp.files import write_text
from tcomp.job import read_job
from tcomp.progress import Told, untold
from tcomp.simulation import true_offset_ppb, write_sample
from tcomp.units import PPT_PER_PPB
from tcomp.workflow import Built, Say, build

if TYPE_CHECKING:
    from tcomp.bench.session import View

Floats = NDArray[np.float64]
LIVE_SPEED = 1800.0
"""Of the bench that is logged live: its thirteen hours take half a minute."""


def demo(sample: str, into: Path, say: Say, told: Told = untold) -> tuple[Built, dict[str, float]]:
    """Simulate a sample, build it, and hold curve and exported integers against the truth. [ppb]"""
    say(f"simulating {sample}: invented data, with a truth to compare with")
    job = read_job(write_sample(sample, into)[0])
    built = build(job, into / f"{job.path.stem}.out", say, told)
    return built, _against_truth(built, lambda temperature_c: true_offset_ppb(into / "truth.json", temperature_c))


def demo_live(
    into: Path, views: tuple[View, ...], say: Say, told: Told = untold, speed: float = LIVE_SPEED
) -> tuple[Built, dict[str, float]]:
    """Log the bench that `tcomp log --example` describes while somebody looks, build it, and hold it against the truth. [ppb]"""
    from tcomp.bench.session import Session, Wanted
    from tcomp.bench.simulated import scenario_of

    text = (resources.files("tcomp.bench") / "samples" / "simulated.toml").read_text(encoding="utf-8")
    job = read_job(write_text(into / "gauge07.toml", text))
    job = replace(job, log=replace(job.log, speed=speed))
    session = Session(job, Wanted(), views)
    session.layout.path.unlink(missing_ok=True)
    say("logging a simulated bench: invented data, with a truth to compare with")
    session.run()
    built = build(job, into / f"{job.path.stem}.out", say, told)
    crystal, age_s = scenario_of(job).crystal, session.now_s - scenario_of(job).runs[0].start_s
    return built, _against_truth(built, lambda c: crystal.offset_ppb(c, np.full(c.shape, age_s), 0))


def _against_truth(built: Built, true_ppb: Callable[[Floats], Floats]) -> dict[str, float]:
    table = built.folder.read_table()
    temperature_c = table.temperature_of(table.codes)
    truth_ppb = true_ppb(temperature_c)
    curve_error = built.folder.read_curve().offset_ppb(temperature_c) - truth_ppb
    firmware_error = table.offset_ppt(table.codes) / PPT_PER_PPB - truth_ppb
    return {
        "curve_worst_ppb": float(np.abs(curve_error).max()),
        "firmware_worst_ppb": float(np.abs(firmware_error).max()),
        "firmware_rms_ppb": float(np.sqrt(np.mean(firmware_error**2))),
    }
