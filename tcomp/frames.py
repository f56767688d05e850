"""Results as pandas frames, for people and for the files that keep them."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from tcomp.curve.curve import Curve
from tcomp.curve.samples import samples_of
from tcomp.table import CorrectionTable
from tcomp.units import PPT_PER_PPB

if TYPE_CHECKING:
    import pandas as pd

    from tcomp.curve.few_points import Placed
    from tcomp.curve.learn import Learnt
    from tcomp.curve.samples import Samples
    from tcomp.run.prepared import PreparedRun

GRID = 201
"""Temperatures from end to end of a curve, where none are asked for."""


def samples_frame(runs: tuple[PreparedRun, ...], learnt: Learnt) -> pd.DataFrame:
    """A row per kept sample, with what is left over: what ``fitted.parquet`` holds.

    Columns: ``time_s`` [s], ``temperature_c`` [degC], ``offset_ppb`` [ppb], ``run`` and ``sweep`` (counted from 0),
    ``direction`` (0.5 heating, -0.5 cooling), ``crystal_c`` [degC], ``corrected_ppb`` (the offset with base, ageing and hysteresis
    of its run taken off) [ppb], ``residual_ppb``, ``used``, and ``held_out_ppb`` (the error of a curve that has not seen its
    sweep) [ppb].
    """
    return fitted_frame(samples_of(runs), learnt)


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


def scores_frame(learnt: Learnt) -> pd.DataFrame:
    """A row per candidate, simplest first."""
    import pandas as pd

    rows = []
    for score in learnt.validation.scores:
        row: dict[str, Any] = {
            "model": score.candidate.name,
            "coefficients": score.size,
            "chosen": score.candidate == learnt.validation.chosen,
            "rms_ppb": score.rms_ppb,
            "p95_ppb": score.p95_ppb,
            "max_ppb": score.max_ppb,
            "heating_minus_cooling_ppb": score.heating_minus_cooling_ppb,
            "fold_mean_square_ppb2": score.mse,
            "fold_mean_square_se_ppb2": score.mse_se,
        }
        rows.append(row | {f"fold_{i + 1}_rms_ppb": float(np.sqrt(mse)) for i, mse in enumerate(score.fold_mse)})
    return pd.DataFrame(rows)


def fitted_frame(samples: Samples, learnt: Learnt) -> pd.DataFrame:
    """A row per kept sample or cell of samples: what the crystal saw and what is left over.

    Residuals are NaN outside the range and where the lag filter had not settled; ``used`` tells the
    samples that carried weight.
    """
    import pandas as pd

    fit = learnt.estimate.fit
    held_out = np.full(samples.offset_ppb.size, np.nan)
    held_out[learnt.scored] = learnt.validation.held_out_ppb
    columns = {name: value for name, value in asdict(samples).items() if name not in ("segment", "leg", "cells")}
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
    """A row per kept sample; residuals only where a soak had settled, and foretold by the other soaks."""
    import pandas as pd

    residual_ppb, held_out_ppb = np.full((2, samples.offset_ppb.size), np.nan)
    for soak, left_ppb in zip(placed.soaks, placed.held_out_ppb, strict=True):
        inside = (samples.time_s >= soak.start_s) & (samples.time_s <= soak.end_s)
        residual_ppb[inside] = samples.offset_ppb[inside] - placed.curve.offset_ppb(samples.temperature_c[inside])
        held_out_ppb[inside] = samples.offset_ppb[inside] - soak.offset_ppb + left_ppb
    columns = {name: value for name, value in asdict(samples).items() if name not in ("segment", "leg")}
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
