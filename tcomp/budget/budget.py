"""An uncertainty budget after JCGM 100:2008: a line per contribution, summed as variances, with effective degrees of freedom."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal

COVERED = 0.9545
"""Share that k = 2 covers of a normal distribution (JCGM 100, Table G.1)."""
Evaluated = Literal["A", "B"]
"""A: from a series of observations; B: by other means (JCGM 100, 4.2 and 4.3)."""


@dataclass(frozen=True)
class Line:
    """One contribution: an input quantity's standard uncertainty, and how far it moves the result.

    ``u`` is in ``unit``, ``sensitivity`` in result per ``unit``, ``basis`` says where the figure comes from.  ``known`` is the part
    of the error that is known and not corrected, in the result's unit: it is added as it is (JCGM 100, F.2.4.5).
    """

    name: str
    u: float
    sensitivity: float = 1.0
    dof: float = math.inf
    evaluated: Evaluated = "B"
    distribution: str = "normal"
    unit: str = "ppb"
    basis: str = ""
    assumed: bool = False
    known: float = 0.0

    @property
    def contribution(self) -> float:
        """Standard uncertainty of the result from this line alone, in the result's unit."""
        return abs(self.sensitivity) * self.u

    @property
    def rms(self) -> float:
        """How large it is: root mean square of its error, what is known of it included, in the result's unit."""
        return math.hypot(self.contribution, self.known)


@dataclass(frozen=True)
class Budget:
    """Lines that do not depend on each other.

    Examples
    --------
    >>> budget = Budget((Line("a", 3.0, dof=9), Line("b", 4.0)))
    >>> budget.u, round(budget.dof, 2), round(budget.factor(), 2)
    (5.0, 69.44, 2.04)
    """

    lines: tuple[Line, ...]

    @property
    def u(self) -> float:
        """Combined standard uncertainty (JCGM 100, equation 10)."""
        return math.hypot(*(line.contribution for line in self.lines))

    @property
    def dof(self) -> float:
        """Effective degrees of freedom after Welch and Satterthwaite (JCGM 100, equation G.2b)."""
        shares = math.fsum(line.contribution**4 / line.dof for line in self.lines)
        return self.u**4 / shares if shares > 0 else math.inf

    def factor(self, covered: float = COVERED) -> float:
        """Coverage factor: Student's t, the degrees of freedom cut to a whole number (JCGM 100, G.4.1)."""
        from scipy.special import ndtri, stdtrit

        if math.isinf(self.dof):
            return float(ndtri(0.5 + covered / 2))
        return float(stdtrit(max(1.0, float(math.floor(self.dof))), 0.5 + covered / 2))  # beyond 2**63, too

    @property
    def known(self) -> float:
        """What is known and not corrected, of all lines together."""
        return math.fsum(line.known for line in self.lines)

    def expanded(self, covered: float = COVERED) -> float:
        """Expanded uncertainty for a share covered, that of k = 2 by default, and what is known on top (JCGM 100, F.2.4.5).

        >>> budget = Budget((Line("noise", 1.0), Line("drift", 0.5, known=-10.0)))
        >>> round(budget.expanded(), 2)
        12.24
        """
        return abs(self.known) + self.factor(covered) * self.u

    def share(self, line: Line) -> float:
        """The part of the mean square that a line brings, what is known of it included."""
        whole = math.hypot(*(one.rms for one in self.lines))
        return (line.rms / whole) ** 2 if whole > 0 else 0.0

    @property
    def largest(self) -> Line:
        """The line that brings most."""
        return max(self.lines, key=lambda line: line.rms)


def sensitivities(
    model: Callable[..., float], values: Mapping[str, float], steps: Mapping[str, float]
) -> dict[str, float]:
    """Partial derivatives by central differences over one standard uncertainty each way (JCGM 100, 5.1.3, note 2).

    >>> sensitivities(lambda a, b: a * b, {"a": 2.0, "b": 5.0}, {"a": 0.1, "b": 0.1})
    {'a': 5.0, 'b': 2.0}
    """
    found = {}
    for name, step in steps.items():
        above, below = (model(**{**values, name: values[name] + sign * step}) for sign in (1, -1))
        found[name] = round((above - below) / (2 * step), 12) if step else 0.0
    return found


def same_figures(first: float, second: float, digits: int = 2) -> bool:
    """Whether two uncertainties agree within half a unit of the last of so many digits (JCGM 101:2008, 8.1).

    >>> same_figures(2.0, 2.04), same_figures(2.0, 2.06)
    (True, False)
    """
    if first == 0:
        return second == 0
    tolerance = 0.5 * 10.0 ** (math.floor(math.log10(abs(first))) - digits + 1)
    return abs(first - second) <= tolerance
