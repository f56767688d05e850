"""A simulator for recovery tests that shares no code with ``tcomp``: invented crystals, counters and sensors with a known truth.

The chamber's temperature is laid down on a grid of one second, the crystal follows it through a first-order low-pass
in its exact discrete form (scipy.signal.lfilter), noise is white and normal, and the instruments round.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

Floats = NDArray[np.float64]
Reading = Callable[[Floats, np.random.Generator], Floats]

ROW_S = 10
"""Seconds from row to row of a log."""


def at_cubic(temperature_c: Floats) -> Floats:
    """Offset of an invented AT crystal. [ppb]  (n,) -> (n,)

    The cubic coefficient, 1.04e-10 per K**3, is common practice, no source; the linear one and the base are invented.
    """
    x = temperature_c - 27.0
    return np.asarray(932.0 - 120.0 * x + 0.104 * x**3)


def chamber_c(legs: list[tuple[float, float]], start_c: float) -> Floats:
    """Temperature each second: each leg goes in a straight line to ``(end_c, minutes)``. [degC]  -> (n,)"""
    corners_s = np.cumsum([0.0] + [60.0 * minutes for _, minutes in legs])
    corners_c = [start_c] + [end_c for end_c, _ in legs]
    return np.asarray(np.interp(np.arange(0.0, corners_s[-1] + 0.5), corners_s, corners_c))


def two_rates() -> Floats:
    """0 to 55 degC: up at 0.3 degC/min, down and up at 0.6, soaks of 30 min between: 2 800 rows of 10 s."""
    slow, fast = 55 / 0.3, 55 / 0.6
    return chamber_c([(0, 30), (55, slow), (55, 30), (0, fast), (0, 30), (55, fast), (55, 9)], 0.0)


def lagged(temperature_c: Floats, lag_s: float) -> Floats:
    """A first-order low-pass of a temperature each second, settled at the start. [degC]  (n,) -> (n,)"""
    if lag_s == 0:
        return temperature_c.copy()
    pole = np.exp(-1.0 / lag_s)
    return np.asarray(lfilter([1 - pole], [1, -pole], temperature_c, zi=[pole * temperature_c[0]])[0])


def lagged_unevenly(time_s: Floats, temperature_c: Floats, lag_s: float) -> Floats:
    """A first-order low-pass of temperatures at any times, straight between them, settled at the start. [degC]  (n,) -> (n,)

    Exact for an input that is linear between samples: the state goes to the ramp's own steady lag by exp(-dt / lag).
    """
    if lag_s == 0:
        return temperature_c.copy()
    behind_c = np.empty_like(temperature_c)
    apart_c = 0.0
    behind_c[0] = temperature_c[0]
    for row in range(1, temperature_c.size):
        step_s = time_s[row] - time_s[row - 1]
        steady_c = -lag_s * (temperature_c[row] - temperature_c[row - 1]) / step_s
        apart_c = steady_c + (apart_c - steady_c) * np.exp(-step_s / lag_s)
        behind_c[row] = temperature_c[row] + apart_c
    return behind_c


def in_parallel(temperature_c: Floats, lags_s: tuple[float, float], share: float) -> Floats:
    """Two thermal paths side by side: a share behind the first lag, the rest behind the second. [degC]  (n,) -> (n,)

    No row of lags has this response: (1 + s z) / ((1 + s t1) (1 + s t2)), with a zero (textbook result).
    """
    return share * lagged(temperature_c, lags_s[0]) + (1 - share) * lagged(temperature_c, lags_s[1])


def dragged(temperature_c: Floats, width_c: float) -> Floats:
    """Where a slot of this width stands that the temperature drags along, -1/2 (cooled) to +1/2 (heated).  (n,) -> (n,)

    The play operator in its recursive form (M. Brokate and J. Sprekels, Hysteresis and Phase Transitions, Springer 1996, 2.3;
    citation from memory); it starts in its middle.
    """
    slot, place = temperature_c[0], np.empty_like(temperature_c)
    for index, now in enumerate(temperature_c):
        slot = min(max(slot, now - width_c / 2), now + width_c / 2)
        place[index] = (now - slot) / width_c
    return place


def walked(count: int, ppb_per_root_hour: float, rng: np.random.Generator) -> Floats:
    """Random-walk frequency noise from row to row, 0 at the start: independent normal steps. [ppb]  -> (count,)

    The variance after a time t is the rate squared times t (Wiener process; IEEE Std 1139 calls it random walk FM).
    """
    steps = rng.normal(size=count) * ppb_per_root_hour * np.sqrt(ROW_S / 3600.0)
    return np.cumsum(np.concatenate([[0.0], steps[1:]]))


def ideal(value: Floats, _: np.random.Generator) -> Floats:
    """An instrument that shows what is there."""
    return value


def rounded(step: float) -> Reading:
    """An instrument that rounds to the nearest step."""
    return lambda value, rng: np.round(value / step) * step


def truncated(step: float) -> Reading:
    """An instrument that cuts off what is below a step."""
    return lambda value, rng: np.floor(value / step) * step


def counted(nominal_hz: float, gate_s: float, jitter_s: float) -> Reading:
    """Whole cycles in a gate that a reference's pulses open and close, each with normal jitter; the phase is random. [ppb]"""

    def read(offset_ppb: Floats, rng: np.random.Generator) -> Floats:
        jitter = rng.normal(size=(2, offset_ppb.size)) * jitter_s
        cycles = nominal_hz * (1 + offset_ppb * 1e-9) * (gate_s + jitter[1] - jitter[0])
        count = np.floor(cycles + rng.uniform(size=offset_ppb.size))
        return np.asarray((count / (nominal_hz * gate_s) - 1) * 1e9)

    return read


@dataclass(frozen=True, kw_only=True)
class Log:
    """What was logged, and the truth beside it; each of shape (n,)."""

    time_s: Floats
    sensor_c: Floats
    offset_ppb: Floats
    crystal_c: Floats
    true_ppb: Floats
    """The curve at the crystal's temperature, without noise."""

    def write(self, path: Path) -> Path:
        """As a CSV file with the columns time_s, temp_c, offset_ppb."""
        rows = zip(self.time_s, self.sensor_c, self.offset_ppb, strict=True)
        text = "".join(f"{time:.0f},{sensor:.6g},{offset:.12g}\n" for time, sensor, offset in rows)
        path.write_text("time_s,temp_c,offset_ppb\n" + text, encoding="utf-8")
        return path


def simulate(
    seed: int,
    *,
    chamber: Floats | None = None,
    curve: Callable[[Floats], Floats] = at_cubic,
    lag_s: float = 110.0,
    noise_ppb: float = 1.5,
    sensor_noise_c: float = 0.0,
    counter: Reading = ideal,
    sensor: Reading = ideal,
    path: Callable[[Floats], Floats] | None = None,
    sensed: Callable[[Floats], Floats] = lambda temperature_c: temperature_c,
    besides_ppb: Callable[[Floats, Floats, np.random.Generator], Floats] | None = None,
) -> Log:
    """A run on a chamber's temperature (by default ``two_rates``), read each ROW_S seconds.

    ``path`` makes the crystal's temperature of the chamber's (by default one lag), ``sensed`` the sensor's, and
    ``besides_ppb`` of times, crystal temperatures and a generator what moves the offset besides.
    """
    rng = np.random.default_rng(seed)
    chamber = two_rates() if chamber is None else chamber
    crystal_c = (lagged(chamber, lag_s) if path is None else path(chamber))[::ROW_S]
    sensed_c = sensed(chamber)[::ROW_S] + rng.normal(size=crystal_c.size) * sensor_noise_c
    true_ppb = curve(crystal_c)
    noise = rng.normal(size=true_ppb.size) * noise_ppb
    if besides_ppb is not None:
        noise = noise + besides_ppb(np.arange(crystal_c.size, dtype=float) * ROW_S, crystal_c, rng)
    offset_ppb = counter(true_ppb + noise, rng)
    return Log(
        time_s=np.arange(crystal_c.size, dtype=float) * ROW_S,
        sensor_c=sensor(sensed_c, rng),
        offset_ppb=offset_ppb,
        crystal_c=crystal_c,
        true_ppb=true_ppb,
    )


def jumped(log: Log, at_s: float, height_ppb: float) -> Log:
    """The same log with the crystal's frequency stepping at a time, and staying there."""
    step_ppb = np.where(log.time_s >= at_s, height_ppb, 0.0)
    return replace(log, offset_ppb=log.offset_ppb + step_ppb, true_ppb=log.true_ppb + step_ppb)


def replaced(log: Log, offset_ppb: Floats) -> Log:
    """The same log with other readings."""
    return replace(log, offset_ppb=offset_ppb)
