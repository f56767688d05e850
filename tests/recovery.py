"""Recover a simulated case with tcomp's own chain, and with least squares that is told the truth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from independent import Log

from tcomp.estimation.candidates import candidates
from tcomp.estimation.estimate import Settings
from tcomp.estimation.fit_result import FitResult
from tcomp.estimation.learn import learn_curve
from tcomp.estimation.samples import conditions_of, samples_of
from tcomp.logs import RawRun, clean_run, cut_legs, frame_of
from tcomp.logs.prepared import PreparedRun
from tcomp.simulation import Scenario, SimulatedRun, simulate
from tcomp.simulation.cases import true_shape_ppb
from tcomp.units import offset_ppb_of_frequency

GRID = np.linspace(0.0, 1.0, 400)


@dataclass(frozen=True)
class Recovered:
    """What was learnt, its error against the truth, and that of least squares given the true crystal temperature."""

    fit_result: FitResult
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
    fit_result = learn_curve(
        samples_of(runs),
        candidates(models, cut_of(scenario)),
        settings=settings or Settings(),
        conditions=conditions_of(runs),
        range_c=range_c,
        reference_c=25.0,
        reference_u_ppb=0.0,
        cut=cut_of(scenario),
    )
    curve = fit_result.curve
    temperature_c = curve.low_c + (curve.high_c - curve.low_c) * GRID
    truth_ppb = true_shape_ppb(scenario, temperature_c)
    error = curve.offset_ppb(temperature_c) - truth_ppb
    error -= error.mean()
    oracle = oracle_ppb(scenario, simulated, temperature_c) - truth_ppb
    oracle -= oracle.mean()
    return Recovered(
        fit_result, float(np.abs(error).max()), float(np.sqrt(np.mean(error**2))), float(np.sqrt(np.mean(oracle**2))),
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


def learn_logs(
    *logs: Log,
    settings: Settings | None = None,
    starts_s: tuple[float, ...] | None = None,
    cut: str = "AT",
    reference_u_ppb: float = 0.0,
) -> FitResult:
    """Learn from logs of the independent simulator, each a run; without starts their times are seconds since a start."""
    ready = []
    for number, log in enumerate(logs):
        start_s, kind = (0.0, "elapsed") if starts_s is None else (starts_s[number], "clock")
        raw = RawRun(f"log {number + 1}", frame_of(start_s + log.time_s, log.sensor_c, log.offset_ppb), kind, ())
        clean = clean_run(raw)
        ready.append(PreparedRun(clean, cut_legs(clean)))
    return learn_curve(
        samples_of(tuple(ready)), candidates("auto", cut), settings=settings or Settings(),
        conditions=conditions_of(tuple(ready)), range_c=None, reference_c=25.0, reference_u_ppb=reference_u_ppb, cut=cut,
    )  # fmt: skip
