"""The curves that compete, from the simplest on."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tcomp.estimation.basis import Basis, ChebyshevBasis
from tcomp.estimation.parameters import Parameter, cubic_parameters, parabola_parameters

Floats = NDArray[np.float64]

SPLINE_AT_LEAST = 4
"""What the spline's penalty leaves free: a cubic."""
FORMS: dict[str, tuple[int, Callable[[ChebyshevBasis, Floats, Floats], tuple[Parameter, ...]], str]] = {
    "AT": (3, cubic_parameters, "cubic about the inflection temperature"),
    "SC": (3, cubic_parameters, "cubic about the inflection temperature"),
    "BT": (2, parabola_parameters, "parabola about the turnover temperature"),
    "tuning-fork": (2, parabola_parameters, "parabola about the turnover temperature"),
}


@dataclass(frozen=True)
class Candidate:
    """A curve by its name in the job file, its degree (None: the penalised spline) and what it is in words."""

    name: str
    degree: int | None
    words: str

    @property
    def size(self) -> int:
        """Number of coefficients that it needs at least."""
        return SPLINE_AT_LEAST if self.degree is None else self.degree + 1


def candidates(models: str | tuple[str, ...], cut: str) -> tuple[Candidate, ...]:
    """The candidates that a job asks for, simplest first.

    With "auto" these are the polynomials of degree 1 to 9, the one of the crystal's own degree
    under the crystal's name (it is the same function, and its parameters mean something), and
    behind them the penalised spline.

    Examples
    --------
    >>> [c.name for c in candidates("auto", "tuning-fork")][:3]
    ['poly1', 'crystal', 'poly3']
    """
    form = FORMS.get(cut)
    if models == "auto":
        names = [f"poly{degree}" for degree in range(1, 10) if form is None or degree != form[0]]
        names += ["crystal", "spline"] if form else ["spline"]
    else:
        names = list(dict.fromkeys(models))
    found = []
    for name in names:
        if name == "spline":
            found.append(Candidate(name, None, "penalised cubic spline"))
            continue
        if name != "crystal":
            found.append(Candidate(name, int(name[4:]), f"polynomial of degree {name[4:]}"))
            continue
        for degree, words in sorted({(f[0], f[2]) for f in ([form] if form else FORMS.values())}):
            found.append(Candidate(name if form else f"crystal{degree}", degree, words))
    return tuple(sorted(found, key=lambda candidate: (candidate.degree is None, candidate.size)))


def physical_parameters(name: str, basis: Basis, coef: Floats, covariance: Floats) -> tuple[Parameter, ...]:
    """Physical parameters of a crystal's own form; none for a plain polynomial."""
    if not name.startswith("crystal") or not isinstance(basis, ChebyshevBasis):
        return ()
    return (cubic_parameters if basis.degree == 3 else parabola_parameters)(basis, coef, covariance)
