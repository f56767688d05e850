"""Results as pandas frames, for people and for the files that keep them."""

from __future__ import annotations

from dataclasses import asdict
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from tcomp.estimation.curve import Curve
from tcomp.estimation.uncertainty import effective_samples
from tcomp.tables import CorrectionTable
from tcomp.units import PPT_PER_PPB

if TYPE_CHECKING:
    import pandas as pd

    from tcomp.estimation.few_points import Placed
    from tcomp.estimation.fit_result import FitResult
    from tcomp.estimation.samples import Samples
    from tcomp.logs.prepared import PreparedRun

HIDDEN = ("segment", "leg", "step_ppb", "shown_ppb")
"""Of the samples, what no column of a file shows."""
GRID = 201
"""Temperatures from end to end of a curve, where none are asked for."""


def curve_frame(curve: Curve, temperature_c: ArrayLike | None = None) -> pd.DataFrame:
    """A curve at temperatures, or at 201 from end to end: ``offset_ppb``, ``u_ppb`` (its standard uncertainty) and
    ``sample_u_ppb`` (that of one more sample).
    """
    import pandas as pd

    asked = np.linspace(curve.low_c, curve.high_c, GRID) if temperature_c is None else temperature_c
    at_c = np.atleast_1d(np.asarray(asked, dtype=np.float64))
    return pd.DataFrame(
        {
            "temperature_c": at_c,
            "offset_ppb": curve.offset_ppb(at_c),
            "u_ppb": curve.uncertainty_ppb(at_c),
            "sample_u_ppb": curve.uncertainty_ppb(at_c, new_sample=True),
        }
    )


def table_frame(table: CorrectionTable) -> pd.DataFrame:
    """A row per code of the range: ``code``, ``temperature_c`` [degC], and what the firmware returns there, ``offset_ppt``
    [1e-12] and ``offset_ppb``.
    """
    import pandas as pd

    offset_ppt = table.offset_ppt(table.codes)
    return pd.DataFrame(
        {
            "code": table.codes,
            "temperature_c": table.temperature_of(table.codes),
            "offset_ppt": offset_ppt,
            "offset_ppb": offset_ppt / PPT_PER_PPB,
        }
    )


def legs_frame(runs: tuple[PreparedRun, ...]) -> pd.DataFrame:
    """A row per leg of each run, in order: what ``legs.csv`` holds."""
    import pandas as pd

    rows = [
        {"run": number, "log": prepared.run.name, "leg": place, **asdict(leg), "samples": leg.samples}
        for number, prepared in enumerate(runs)
        for place, leg in enumerate(prepared.legs)
    ]
    return pd.DataFrame(rows).drop(columns=["start", "stop"])


def scores_frame(fit_result: FitResult) -> pd.DataFrame:
    """A row per candidate, simplest first."""
    import pandas as pd

    rows = []
    for score in fit_result.validation.scores:
        row: dict[str, Any] = {
            "model": score.candidate.name,
            "coefficients": score.size,
            "chosen": score.candidate == fit_result.validation.chosen,
            "rms_ppb": score.rms_ppb,
            "p95_ppb": score.p95_ppb,
            "max_ppb": score.max_ppb,
            "heating_minus_cooling_ppb": score.heating_minus_cooling_ppb,
            "fold_mean_square_ppb2": score.mse,
            "fold_mean_square_se_ppb2": score.mse_se,
        }
        rows.append(
            row | {f"fold_{i + 1}_rms_ppb": float(np.sqrt(max(mse, 0.0))) for i, mse in enumerate(score.fold_mse)}
        )
    return pd.DataFrame(rows)


def samples_frame(result: FitResult) -> pd.DataFrame:
    """A row per kept sample or cell of samples, with what is left over: what ``fitted.parquet`` holds.

    Columns: ``time_s`` [s], ``temperature_c`` [degC], ``offset_ppb`` [ppb], ``run`` and ``sweep`` (counted from 0),
    ``direction`` (0.5 heating, -0.5 cooling), ``crystal_c`` [degC], ``corrected_ppb`` (the offset with base, ageing and hysteresis
    of its run taken off) [ppb], ``residual_ppb`` (NaN outside the range and where the lag filter had not settled), ``used``
    (whether the sample carried weight), and ``held_out_ppb`` (the error of a curve that has not seen its sweep) [ppb].
    """
    import pandas as pd

    samples, fit = result.samples, result.estimate.fit
    held_out = np.full(samples.offset_ppb.size, np.nan)
    held_out[result.scored] = result.validation.held_out_ppb
    columns = {name: value for name, value in samples.arrays.items() if name not in HIDDEN}
    if samples.cells is not None:
        columns["samples"] = samples.cells.count.astype(np.int64)
    return pd.DataFrame(
        columns
        | {
            "crystal_c": fit.crystal_c,
            "corrected_ppb": fit.corrected_ppb,
            "residual_ppb": np.where(fit.usable, fit.residual_ppb, np.nan),
            "used": fit.used,
            "held_out_ppb": held_out,
        }
    )


BIN_C = 2.0
"""Width of the bins of residuals. [degC]"""


def residual_bins(fitted: pd.DataFrame, low_c: float, high_c: float) -> pd.DataFrame:
    """Residuals in bins of 2 degC, heating and cooling apart: mean, its standard uncertainty, and what was held out.

    Columns: ``direction`` (0.5 heating, -0.5 cooling, 0 unordered), ``at_c`` (middle of the bin) [degC], ``mean_ppb``, ``u_ppb``
    (neighbours within a sweep resemble each other: HAC, Newey and West 1987), ``samples``, ``held_out`` (samples of the bin, of
    both directions, that a curve without their sweep was held against).
    """
    import pandas as pd

    place = np.floor((fitted["crystal_c"].to_numpy() - low_c) / BIN_C).astype(np.int64)
    last = max(int(np.ceil((high_c - low_c) / BIN_C)) - 1, 0)
    inside = fitted.assign(bin=place.clip(0, last))
    tested = inside[inside["held_out_ppb"].notna()].groupby("bin").size()
    way = np.sign(inside.groupby("sweep")["direction"].transform("first")) / 2
    used = inside.assign(way=way)[inside["used"]]
    rows = []
    for (direction, key), part in used.groupby(["way", "bin"], sort=True):
        number = int(str(key))
        left = part["residual_ppb"].to_numpy(dtype=np.float64)
        edges = [0, *(np.flatnonzero(np.diff(part["sweep"].to_numpy())) + 1).tolist(), left.size]
        independent = effective_samples(left - left.mean(), list(pairwise(edges)))
        middle_c = (low_c + number * BIN_C + min(low_c + (number + 1) * BIN_C, high_c)) / 2
        u_ppb = float(left.std(ddof=1)) / np.sqrt(independent) if left.size > 1 else np.nan
        rows.append((direction, middle_c, float(left.mean()), u_ppb, left.size, int(tested.get(number, 0))))
    return pd.DataFrame(rows, columns=["direction", "at_c", "mean_ppb", "u_ppb", "samples", "held_out"])


def untested_c(fitted: pd.DataFrame, low_c: float, high_c: float) -> list[tuple[float, float]]:
    """Stretches of the range, in bins of 2 degC, in which no sample was held out. [degC]"""
    edges = np.append(np.arange(low_c, high_c, BIN_C), high_c)
    at_c = fitted.loc[fitted["held_out_ppb"].notna(), "crystal_c"].to_numpy()
    counts = np.histogram(at_c.clip(low_c, high_c), edges)[0]
    found: list[tuple[float, float]] = []
    for start, end, count in zip(edges[:-1].tolist(), edges[1:].tolist(), counts, strict=True):
        if count == 0:
            joined = found and found[-1][1] == start
            found[-1:] = [(found[-1][0], end)] if joined else [*found[-1:], (start, end)]
    return found


def placed_scores_frame(placed: Placed) -> pd.DataFrame:
    """The one candidate there is, scored on soaks that it had not seen."""
    import pandas as pd

    squares, held_out = placed.held_out_ppb**2, placed.curve.held_out
    return pd.DataFrame(
        {
            "model": [placed.curve.model],
            "coefficients": [len(placed.curve.coef)],
            "chosen": [True],
            "rms_ppb": [held_out.rms_ppb],
            "p95_ppb": [held_out.p95_ppb],
            "max_ppb": [held_out.max_ppb],
            "heating_minus_cooling_ppb": [held_out.heating_minus_cooling_ppb],
            "fold_mean_square_ppb2": [float(squares.mean())],
            "fold_mean_square_se_ppb2": [float(squares.std(ddof=1) / np.sqrt(squares.size))],
        }
    )


def placed_fitted_frame(samples: Samples, placed: Placed) -> pd.DataFrame:
    """A row per kept sample; residuals only where a soak had settled, and predicted from the other soaks."""
    import pandas as pd

    residual_ppb, held_out_ppb = np.full((2, samples.offset_ppb.size), np.nan)
    for soak, left_ppb in zip(placed.soaks, placed.held_out_ppb, strict=True):
        inside = (samples.time_s >= soak.start_s) & (samples.time_s <= soak.end_s)
        residual_ppb[inside] = samples.offset_ppb[inside] - placed.curve.offset_ppb(samples.temperature_c[inside])
        held_out_ppb[inside] = samples.offset_ppb[inside] - soak.offset_ppb + left_ppb
    columns = {name: value for name, value in samples.arrays.items() if name not in HIDDEN}
    return pd.DataFrame(
        columns
        | {
            "crystal_c": samples.temperature_c,
            "corrected_ppb": samples.offset_ppb,
            "residual_ppb": residual_ppb,
            "used": ~np.isnan(residual_ppb),
            "held_out_ppb": held_out_ppb,
        }
    )
