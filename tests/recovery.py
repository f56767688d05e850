"""Recover a simulated case with tcomp's own chain, and with least squares that is told the truth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tcomp.curve.estimate import Settings
from tcomp.curve.learn import Learnt, learn_curve
from tcomp.curve.samples import samples_of
from tcomp.model.candidates import candidates
from tcomp.run import RawRun, clean_run, cut_legs, frame_of
from tcomp.run.prepared import PreparedRun
from tcomp.simulation import Scenario, SimulatedRun, simulate
from tcomp.simulation.cases import true_shape_ppb
from tcomp.units import offset_ppb_of_frequency

GRID = np.linspace(0.0, 1.0, 400)


@dataclass(frozen=True)
class Recovered:
    """What was learnt, its error against the truth, and that of least squares given the true crystal temperature."""

    learnt: Learnt
    worst_ppb: float
    rms_ppb: float
    oracle_rms_ppb: float
    z: np.ndarray
    """Error over standard uncertainty along the range, base included or not as ``free_of_base`` said."""


def prepared(scenario: Scenario, runs: list[SimulatedRun]) -> tuple[PreparedRun, ...]:
    ready = []
    for run in runs:
        offset_ppb = offset_ppb_of_frequency(run.log["reading_hz"].to_numpy(), scenario.counter.input_hz)
        raw = RawRun(run.file, frame_of(run.log["time_s"], run.log["temperature_c"], offset_ppb), "clock", ())
        clean = clean_run(raw)
        ready.append(PreparedRun(clean, cut_legs(clean)))
    return tuple(ready)


def cut_of(scenario: Scenario) -> str:
    return "tuning-fork" if "Fork" in type(scenario.crystal.cut).__name__ else "AT"


def recover(
    scenario: Scenario,
    settings: Settings | None = None,
    models: str | tuple[str, ...] = "auto",
    range_c: tuple[float, float] | None = None,
) -> Recovered:
    simulated = simulate(scenario)
    runs = prepared(scenario, simulated)
    legs = [leg for run in runs for leg in run.legs]
    learnt = learn_curve(
        samples_of(runs),
        candidates(models, cut_of(scenario)),
        settings=settings or Settings(),
        rates_c_per_min=[leg.rate_c_per_min for leg in legs if leg.kind in ("heating", "cooling")],
        soaked=any(leg.kind == "soak" for leg in legs),
        range_c=range_c,
        reference_c=25.0,
        reference_u_ppb=0.0,
        cut=cut_of(scenario),
    )
    curve = learnt.curve
    temperature_c = curve.low_c + (curve.high_c - curve.low_c) * GRID
    truth_ppb = true_shape_ppb(scenario, temperature_c)
    error = curve.offset_ppb(temperature_c) - truth_ppb
    error -= error.mean()
    oracle = oracle_ppb(scenario, simulated, temperature_c) - truth_ppb
    oracle -= oracle.mean()
    return Recovered(
        learnt, float(np.abs(error).max()), float(np.sqrt(np.mean(error**2))), float(np.sqrt(np.mean(oracle**2))),
        error / curve.uncertainty_ppb(temperature_c),
    )  # fmt: skip


def oracle_ppb(scenario: Scenario, simulated: list[SimulatedRun], temperature_c: np.ndarray) -> np.ndarray:
    """Least squares that is told the crystal temperature, ageing, jump and loop; it only has the curve to find."""
    degree = 2 if cut_of(scenario) == "tuning-fork" else 3
    x, y, run = [], [], []
    for number, one in enumerate(simulated):
        truth = one.truth
        middle_s = truth["time_s"].to_numpy() - scenario.counter.gate_s / 2
        crystal_c = np.interp(middle_s, truth["time_s"], truth["crystal_c"])
        noise = (
            offset_ppb_of_frequency(one.log["reading_hz"].to_numpy(), scenario.counter.input_hz) - truth["offset_ppb"]
        )
        good = ~(truth["glitched"] | truth["missing"] | truth["stuck"] | truth["misstamped"]).to_numpy()
        good &= np.isfinite(noise) & np.isfinite(one.log["temperature_c"])
        x.append(crystal_c[good])
        y.append((true_shape_ppb(scenario, crystal_c) + noise)[good])
        run.append(np.full(good.sum(), number))
    x, y, run = (np.concatenate(part) for part in (x, y, run))
    bases = (run[:, None] == np.arange(run.max())).astype(float)
    scale = lambda t: (t - 20.0) / 40.0  # noqa: E731
    design = np.column_stack([bases, np.vander(scale(x), degree + 1)])
    coef = np.linalg.lstsq(design, y, rcond=None)[0][bases.shape[1] :]
    return np.polyval(coef, scale(temperature_c))
