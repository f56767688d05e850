"""The curves of all units in one basis: what a prior is learnt from, and what odd units are found by."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tcomp.curve.curve import Curve
from tcomp.model.basis import ChebyshevBasis

Floats = NDArray[np.float64]
SHORT = 0.1
"""Share of the lot's usual range by which a unit's may end early at either side."""
MOST = 9
"""Highest degree of the common basis, as of the polynomials that compete."""
WELL = 0.1
"""Share of the units' held-out RMS below which the common basis may miss their curves: it adds half a percent to it."""


@dataclass(frozen=True, eq=False)
class Curves:
    """Units' curves in one basis.

    Attributes
    ----------
    basis : ChebyshevBasis
        Over the range that all of these units share.
    names : tuple of str, length n
        The units.
    coef, own : ndarray of shape (n, k), (n, k, k)
        Their coefficients and the covariance of each. [ppb, ppb**2]
    missed_ppb : float
        RMS of what the basis cannot follow, of the unit where that is the median.
    short : tuple of str
        Units whose range ends so early that they are left out.
    """

    basis: ChebyshevBasis
    names: tuple[str, ...]
    coef: Floats
    own: Floats
    missed_ppb: float
    short: tuple[str, ...]


def common_curves(curves: Mapping[str, Curve]) -> Curves | None:
    """Curves by unit, brought to the lowest degree that follows most of them; None where no two share a range."""
    names, short = _of_usual_range(curves)
    kept = [curves[name] for name in names]
    low_c, high_c = max((c.low_c for c in kept), default=0.0), min((c.high_c for c in kept), default=0.0)
    if len(kept) < 2 or low_c >= high_c:
        return None
    allowed_ppb = WELL * float(np.nanmedian([curve.held_out.rms_ppb for curve in kept]))
    for degree in range(1, MOST + 1):
        found = _brought(names, kept, ChebyshevBasis(degree, low_c, high_c), short)
        if found.missed_ppb <= allowed_ppb:
            break
    return found


def _of_usual_range(curves: Mapping[str, Curve]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    low_c, high_c = (
        float(np.median([getattr(c, end) for c in curves.values()] or [0.0])) for end in ("low_c", "high_c")
    )
    room_c = SHORT * (high_c - low_c)
    usual = {name: c.low_c <= low_c + room_c and c.high_c >= high_c - room_c for name, c in curves.items()}
    return tuple(n for n, is_usual in usual.items() if is_usual), tuple(
        n for n, is_usual in usual.items() if not is_usual
    )


def _brought(names: tuple[str, ...], curves: list[Curve], basis: ChebyshevBasis, short: tuple[str, ...]) -> Curves:
    """Least squares at Chebyshev's nodes: linear in a curve's coefficients, so that their covariance comes along exactly."""
    nodes = np.cos(np.pi * (np.arange(NODES) + 0.5) / NODES)
    temperature_c = 0.5 * (basis.low_c + basis.high_c) + 0.5 * (basis.high_c - basis.low_c) * nodes
    columns = basis.values(temperature_c)
    to_basis = np.linalg.pinv(columns)
    maps = [to_basis @ curve.basis.values(temperature_c) for curve in curves]
    coef = np.array([m @ np.array(curve.coef) for m, curve in zip(maps, curves, strict=True)])
    own = np.array([m @ np.array(curve.covariance) @ m.T for m, curve in zip(maps, curves, strict=True)])
    away = np.array([curve.continued_ppb(temperature_c) for curve in curves]) - coef @ columns.T
    return Curves(basis, names, coef, own, float(np.median(np.sqrt(np.mean(away**2, axis=1)))), short)


NODES = 65
"""Temperatures at which curves are compared: more than any of their bases has columns."""
