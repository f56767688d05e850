"""Blocks held out of real logs and of invented compensated oscillators: static, lag, response; by hand and by tcomp.

PYTHONPATH=. python benchmarks/real.py [air] [parts]

The air-bath log (sample_runs/air_bath, MIT) has two channels, vbl5 and vbl6, which are no oscillators; the readings of blocks of
3 h are held out in turn, their temperatures are not.  The eight parts are invented (tests/compensated.py); of each leg blocks of
12 degC are held out, every fifth at once.
"""

from __future__ import annotations

import gzip
import sys
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))
from compensated import part, simulate_part
from independent import Log, lagged_unevenly
from recovery import learn_logs

from tcomp.errors import CurveError
from tcomp.estimation.estimate import Settings
from tcomp.upkeep.calibration import Calibration
from tcomp.upkeep.corrector import Corrector

Floats = NDArray[np.float64]

AIR_BATH = Path(__file__).parent.parent / "sample_runs" / "air_bath" / "air_bath_1v.dsv.gz"
BLOCK_S = 3 * 3600.0
DEGREE = 5
GROSS_PPB = 2000.0
"""Twelve times the noise of a reading: one row at the log's start is off by 6000 ppb."""
LAGS_S = (0.0, *np.geomspace(60.0, 40000.0, 14))
"""Time constants that are tried, for the lag and for the response."""


@dataclass(frozen=True)
class RealLog:
    """Times, sensor's temperatures, offsets; and the block that each row is held out with; shape (n,)."""

    time_s: Floats
    sensor_c: Floats
    offset_ppb: Floats
    block: NDArray[np.int64]


def air_bath(channel: str, sensor: str = "dut_temp") -> RealLog:
    """One channel against the mean of three reference meters; rows with fill values left out."""
    with gzip.open(AIR_BATH, "rt", encoding="utf-8") as file:
        names, *rows = [line.rstrip("\n").split(";") for line in file]
    place = {name: number for number, name in enumerate(names)}
    rows = [row for row in rows if len(row) >= len(names) - 1]
    time_s = np.array(
        [datetime.strptime(row[place["date"]], "%d/%m/%Y-%H:%M:%S").replace(tzinfo=UTC).timestamp() for row in rows]
    )
    column = {name: np.array([float(row[place[name]]) for row in rows]) for name in (sensor, channel)}
    trusted = np.mean([[float(row[place[name]]) for row in rows] for name in ("vbl1", "vbl2", "vbl3")], axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        offset_ppb = (column[channel] / trusted - 1) * 1e9
    good = np.abs(offset_ppb) < 1e5
    good &= np.concatenate([[True], np.diff(time_s) > 0])
    time_s = time_s[good] - time_s[good][0]
    return RealLog(time_s, column[sensor][good], offset_ppb[good], (time_s // BLOCK_S).astype(np.int64))


def held_out(log: RealLog, lags_s: tuple[float, ...], response: int | None) -> Floats:
    """Error of each row by least squares, with time constants chosen anew without its block. [ppb]

    ``response`` is the degree of its polynomial; None: there is none.
    """
    low_c, high_c = log.sensor_c.min(), log.sensor_c.max()

    def columns(lag_s: float, tau_s: float) -> Floats:
        crystal_c = lagged_unevenly(log.time_s, log.sensor_c, lag_s)
        scaled = np.clip((2 * crystal_c - low_c - high_c) / (high_c - low_c), -1, 1)
        curve = np.polynomial.chebyshev.chebvander(scaled, DEGREE)
        if response is None:
            return curve
        apart_c = log.sensor_c - lagged_unevenly(log.time_s, log.sensor_c, tau_s)
        return np.column_stack([curve, np.polynomial.chebyshev.chebvander(scaled, response) * apart_c[:, None]])

    taus_s = (0.0,) if response is None else tuple(tau_s for tau_s in LAGS_S if tau_s > 0)
    designs = [columns(lag_s, tau_s) for lag_s in lags_s for tau_s in taus_s]
    error_ppb = np.zeros(log.time_s.size)
    for block in np.unique(log.block):
        out = log.block == block
        tried = []
        for design in designs:
            coef, gone = solved(design[~out], log.offset_ppb[~out])
            tried.append((gone, log.offset_ppb[out] - design[out] @ coef))
        error_ppb[out] = min(tried, key=lambda one: one[0])[1]
    return error_ppb


def solved(design: Floats, offset_ppb: Floats) -> tuple[Floats, float]:
    """Coefficients by least squares, and the sum of squares that is left."""
    gram = design.T @ design
    coef = np.linalg.lstsq(gram, design.T @ offset_ppb, rcond=1e-12)[0]
    left = offset_ppb - design @ coef
    return coef, float(left @ left)


def by_tcomp(log: RealLog, **effects: str) -> float:
    """RMS error of the rows by what `tcomp fit` learns without their block and `tcomp apply` makes of them. [ppb]"""
    return rms(by_tcomp_ppb(log, log.offset_ppb, **effects))


def by_tcomp_ppb(log: RealLog, truth_ppb: Floats, **effects: str) -> Floats:
    """Error of each row against a truth, by a fit without the readings of its block, of which the temperature is
    known; NaN where that is refused. [ppb]"""
    error_ppb = np.full(log.time_s.size, np.nan)
    for block in np.unique(log.block):
        out = log.block == block
        part = Log(
            time_s=log.time_s, sensor_c=log.sensor_c, offset_ppb=np.where(out, np.nan, log.offset_ppb),
            crystal_c=log.sensor_c, true_ppb=log.offset_ppb,
        )  # fmt: skip
        try:
            curve = learn_logs(part, settings=Settings(effects=effects, max_dropped=1.0)).curve
        except CurveError as refused:
            print(f"block {block}: refused: {str(refused)[:120]}", file=sys.stderr)
            continue
        error_ppb[out] = (
            truth_ppb[out] - Corrector(Calibration(curve, None)).offsets(log.time_s, log.sensor_c).offset_ppb[out]
        )
    return error_ppb


def of_curve(log: RealLog, error_ppb: Floats) -> tuple[float, float, float]:
    """Of rows held out the error of the curve, the noise of a single reading, and both, RMS. [ppb]

    The curve's error is what neighbours of one block have in common, by the product of each two: noise has nothing in common.
    Rows further than ``GROSS_PPB`` from the median of their block are gross errors of the meter.
    """
    together = count = both = 0.0
    for block in np.unique(log.block):
        own = error_ppb[log.block == block]
        own = own[np.abs(own - np.median(own)) < GROSS_PPB]
        together += own.size * float(np.mean(own[1:] * own[:-1]))
        both += float(own @ own)
        count += own.size
    curve_ms, both_ms = together / count, both / count
    return float(np.sqrt(max(curve_ms, 0.0))), float(np.sqrt(both_ms - curve_ms)), float(np.sqrt(both_ms))


def rms(values: Floats) -> float:
    """Root of the mean square; NaN where one is unknown."""
    return float(np.sqrt(np.mean(values**2)))


def compensated(seed: int) -> RealLog:
    """An invented part: 20 ppb of retrace from leg to leg, noise of 3 ppb, of the sensor 0.02 degC."""
    log = simulate_part(seed, part(seed), retrace_ppb=10.0, sensor_noise_c=0.02)
    leg = np.searchsorted([55 / 0.4 * 60 + 450, (55 + 115) / 0.4 * 60 + 750], log.time_s)
    number = (log.sensor_c + 40) // 12 + 12 * leg
    return RealLog(log.time_s, log.sensor_c, log.offset_ppb, np.unique(number, return_inverse=True)[1] % 5)


MODES: dict[str, dict[str, str]] = {
    "no effect": {"lag": "none", "response": "none", "ageing": "none", "hysteresis": "none"},
    "without a response": {"response": "none"},
    "all effects": {},
}


def main(asked: list[str]) -> None:
    """Print both tables."""
    if not asked or "air" in asked:
        print(
            "| air bath, held out 3 h: curve / noise / both, ppb "
            "| static | lag | constant g | linear g | quadratic g | tcomp without a response | tcomp |"
        )
        print("|---|---|---|---|---|---|---|---|")
        for channel in ("vbl5", "vbl6"):
            log = air_bath(channel)
            errors = [
                held_out(log, (0.0,), None),
                held_out(log, LAGS_S, None),
                *(held_out(log, (0.0, 60.0), d) for d in (0, 1, 2)),
                by_tcomp_ppb(log, log.offset_ppb, response="none"),
                by_tcomp_ppb(log, log.offset_ppb),
            ]
            cells = (" / ".join(f"{one:.0f}" for one in of_curve(log, error)) for error in errors)
            print(f"| {channel} | " + " | ".join(cells) + " |", flush=True)
    if not asked or "parts" in asked:
        print("| eight invented parts, held out 12 degC | median | worst | each |\n|---|---|---|---|")
        for name, effects in MODES.items():
            each = [by_tcomp(compensated(seed), **effects) for seed in range(1, 9)]
            print(
                f"| {name} | {np.median(each):.1f} | {np.max(each):.1f} | {' '.join(f'{one:.1f}' for one in each)} |",
                flush=True,
            )


if __name__ == "__main__":
    main(sys.argv[1:])
