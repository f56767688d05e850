"""Types of arrays, and the robust measure of scatter that many modules share."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

MAD_TO_SD = 1.4826
"""Standard deviation of a normal distribution over its median absolute deviation (1 / 0.67449, the quartile of a normal
distribution; any table of it)."""


def robust_sd(deviations: FloatArray) -> float:
    """Standard deviation of normal noise from deviations about zero, insensitive to a few gross errors.

    Parameters
    ----------
    deviations : ndarray
        Deviations from their centre, of any shape but empty.

    Examples
    --------
    >>> robust_sd(np.array([-1.0, 0.5, 1.0, -0.5, 1e6]))
    1.4826
    """
    return MAD_TO_SD * float(np.median(np.abs(deviations)))


def shaped_as(given: Any, compute: Callable[[FloatArray], FloatArray], name: str) -> Any:
    """Compute a value for each of the numbers given, in their container.

    Parameters
    ----------
    given : float, array-like, or pandas.Series
    compute : callable
        From an array of shape (n,) to one of the same shape.
    name : str
        Of the Series that is returned for a Series; its index is kept.

    Examples
    --------
    >>> shaped_as(3, np.square, "squares"), shaped_as([[1, 2]], np.square, "squares").shape
    (9.0, (1, 2))
    """
    values = np.asarray(given, dtype=np.float64)
    computed = compute(values.ravel()).reshape(values.shape)
    if hasattr(given, "index") and hasattr(given, "to_numpy"):
        import pandas as pd

        return pd.Series(computed, index=given.index, name=name)
    return float(computed) if values.ndim == 0 else computed
