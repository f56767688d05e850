"""Invented compensated oscillators for recovery tests: a small curve of high order, and a response to changing temperature.

The crystal and its compensation sit at two places of one heat flow, so that heating and cooling differ by the slope of the
uncompensated crystal times what the one is behind the other.  All figures are invented; none is of a real part.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from independent import Floats, Log, chamber_c, lagged

MOST_PPB = 400.0
"""Of a response at 1 degC/min, so that no loop at 0.4 degC/min is wider than 320 ppb."""
LOW_C, START_C, HIGH_C = -30.0, 25.0, 85.0


@dataclass(frozen=True, kw_only=True)
class Part:
    """An oscillator: its curve [ppb], its response [ppb at 1 degC/min], both of the crystal's temperature [degC], and the time
    constants of crystal and response. [s]"""

    curve: Callable[[Floats], Floats]
    response: Callable[[Floats], Floats]
    lag_s: float
    tau_s: float


def one_way_up_and_down(c_per_min: float = 0.4, soak_min: float = 5.0) -> Floats:
    """25, -30, 85, 25 degC, each second: some 9.4 h at the usual rate."""

    def minutes(from_c: float, to_c: float) -> float:
        return abs(to_c - from_c) / c_per_min

    return chamber_c(
        [
            (START_C, soak_min), (LOW_C, minutes(START_C, LOW_C)), (LOW_C, soak_min), (HIGH_C, minutes(LOW_C, HIGH_C)),
            (HIGH_C, soak_min), (START_C, minutes(HIGH_C, START_C)), (START_C, soak_min),
        ],
        START_C,
    )  # fmt: skip


def part(seed: int) -> Part:
    """One of a family: a shape of some +-80 to +-250 ppb of order 4 to 7, heating and cooling apart by 200 ppb at 0.4 degC/min.

    The response is a parabola that is zero near the turning points of the uncompensated crystal, or a cubic of either sign.
    """
    rng = np.random.default_rng(1000 + seed)
    order = int(rng.integers(4, 8))
    shape = np.concatenate([[rng.normal() * 300, 0.0], rng.normal(size=order - 1) / np.arange(1, order)])
    scaled = np.linspace(-1, 1, 201)
    shape[1:] *= rng.uniform(80, 250) / np.abs(np.polynomial.chebyshev.chebval(scaled, shape)[:] - shape[0]).max()
    low_c, high_c = rng.normal(-15, 8), rng.normal(65, 8)
    sign, bent = rng.choice([-1.0, 1.0]), rng.normal() * 0.3
    peak_ppb = rng.uniform(200, 300)

    def curve(temperature_c: Floats) -> Floats:
        return np.asarray(np.polynomial.chebyshev.chebval((temperature_c - 27.5) / 57.5, shape))

    def response(temperature_c: Floats) -> Floats:
        middle_c, half_c = (low_c + high_c) / 2, (high_c - low_c) / 2
        u = (temperature_c - middle_c) / half_c
        return np.asarray(sign * peak_ppb * (1 - u**2) * (1 + bent * u))

    peak_ppb *= min(1.0, MOST_PPB / float(np.abs(response(np.linspace(LOW_C, HIGH_C, 201))).max()))

    return Part(curve=curve, response=response, lag_s=float(rng.uniform(20, 90)), tau_s=float(rng.uniform(60, 300)))


def simulate_part(
    seed: int, oscillator: Part, chamber: Floats | None = None, *, row_s: int = 40, noise_ppb: float = 3.0,
    retrace_ppb: float = 0.0, sensor_noise_c: float = 0.0,
) -> Log:  # fmt: skip
    """A log: the response goes with the rate of the crystal's temperature behind a first-order low-pass."""
    rng = np.random.default_rng(seed)
    chamber = one_way_up_and_down() if chamber is None else chamber
    crystal_c = lagged(chamber, oscillator.lag_s)
    rate = (crystal_c - lagged(crystal_c, oscillator.tau_s)) / oscillator.tau_s * 60
    rows = slice(None, None, row_s)
    static_ppb = oscillator.curve(crystal_c)
    true_ppb = (static_ppb + oscillator.response(crystal_c) * rate)[rows]
    if retrace_ppb:  # each leg shifts the base a little, as a real part's does
        turns = np.cumsum(np.abs(np.diff(np.sign(np.diff(chamber[rows], prepend=chamber[0])), prepend=0)) > 0)
        true_ppb = true_ppb + rng.normal(size=turns.max() + 1)[turns] * retrace_ppb
    return Log(
        time_s=np.arange(true_ppb.size, dtype=float) * row_s,
        sensor_c=chamber[rows] + rng.normal(size=true_ppb.size) * sensor_noise_c,
        offset_ppb=true_ppb + rng.normal(size=true_ppb.size) * noise_ppb,
        crystal_c=crystal_c[rows],
        true_ppb=true_ppb,
    )
