"""From arrays to C: what a notebook needs, without a job file.

The options are the keys of a job file and are checked by the same rules; the samples get the checks of a log file.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from tcomp import workflow
from tcomp.errors import JobError, RunError
from tcomp.estimation.curve import Curve, curve_text
from tcomp.estimation.fit_result import FitResult
from tcomp.files import write_files
from tcomp.firmware import Export, check_symbol, exported
from tcomp.job import Sensor, job_of_sections
from tcomp.job.sections import Format
from tcomp.logs.prepared import prepare_frames
from tcomp.progress import ProgressCallback, no_progress
from tcomp.summary import stamp_of
from tcomp.tables import CorrectionTable

if TYPE_CHECKING:
    import pandas as pd


def fit(
    time_s: Any,
    temperature_c: Any,
    offset_ppb: Any,
    *,
    run: Sequence[Any] | None = None,
    name: str = "oscillator",
    cut: Literal["AT", "SC", "BT", "tuning-fork", "unknown"] = "unknown",
    models: Sequence[str] | None = None,
    effects: Mapping[str, str | float] | None = None,
    range_c: tuple[float, float] | None = None,
    reference_c: float = 25.0,
    reference_u_ppb: float = 0.0,
    resolution_c: float | None = None,
    max_dropped: float = 0.2,
    progress: ProgressCallback = no_progress,
) -> FitResult:
    """Fit an oscillator's offset against temperature, with lag, ageing and hysteresis taken off.

    Parameters
    ----------
    time_s : array-like of shape (n,)
        Seconds from a start, Unix seconds, or moments (pandas timestamps, text in ISO 8601). [s]
    temperature_c : array-like of shape (n,)
        What the sensor beside the crystal reads. [degC]
    offset_ppb : array-like of shape (n,)
        (f - f_nominal) / f_nominal, positive where the oscillator is fast (IEEE Std 1139). [ppb]
    run : sequence of n labels, optional
        To which run each sample belongs; left out: all are one run.
    name : str
        What you call the oscillator.
    cut : {"AT", "SC", "BT", "tuning-fork", "unknown"}
        The crystal's cut.
    models : sequence of str, optional
        Curves that compete: "poly1" to "poly9", "crystal", "spline"; left out: those that suit the cut.
    effects : mapping, optional
        For each effect that is not to be looked for: "none", or for the lag its known value in seconds.
    range_c : (low, high), optional
        Range of the curve; left out: what was measured. [degC]
    reference_c : float
        Temperature at which the base is stated. [degC]
    reference_u_ppb : float
        Standard uncertainty of the trusted frequency. [ppb]
    resolution_c : float, optional
        Step of the sensor's readings; left out: found from them. [degC]
    max_dropped : float
        Share of the samples that may be dropped as gross errors before the fit is refused.
    progress : callable
        Called with what is done, how much of it, and of how much.

    Returns
    -------
    FitResult
        Its ``curve`` predicts; print it, or see ``summary()`` and ``plot()``.

    Raises
    ------
    JobError
        An option means nothing.
    RunError, CurveError
        The samples cannot be read, or do not determine a curve.

    Examples
    --------
    Invented: a straight line of -10 ppb/degC through 0 at 25 degC, heated and cooled twice.

    >>> import numpy as np
    >>> time_s = np.arange(0.0, 8000.0, 10.0)
    >>> temperature_c = 25 + 15 * np.sin(2 * np.pi * time_s / 4000)
    >>> noise_ppb = np.random.default_rng(1).normal(size=time_s.size)
    >>> result = fit(time_s, temperature_c, -10 * (temperature_c - 25) + noise_ppb, models=["poly1"])
    >>> round(result.curve.predict(35.0))
    -100
    """
    job = job_of_sections(
        {
            "oscillator": {"name": name, "cut": cut},
            "reference": {"uncertainty_ppb": reference_u_ppb},
            "sensor": {"resolution_c": resolution_c},
            "fit": {
                "range_c": range_c,
                "reference_c": reference_c,
                "models": models,
                "max_dropped": max_dropped,
                **(effects or {}),
            },
        },
        "tcomp.fit",
    )
    frames = _frames(time_s=time_s, temperature_c=temperature_c, offset_ppb=offset_ppb, run=run)
    runs = prepare_frames(
        job, frames, time="time_s", temperature="temperature_c", offset="offset_ppb", offset_unit="ppb"
    )
    return workflow.fit(job, runs, progress=progress)


def _frames(run: Sequence[Any] | None, **arrays: Any) -> dict[str, pd.DataFrame]:
    """A frame for each run, by its label."""
    import pandas as pd

    given = arrays if run is None else {**arrays, "run": run}
    for name, values in given.items():
        if np.ndim(values) != 1:
            raise RunError(f"tcomp.fit: {name} has the shape {np.shape(values)}; expected one value per sample")
    sizes = {name: len(values) for name, values in given.items()}
    if len(set(sizes.values())) > 1:
        (first, size), *others, (last, last_size) = sizes.items()
        words = [f"{first} has {size} values", *(f"{name} {count}" for name, count in others)]
        raise RunError(f"tcomp.fit: {', '.join(words)} and {last} {last_size}; expected equally many")
    if not sizes["time_s"]:
        raise RunError("tcomp.fit: there are no samples; expected one value of each array per sample")
    frame = pd.DataFrame({name: pd.Series(values).reset_index(drop=True) for name, values in arrays.items()})
    if run is None:
        return {"samples": frame}
    return {str(label): part for label, part in frame.groupby(np.asarray(run), sort=False)}


def table(
    curve: Curve,
    *,
    max_error_ppb: float | None = None,
    max_bytes: int | None = None,
    counts_per_c: float = 100.0,
    form: Literal["auto", "steps", "even", "segments", "polynomial", "chebyshev", "patches"] = "auto",
    interpolation: Literal["auto", "linear", "nearest", "quadratic"] = "auto",
    align: Literal["auto", "range", "step"] = "auto",
) -> CorrectionTable:
    """Design the smallest integer table of a curve.

    Parameters
    ----------
    curve : Curve
    max_error_ppb : float, optional
        Most that the table may differ from the curve, at any code. [ppb]
    max_bytes : int, optional
        Most that the entries may take; without ``max_error_ppb`` the error is then made as small as they allow. [bytes]
        With neither, half of the curve's uncertainty is allowed.
    counts_per_c : float
        Codes per degC: the firmware looks up round(counts_per_c * temperature). [1/degC]
    form, interpolation, align
        As in ``[table]`` of a job file; "auto": what takes the least flash, with its program.

    Raises
    ------
    JobError
        An option means nothing.
    TableError
        The limits cannot be met; the message says what could be.
    """
    keys = {
        "max_error_ppb": max_error_ppb,
        "max_bytes": max_bytes,
        "counts_per_c": counts_per_c,
        "form": form,
        "interpolation": interpolation,
        "align": align,
    }
    job = job_of_sections({"oscillator": {"name": "oscillator"}, "table": keys}, "tcomp.table")
    return workflow.design(job, curve)


def export(
    table: CorrectionTable,
    formats: Format | tuple[Format, ...] = "c",
    *,
    symbol: str,
    name: str = "",
    curve: Curve | None = None,
    correct: tuple[str, ...] = ("frequency",),
    into: Path | str | None = None,
) -> dict[str, str]:
    """Write a table for the firmware.

    Parameters
    ----------
    table : CorrectionTable
    formats : str, or a tuple of them
        As in ``[firmware] formats`` of a job file: "c", "csv", "json", "ihex", "bin" and what else there is.
    symbol : str
        Every name in the program, and the name of every file, begins with it.
    name : str
        Of the oscillator, for the comments; left out: the symbol.
    curve : Curve, optional
        The curve of the table: the comments then state the whole error budget, not the table's part alone.
    correct : tuple of {"frequency", "interval", "tuning-word"}
        Corrections that the program has in addition to the lookup.
    into : path, optional
        A folder for the files; left out: nothing is written.

    Returns
    -------
    dict of str to str
        The text of each file by its name; a binary image is in the folder only.

    Raises
    ------
    JobError, FirmwareError
        A format or correction is unknown, the symbol is not a name in C, or an image was asked for without ``into``.
    """
    asked = (formats,) if isinstance(formats, str) else tuple(formats)
    check_symbol(symbol)
    keys = {"symbol": symbol, "formats": asked, "correct": correct}
    job = job_of_sections(
        {"oscillator": {"name": name or symbol}, "table": {"form": "auto"}, "firmware": keys}, "tcomp.export"
    )
    if "bin" in asked and into is None:
        raise JobError('tcomp.export: the format "bin" is binary; give into=, a folder for its file')
    origin = json.dumps(table.to_json_dict(), sort_keys=True) + ("" if curve is None else curve_text(curve))
    digest = hashlib.sha256(origin.encode("utf-8")).hexdigest()
    files = exported(
        Export(
            table=table,
            symbol=symbol,
            stamp=stamp_of(job.oscillator.name, table, digest, Sensor(), curve),
            formats=asked,
            corrections=job.firmware.correct,
        )
    )
    if into is not None:
        write_files(Path(into), files)
    return {file: content for file, content in files.items() if isinstance(content, str)}
