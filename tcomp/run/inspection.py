"""What a run can give and what it cannot, told from the log alone, before any fit."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from tcomp.run.legs import Leg
from tcomp.run.neighbours import quantum_of
from tcomp.run.prepared import PreparedRun
from tcomp.run.sensor_steps import SensorSteps, sensor_steps
from tcomp.run.stability import Kind, Stability, regular_stretches, stability
from tcomp.run.visits import Drift, drift_between_visits
from tcomp.units import SECONDS_PER_HOUR, SECONDS_PER_MINUTE, short

SETTLED_LAGS = 5.0
"""A soak of so many time constants has settled within 1 - 0.993 of the step (arithmetic: exp(-5))."""
LEAST_SOAK_S = 1800.0
"""What is asked for where no time constant is known: small boards settle in minutes (common practice, no source). [s]"""
COARSE_SENSOR = 3.0
"""The sensor's quantum matters where it is so many times the noise."""
LEAST_NOISE_PPB = 1e-3
"""One ppt, the firmware's unit: an offset without noise is not held against round-off."""
FEW_QUANTA = 40.0
"""A run over fewer steps of its sensor shows no shape."""
LARGE_SHARE = 0.01
"""From this share of dropped samples on, the cause is worth looking for."""
LARGE_GAP = 0.1
"""Likewise of the run's time spent in gaps."""
QUANTUM_DIFFERS = 1.5
"""Ratio from which the quantum found is another than the one stated."""
REMEDIES = {
    "sensor out of range": "look at the sensor's wiring and connector",
    "stuck sensor": "see that the logger reads the sensor anew for each row",
    "stuck counter": "see that the logger reads the counter anew for each row",
    "time repeated": "see that only one program writes the log, with stamps as fine as the interval",
    "time backwards": "keep the logger's clock on UTC and do not set it during a run",
    "not a number": "see why the logger had nothing to write",
    "impossible value": "see what the logger writes for a missing value and add it to `missing`",
    "outlier": "look for missed counts: signal level, trigger, interference",
}
"""What to do about samples that were dropped, by reason."""


@dataclass(frozen=True, eq=False)
class Noise:
    """How still the offset is.

    ``as_logged`` is its overlapping Allan deviation, with all that temperature does; ``still`` the
    overlapping Hadamard deviation within heating, cooling and soaks, which is blind to whatever is
    straight in time, so that of a slow ramp only the noise is left at short averaging times.
    ``counter_ppb`` is the step in which the offset comes, 0 if it shows none.
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
        """The least deviation, and the averaging time behind which temperature or drift takes over. [ppb, s]"""
        least = int(np.argmin(self.still.deviation_ppb))
        return float(self.still.deviation_ppb[least]), float(self.still.tau_s[least])


@dataclass(frozen=True, eq=False)
class Inspection:
    """One run looked at; what it lacks it has as None.  ``hints`` say what to do, most worth first."""

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
    """All runs of a job looked at.

    ``untold`` gives of each effect the reason for which these runs cannot tell it, empty where they can;
    ``unseen`` says which temperatures were seen in one direction only, or not at all.
    """

    runs: tuple[Inspection, ...]
    untold: Mapping[str, str]
    unseen: tuple[str, ...]


def inspect_run(prepared: PreparedRun, lag_s: float | None = None) -> Inspection:
    """Look at a run before any fit.

    Parameters
    ----------
    prepared : PreparedRun
        Clean and cut into legs.
    lag_s : float, default=None
        Time constant from sensor to crystal, where it is known: soaks are held against it. [s]

    Examples
    --------
    >>> from tcomp.run.cleaning import clean_run
    >>> from tcomp.run.legs import cut_legs
    >>> from tcomp.run.record import RawRun, frame_of
    >>> ramp_c = np.linspace(0.0, 40.0, 400)
    >>> run = clean_run(RawRun("up.csv", frame_of(10.0 * np.arange(400), ramp_c, -3.0 * ramp_c), "elapsed", ()))
    >>> inspect_run(PreparedRun(run, cut_legs(run))).hints[0]
    'the run only heats: sweep back as well, or lag cannot be told from the curve'
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
    return Noise(over([slice(None)], "overlapping"), still, quantum_of(offset_ppb))


def _programme_hints(seen: Inspection, lag_s: float | None) -> Iterator[str]:
    """What another programme of the chamber would tell."""
    if seen.prepared.run.time_kind == "none":
        yield "the log has no time, so lag, ageing and noise stay unknown: log a time, or give interval_s"
        return
    directions = {leg.kind for leg in seen.legs("heating", "cooling")}
    if len(directions) == 1:
        only, back = ("heats", "back") if "heating" in directions else ("cools", "up")
        yield f"the run only {only}: sweep {back} as well, or lag cannot be told from the curve"
    yield from _soak_hints(seen, lag_s)
    if seen.drift is None:
        yield (
            "no temperature is visited twice alike, so drift shows in the fit only: end with a soak at the temperature of a "
            "first soak, or add a third sweep"
        )
    low_c, high_c = seen.range_c
    if high_c - low_c < FEW_QUANTA * seen.sensor.used_c:
        yield f"{low_c:.4g} to {high_c:.4g} degC are few steps of {seen.sensor.used_c:g} degC: sweep wider, or use a finer sensor"


def _soak_hints(seen: Inspection, lag_s: float | None) -> Iterator[str]:
    soaks = seen.legs("soak")
    wanted_s = LEAST_SOAK_S if lag_s is None else SETTLED_LAGS * abs(lag_s)
    why = "" if lag_s is None else f", {SETTLED_LAGS:g} times the lag of {short(abs(lag_s))} s"
    if not soaks:
        yield f"no soak: hold each end for {short(wanted_s / SECONDS_PER_MINUTE)} min{why}, and lag can be told from hysteresis"
        return
    shortest = min(soaks, key=lambda leg: leg.duration_s)
    if lag_s is not None and shortest.duration_s < wanted_s:
        where, lasts_min = (shortest.low_c + shortest.high_c) / 2, shortest.duration_s / SECONDS_PER_MINUTE
        wanted_min = wanted_s / SECONDS_PER_MINUTE
        yield f"the soak at {where:.3g} degC lasts {short(lasts_min)} min: make it {short(wanted_min)} min{why}"


def _quality_hints(seen: Inspection) -> Iterator[str]:
    """What better instruments would tell."""
    sensor, noise = seen.sensor, seen.noise
    if noise is not None and sensor.rms_ppb > COARSE_SENSOR * max(noise.at_interval_ppb, LEAST_NOISE_PPB):
        yield (
            f"the sensor's steps of {sensor.used_c:g} degC weigh {short(sensor.rms_ppb)} ppb where the offset is steepest, the "
            f"noise {short(noise.at_interval_ppb)} ppb: a finer sensor or a slower ramp would show more"
        )
    if noise is not None and noise.counter_ppb > noise.at_interval_ppb:
        yield f"the counter's steps of {short(noise.counter_ppb)} ppb hide the noise: a longer gate would show it"
    ratio = sensor.found_c / sensor.used_c if sensor.used_c else 1.0
    if sensor.found_c and not 1 / QUANTUM_DIFFERS < ratio < QUANTUM_DIFFERS:
        yield f"temperatures come in steps of {sensor.found_c:.3g} degC, not of resolution_c = {sensor.used_c:g}: correct the job"
    if seen.drift is not None and seen.drift.between == "soaks" and not seen.drift.seen:
        blind = short(2.0 * seen.drift.u_ppb_per_day)
        yield f"between the soaks a drift below {blind} ppb/day does not show before a fit: soak longer, or use a finer sensor"


def _log_hints(seen: Inspection) -> Iterator[str]:
    """What a better log would tell."""
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
