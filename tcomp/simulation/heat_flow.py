"""Heat on its way: first-order lags, exact for an input that is straight between grid points."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import accumulate

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import JobError

FloatArray = NDArray[np.float64]


def first_order_lag(input_c: FloatArray, tau_s: float, step_s: float) -> FloatArray:
    """Temperature of a body that follows its surroundings, tau dT/dt = T_around - T.

    The update is exact for an input that runs straight from one grid point to the next:
    T1 = u1 - r tau + (T0 - u0 + r tau) exp(-step / tau), with r = (u1 - u0) / step.
    The body starts in balance with the first value of the input.

    Parameters
    ----------
    input_c : ndarray of shape (n,)
        Temperature of the surroundings on an even time grid. [degC]
    tau_s : float
        Time constant; 0 means that the body follows at once. [s]
    step_s : float
        Step of the time grid. [s]

    Returns
    -------
    ndarray of shape (n,)
        Temperature of the body. [degC]

    Raises
    ------
    JobError
        tau_s is negative.

    Examples
    --------
    On a long ramp the body trails by rate times tau, here 0.02 degC/s times 50 s:

    >>> ramp_c = 0.02 * np.arange(1001.0)
    >>> float(round(ramp_c[-1] - first_order_lag(ramp_c, 50.0, 1.0)[-1], 6))
    1.0
    """
    if tau_s < 0:
        raise JobError(
            f"simulation: a time constant is {tau_s:g} s; expected 0 s or more; nothing answers before it is asked"
        )
    if tau_s == 0:
        return input_c.copy()
    keep = math.exp(-step_s / tau_s)
    rise_c = np.diff(input_c) * (tau_s / step_s)
    drive_c = input_c[1:] - rise_c - keep * (input_c[:-1] - rise_c)

    def response_c() -> Iterator[float]:
        return accumulate(drive_c.tolist(), lambda body_c, push_c: keep * body_c + push_c, initial=float(input_c[0]))

    return np.fromiter(response_c(), dtype=np.float64, count=len(input_c))


@dataclass(frozen=True)
class ThermalPath:
    """What stands between two places: lags in a row, none for no delay at all.

    Parameters
    ----------
    time_constants_s : tuple of float
        One for each body on the way. [s]

    Examples
    --------
    >>> ThermalPath((120.0, 30.0)).delay_s
    150.0
    """

    time_constants_s: tuple[float, ...] = ()

    @property
    def delay_s(self) -> float:
        """How far the far end trails on a long ramp: the time constants' sum. [s]"""
        return math.fsum(self.time_constants_s)

    def seen_c(self, input_c: FloatArray, step_s: float) -> FloatArray:
        """Temperature at the far end, of the same shape as the input. [degC]"""
        for tau_s in self.time_constants_s:
            input_c = first_order_lag(input_c, tau_s, step_s)
        return input_c
