"""One trusted point: what it says of the base."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from tcomp.errors import HistoryError
from tcomp.estimation.curve import Curve
from tcomp.estimation.uncertainty import effective_samples
from tcomp.job import Job
from tcomp.logs.prepared import prepare_runs
from tcomp.units import degc_text
from tcomp.upkeep.calibration import Calibration
from tcomp.upkeep.verification import fresh_samples

PPB_PER = {"": 1.0, "ppb": 1.0, "ppm": 1e3, "ppt": 1e-3}
DEGC = ("", "c", "degc", "°c")
DECIMALS = 6
FORM = 'expected "T, offset, u", for example "23.5 degC, 120 ppb, 5 ppb"'


@dataclass(frozen=True)
class Point:
    """A temperature, and the base that was found there, with its standard uncertainty. [degC] [ppb]

    To 1e-6 ppb, so that the same point comes out the same whichever base the curve has.
    """

    temperature_c: float
    base_ppb: float
    u_ppb: float

    def __post_init__(self) -> None:
        for name in ("base_ppb", "u_ppb"):
            object.__setattr__(self, name, round(getattr(self, name), DECIMALS))


def point_of_text(text: str, curve: Curve, sensor_u_c: float = 0.0) -> Point:
    """The point that ``--at`` gives: temperature, offset, standard uncertainty of the offset.

    The curve's shape between the reference temperature and the point, and the sensor at the curve's slope, add to the
    uncertainty of the base.

    Raises
    ------
    HistoryError
        The text is none of a point, or the curve does not reach there.
    """
    temperature_c, offset_ppb, u_ppb = _numbers(text)
    if not curve.low_c <= temperature_c <= curve.high_c:
        raise HistoryError(
            f'--at "{text}": {temperature_c:g} degC is outside the curve; expected {degc_text(curve.low_c)} to '
            f"{degc_text(curve.high_c)} degC"
        )
    at_c = np.array([temperature_c])
    shape_ppb = float(curve.offset_ppb(at_c)[0]) - curve.base_ppb
    slope = float(curve.slope_ppb_per_c(at_c)[0])
    u = math.hypot(u_ppb, float(curve.shape_uncertainty_ppb(at_c)[0]), slope * sensor_u_c)
    return Point(temperature_c, offset_ppb - shape_ppb, u)


def _numbers(text: str) -> tuple[float, float, float]:
    """degC, ppb, ppb.

    >>> _numbers("23.5, 120, 5"), _numbers("23,5 C; +0,12 ppm; 5 ppb")
    ((23.5, 120.0, 5.0), (23.5, 120.0, 5.0))
    """
    parts = text.replace(",", ".").split(";") if ";" in text else text.split(",")
    found = [re.fullmatch(r"\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*([^\s\d]*)\s*", part) for part in parts]
    if len(parts) != 3 or not all(found):
        raise HistoryError(f'--at "{text}": is no point; {FORM}')
    (temperature, of_c), (offset, of_y), (u, of_u) = [one.groups() for one in found if one]
    if of_c.lower() not in DEGC or of_y.lower() not in PPB_PER or of_u.lower() not in PPB_PER:
        raise HistoryError(f'--at "{text}": has a unit that is not known; {FORM} (ppb, ppm or ppt)')
    u_ppb = float(u) * PPB_PER[of_u.lower()]
    if not round(u_ppb, DECIMALS) > 0:
        raise HistoryError(f'--at "{text}": the standard uncertainty is {u}; {FORM}, u above 0')
    return float(temperature), round(float(offset) * PPB_PER[of_y.lower()], 9), round(u_ppb, 9)


def point_of_run(curve: Curve, job: Job) -> tuple[Point, float | None]:
    """The point that a short run gives: its mean, at its end, and the time of that if it has a clock.

    Raises
    ------
    HistoryError
        The job has several runs.
    RunError
        A log cannot be read, or has no sample that can be judged.
    """
    if len(job.runs) != 1:
        raise HistoryError(f"{job.path}: has {len(job.runs)} [[run]] blocks; expected one, a short run at one time")
    runs = prepare_runs(job)
    fresh = fresh_samples(Calibration(curve, None), runs)
    error_ppb = fresh.offset_ppb - curve.offset_ppb(fresh.crystal_c)
    left = error_ppb - error_ppb.mean()
    of_mean = float(left.std()) / math.sqrt(effective_samples(left, fresh.bounds))
    shape_u = float(np.sqrt(np.mean(curve.shape_uncertainty_ppb(fresh.crystal_c) ** 2)))
    u = math.hypot(of_mean, job.reference.uncertainty_ppb, shape_u)
    if not round(u, DECIMALS) > 0:
        raise HistoryError(f"{job.path}: the run tells no uncertainty; give [reference] uncertainty_ppb")
    end_s = float(runs[0].run.kept["time_s"].max()) if runs[0].run.time_kind == "clock" else None
    return Point(float(fresh.crystal_c.mean()), curve.base_ppb + float(error_ppb.mean()), u), end_s


def time_of_text(text: str, option: str) -> float:
    """Unix time of an ISO 8601 date; without a zone it is UTC. [s]

    >>> time_of_text("2026-03-04T13:20Z", "--time"), time_of_text("2026-03-04", "--time")
    (1772630400.0, 1772582400.0)

    Raises
    ------
    HistoryError
        It is none.
    """
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        raise HistoryError(f'{option} "{text}": is no ISO 8601 time; expected one such as 2026-06-01T10:00Z') from error
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()
