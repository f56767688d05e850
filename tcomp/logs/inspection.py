"""What the log of a run shows before any fit: noise, sensor steps, drift between visits, and hints on better runs."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, groupby
from typing import TYPE_CHECKING, Literal

import numpy as np

from tcomp.logs.legs import MIN_CELLS, Leg, cell_lines
from tcomp.logs.prepared import PreparedRun
from tcomp.logs.stability import Kind, Stability, regular_stretches, stability
from tcomp.logs.temperatures import SensorSteps, sensor_steps
from tcomp.units import SECONDS_PER_DAY, SECONDS_PER_HOUR, SECONDS_PER_MINUTE, degc_text, short

if TYPE_CHECKING:
    from tcomp.logs.prepared import PreparedRun

SETTLED_LAGS = 5.0
"""After so many time constants a soak has settled to 0.7 % of the step (arithmetic: exp(-5))."""
MIN_SOAK_S = 1800.0
"""Recommended where no time constant is known: small boards settle in minutes (common practice, no source). [s]"""
COARSE_SENSOR = 3.0
"""The sensor's quantum matters if it is more than so many times the noise."""
MIN_NOISE_PPB = 1e-3
"""One ppt, the firmware's unit: the least noise with which steps are compared, above round-off."""
FEW_QUANTA = 40.0
"""A run over fewer steps of its sensor does not show the shape of the curve."""
LARGE_SHARE = 0.01
"""Share of dropped samples from which a hint names the cause."""
LARGE_GAP = 0.1
"""The same for the share of the run's time in gaps."""
QUANTUM_DIFFERS = 1.5
"""Ratio of the quantum found to the one stated, from which they differ."""
REMEDIES = {
    "sensor out of range": "look at the sensor's wiring and connector",
    "stuck sensor": "make sure that the logger reads the sensor for each row",
    "stuck counter": "make sure that the logger reads the counter for each row",
    "time repeated": "make sure that only one program writes the log, with stamps as fine as the interval",
    "time backwards": "keep the logger's clock on UTC and do not set it during a run",
    "not a number": "find out why the logger had nothing to write",
    "impossible value": "find out what the logger writes for a missing value and add it to `missing`",
    "outlier": "look for missed counts: signal level, trigger, interference",
}
"""What to do about samples that were dropped, by reason."""


@dataclass(frozen=True, eq=False)
class Noise:
    """The stability of the offset.

    ``as_logged`` is its overlapping Allan deviation, including the effect of temperature.  ``still`` is the overlapping Hadamard
    deviation within heating, cooling and soaks, which does not contain linear drift, so that on a slow ramp it shows the noise
    alone at short averaging times.  ``counter_ppb`` is the step of the offset, 0 if none is visible.
    """

    as_logged: Stability
    still: Stability
    counter_ppb: float

    @property
    def at_interval_ppb(self) -> float:
        """The noise of one sample. [ppb]"""
        return float(self.still.deviation_ppb[0])

    @property
    def floor(self) -> tuple[float, float]:
        """The least deviation, and its averaging time, beyond which temperature or drift dominates. [ppb, s]"""
        least = int(np.argmin(self.still.deviation_ppb))
        return float(self.still.deviation_ppb[least]), float(self.still.tau_s[least])


@dataclass(frozen=True, eq=False)
class Inspection:
    """What is found in one run; None where it is not determined.  ``hints`` state what to do, the most useful first."""

    prepared: PreparedRun
    noise: Noise | None
    sensor: SensorSteps
    drift: Drift | None
    hints: tuple[str, ...]

    @property
    def duration_s(self) -> float:
        """From the first kept sample to the last; NaN in an unordered table. [s]"""
        time_s = self.prepared.run.kept["time_s"]
        return float(time_s.iloc[-1] - time_s.iloc[0])

    @property
    def range_c(self) -> tuple[float, float]:
        """Lowest and highest temperature. [degC]"""
        temperature_c = self.prepared.run.kept["temperature_c"]
        return float(temperature_c.min()), float(temperature_c.max())

    def legs(self, *kinds: Literal["heating", "cooling", "soak"]) -> list[Leg]:
        """Its legs of some kinds."""
        return [leg for leg in self.prepared.legs if leg.kind in kinds]


@dataclass(frozen=True, eq=False)
class Survey:
    """What is found in all runs of a job.

    ``not_identifiable`` gives for each effect the reason for which the runs do not identify it, empty where they do; ``unseen``
    names the temperatures that were passed in one direction only, or not at all.
    """

    runs: tuple[Inspection, ...]
    not_identifiable: Mapping[str, str]
    unseen: tuple[str, ...]


def inspect_run(prepared: PreparedRun, lag_s: float | None = None) -> Inspection:
    """Examine a run before any fit.

    Parameters
    ----------
    prepared : PreparedRun
        Clean and cut into legs.
    lag_s : float, default=None
        Time constant from sensor to crystal, where it is known; soaks are compared with it. [s]

    Examples
    --------
    >>> from tcomp.logs.cleaning import clean_run
    >>> from tcomp.logs.legs import cut_legs
    >>> from tcomp.logs.record import RawRun, frame_of
    >>> ramp_c = np.linspace(0.0, 40.0, 400)
    >>> run = clean_run(RawRun("up.csv", frame_of(10.0 * np.arange(400), ramp_c, -3.0 * ramp_c), "elapsed", ()))
    >>> inspect_run(PreparedRun(run, cut_legs(run))).hints[0]
    'the run only heats: sweep back as well, or lag cannot be separated from the curve'
    """
    noise, sensor, drift = _noise(prepared), sensor_steps(prepared), drift_between_visits(prepared)
    bare = Inspection(prepared, noise, sensor, drift, ())
    hints = (*_programme_hints(bare, lag_s), *_quality_hints(bare), *_log_hints(bare))
    return Inspection(prepared, noise, sensor, drift, hints)


def _noise(prepared: PreparedRun) -> Noise | None:
    run = prepared.run
    if run.time_kind == "none":
        return None
    time_s, offset_ppb = (run.kept[name].to_numpy() for name in ("time_s", "offset_ppb"))

    def over(parts: Sequence[slice], kind: Kind) -> Stability:
        stretches = [s for part in parts for s in regular_stretches(time_s[part], offset_ppb[part], run.interval_s)]
        return stability(stretches, run.interval_s, kind)

    still = over([slice(leg.start, leg.stop) for leg in prepared.legs], "hadamard")
    if not still.tau_s.size:
        return None
    return Noise(over([slice(None)], "overlapping"), still, run.quantum_ppb)


def _programme_hints(seen: Inspection, lag_s: float | None) -> Iterator[str]:
    """What another programme of the chamber would show."""
    if seen.prepared.run.time_kind == "none":
        yield "the log has no time, so lag, ageing and noise stay unknown: log a time, or give interval_s"
        return
    directions = {leg.kind for leg in seen.legs("heating", "cooling")}
    if len(directions) == 1:
        only, back = ("heats", "back") if "heating" in directions else ("cools", "up")
        yield f"the run only {only}: sweep {back} as well, or lag cannot be separated from the curve"
    yield from _soak_hints(seen, lag_s)
    if seen.drift is None:
        yield (
            "no temperature is visited twice under equal conditions, so drift shows in the fit only: end with a soak at the "
            "temperature of the first soak, or add a third sweep"
        )
    low_c, high_c = seen.range_c
    if high_c - low_c < FEW_QUANTA * seen.sensor.used_c:
        wide = f"{degc_text(low_c)} to {degc_text(high_c)} degC"
        yield f"{wide} are few steps of {seen.sensor.used_c:g} degC: sweep wider, or use a finer sensor"


def _soak_hints(seen: Inspection, lag_s: float | None) -> Iterator[str]:
    soaks = seen.legs("soak")
    needed_s = MIN_SOAK_S if lag_s is None else SETTLED_LAGS * abs(lag_s)
    why = "" if lag_s is None else f", {SETTLED_LAGS:g} times the lag of {short(abs(lag_s))} s"
    if not soaks:
        hold_min = short(needed_s / SECONDS_PER_MINUTE)
        yield f"no soak: hold each end for {hold_min} min{why}, and lag can be separated from hysteresis"
        return
    shortest = min(soaks, key=lambda leg: leg.duration_s)
    if lag_s is not None and shortest.duration_s < needed_s:
        where, lasts_min = (shortest.low_c + shortest.high_c) / 2, shortest.duration_s / SECONDS_PER_MINUTE
        needed_min = needed_s / SECONDS_PER_MINUTE
        yield f"the soak at {where:.3g} degC lasts {short(lasts_min)} min: make it {short(needed_min)} min{why}"


def _quality_hints(seen: Inspection) -> Iterator[str]:
    """What better instruments would show."""
    sensor, noise = seen.sensor, seen.noise
    if noise is not None and sensor.rms_ppb > COARSE_SENSOR * max(noise.at_interval_ppb, MIN_NOISE_PPB):
        yield (
            f"the sensor's steps of {sensor.used_c:g} degC amount to {short(sensor.rms_ppb)} ppb where the offset is steepest, the "
            f"noise to {short(noise.at_interval_ppb)} ppb: a finer sensor or a slower ramp would show more"
        )
    if noise is not None and noise.counter_ppb > noise.at_interval_ppb:
        yield (
            f"the counter's steps of {short(noise.counter_ppb)} ppb hide the noise: a longer gate would show it, and a slow ramp "
            "across the steps determines the curve where a soak between two of them does not"
        )
    ratio = sensor.found_c / sensor.used_c if sensor.used_c else 1.0
    if sensor.found_c and not 1 / QUANTUM_DIFFERS < ratio < QUANTUM_DIFFERS:
        yield f"temperatures come in steps of {sensor.found_c:.3g} degC, not of resolution_c = {sensor.used_c:g}: correct the job"
    if seen.drift is not None and seen.drift.between == "soaks" and not seen.drift.seen:
        blind = short(2.0 * seen.drift.u_ppb_per_day)
        yield f"between the soaks a drift below {blind} ppb/day does not show before a fit: soak longer, or use a finer sensor"


def _log_hints(seen: Inspection) -> Iterator[str]:
    """What a better log would show."""
    run = seen.prepared.run
    for reason, count in run.dropped_counts.items():
        if count >= LARGE_SHARE * len(run.frame):
            yield f"{short(100 * count / len(run.frame))} % dropped as {reason}: {REMEDIES[reason]}"
    gap_s = sum(gap.duration_s for gap in run.gaps)
    if run.gaps and gap_s > LARGE_GAP * seen.duration_s:
        gap_h, all_h = (short(time_s / SECONDS_PER_HOUR) for time_s in (gap_s, seen.duration_s))
        yield (
            f"{gap_h} h of {all_h} h are gaps, and behind each the crystal's temperature is unknown for two time constants: log "
            "without a break"
        )


MIN_IN_SOAK = 20
TRIMMED = 0.1
"""Share of the range that is left out at either end, where a ramp is still settling."""
RATES_ALIKE = 1.3
"""Ratio of ramp rates up to which lag shifts two sweeps alike (common practice, no source)."""
SAME_SOAK_C = 0.5
"""Soaks this near are at one temperature; the difference is corrected by the local slope. [degC]"""


@dataclass(frozen=True)
class Drift:
    """The drift of the offset between two visits to a temperature, ``days`` apart; ``where`` names them."""

    between: Literal["sweeps", "soaks"]
    where: str
    days: float
    ppb_per_day: float
    u_ppb_per_day: float

    @property
    def seen(self) -> bool:
        """Whether it exceeds twice its standard uncertainty."""
        return abs(self.ppb_per_day) > 2.0 * self.u_ppb_per_day


def drift_between_visits(prepared: PreparedRun) -> Drift | None:
    """The drift of a run, from the two visits that determine it best; None without two comparable visits.

    Two sweeps in one direction at similar rates have the same lag, so their difference is drift; two soaks at one temperature
    have none.  A heating and a cooling sweep show no drift before a fit.

    Returns
    -------
    Drift or None
        Its uncertainty is, for sweeps, the scatter over cells of temperature; for soaks, what remains to settle, and the
        sensor's quantum at the local slope.
    """
    if prepared.run.time_kind == "none":
        return None
    found = [*_between_sweeps(prepared), *_between_soaks(prepared)]
    return min(found, key=lambda drift: drift.u_ppb_per_day, default=None)


def _between_sweeps(prepared: PreparedRun) -> list[Drift]:
    moving = [
        max(group, key=lambda leg: leg.samples)
        for _, group in groupby(
            (leg for leg in prepared.legs if leg.kind in ("heating", "cooling")), lambda leg: leg.sweep
        )
    ]
    lines = cell_lines(prepared, moving)
    found = []
    for i, j in combinations(range(len(moving)), 2):
        one, other = sorted(abs(moving[index].rate_c_per_min) for index in (i, j))
        if moving[i].direction != moving[j].direction or other > RATES_ALIKE * one:
            continue
        days = (lines[j].time_s - lines[i].time_s) / SECONDS_PER_DAY
        rate = ((lines[j].offset_ppb - lines[i].offset_ppb) / days)[_inner(len(days))]
        rate = rate[np.isfinite(rate)]
        if len(rate) < MIN_CELLS:
            continue
        where = f"{moving[i].kind} sweeps {moving[i].sweep + 1} and {moving[j].sweep + 1}"
        u = float(np.std(rate, ddof=1) / np.sqrt(len(rate)))
        found.append(Drift("sweeps", where, float(np.nanmedian(days)), float(np.mean(rate)), u))
    return found


def _inner(cells: int) -> slice:
    cut = int(np.ceil(TRIMMED * cells))
    return slice(cut, cells - cut)


def _between_soaks(prepared: PreparedRun) -> list[Drift]:
    soaks = [leg for leg in prepared.legs if leg.kind == "soak" and leg.samples >= MIN_IN_SOAK]
    lines = cell_lines(prepared, [leg for leg in prepared.legs if leg.kind in ("heating", "cooling")])
    slopes = np.concatenate([line.slope_ppb_per_c for line in lines]) if lines else np.empty(0)
    known = np.isfinite(slopes)
    if not known.any():
        return []
    middles_c, slopes = np.concatenate([line.middle_c for line in lines])[known], slopes[known]
    found = []
    for pair in combinations(soaks, 2):
        temperature_c = (pair[0].low_c + pair[0].high_c) / 2
        slope = float(slopes[np.argmin(np.abs(middles_c - temperature_c))])
        one, other = (_Settled.of(prepared, leg, temperature_c, slope) for leg in pair)
        if abs(other.temperature_c - one.temperature_c) > SAME_SOAK_C:
            continue
        days = (other.time_s - one.time_s) / SECONDS_PER_DAY
        quantum_ppb = slope * prepared.run.quantum_c / np.sqrt(12.0)
        u_ppb = float(np.linalg.norm([one.u_ppb, other.u_ppb, quantum_ppb, quantum_ppb]))
        step_ppb = other.offset_ppb - one.offset_ppb
        found.append(Drift("soaks", f"soaks at {temperature_c:.3g} degC", days, step_ppb / days, u_ppb / days))
    return found


@dataclass(frozen=True)
class _Settled:
    """The mean of the last quarter of a soak, when the crystal has nearly settled, corrected to one temperature.

    Its uncertainty is the distance to the mean of the quarter before: an exponential that halves in a quarter, or faster, still
    has at most as far to go.
    """

    time_s: float
    temperature_c: float
    offset_ppb: float
    u_ppb: float

    @classmethod
    def of(cls, prepared: PreparedRun, leg: Leg, temperature_c: float, slope_ppb_per_c: float) -> _Settled:
        part = prepared.run.kept.iloc[leg.start : leg.stop]
        level_ppb = (part["offset_ppb"] - slope_ppb_per_c * (part["temperature_c"] - temperature_c)).to_numpy()
        third, last = (slice(int(leg.samples * share), int(leg.samples * (share + 0.25))) for share in (0.5, 0.75))
        to_go_ppb = level_ppb[last].mean() - level_ppb[third].mean()
        time_s, mean_c = (float(part[name].iloc[last].mean()) for name in ("time_s", "temperature_c"))
        return cls(time_s, mean_c, float(level_ppb[last].mean()), abs(float(to_go_ppb)))
