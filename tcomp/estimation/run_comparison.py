"""Runs held against each other before they are joined: one crystal has one shape, and a base that moves a little.

Each part of the runs that goes over much of the range is given a shape of its own, a polynomial of degree 3 beside the
common curve, and all else is fitted jointly.  So a lag, an ageing or a loop that all runs share makes no difference of
shape, and what the runs cannot tell apart from one stands in the uncertainty.  A crystal keeps its shape; retrace, ageing
and the loop's branches move its base, and by no more than quartz does.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import CurveError
from tcomp.estimation.basis import Basis, ChebyshevBasis
from tcomp.estimation.effects import FAMILY, BasePerRun
from tcomp.estimation.joint_fit import JointFit
from tcomp.estimation.samples import Samples
from tcomp.estimation.typical import figure, typical
from tcomp.units import SECONDS_PER_DAY, short, utc

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

DEGREE = 3
"""Of a part's own shape: what two crystals of a cut differ by is a line, those of two cuts a parabola and a cubic."""
WIDE = 0.5
"""Share of the range that a part must go over to be compared: a narrower one does not tell four coefficients."""
MIN_SAMPLES = 40
"""Fewer samples of a part identify no shape, nor gross errors among them."""
GRID = 101
SURE = 6.0
"""Standard uncertainties by which shapes must differ. The largest of a hundred correlated temperatures is taken, and the
uncertainty rests on few stretches: 3 would be exceeded by chance (simulated: benchmarks/run_comparison.py)."""
ALIKE = 0.3
"""Share of a difference that may be left where a single reason, such as another sign, is to explain it."""


@dataclass(frozen=True, kw_only=True)
class RunShapes:
    """A basis for all samples of the runs: the common curve, and beside it a shape of its own for each compared part but
    the last.

    ``part`` numbers the compared part that each sample belongs to, -1 for none; shape (n,).  ``values`` takes as many
    temperatures as there are samples.
    """

    common: Basis
    part: Ints = field(repr=False)
    names: tuple[int, ...]
    """Which part of the runs each compared one is."""
    overlap_c: tuple[float, float]
    """Temperatures that all compared parts went over."""

    @property
    def low_c(self) -> float:
        """Lower end of the range. [degC]"""
        return self.common.low_c

    @property
    def high_c(self) -> float:
        """Upper end of the range. [degC]"""
        return self.common.high_c

    @property
    def size(self) -> int:
        """Number of columns."""
        return self.common.size + DEGREE * (len(self.names) - 1)

    def values(self, temperature_c: Floats) -> Floats:
        """Columns, shape (n, size)."""
        return self._columns(self.common.values(temperature_c), self.own_values(temperature_c))

    def slopes(self, temperature_c: Floats) -> Floats:
        """Their derivatives. [1/degC]"""
        return self._columns(self.common.slopes(temperature_c), self._shape.slopes(temperature_c)[:, 1:])

    def slope(self, temperature_c: Floats, coef: Floats) -> Floats:
        """The derivative of the curves of these coefficients, each sample's own, shape (n,). [ppb/degC]"""
        return np.asarray(self.slopes(temperature_c) @ coef)

    def own_values(self, temperature_c: Floats) -> Floats:
        """Columns of a part's own shape, whose mean over the common temperatures is 0: a base is no shape."""
        columns = self._shape.values(temperature_c)[:, 1:]
        return np.asarray(columns - self._shape.values(np.linspace(*self.overlap_c, GRID))[:, 1:].mean(axis=0))

    @property
    def _shape(self) -> ChebyshevBasis:
        return ChebyshevBasis(DEGREE, self.low_c, self.high_c)

    def _columns(self, common: Floats, own: Floats) -> Floats:
        parts = [np.where((self.part == number)[:, None], own, 0.0) for number in range(len(self.names) - 1)]
        return np.hstack([common, *parts])


def run_shapes(common: Basis, part: Ints, temperature_c: Floats) -> RunShapes | None:
    """The basis that gives each part a shape of its own; None where fewer than two go over much of the range.

    Parameters
    ----------
    common : Basis
        The common curve.
    part : ndarray of shape (n,)
        Part of the runs, each with a base of its own, that a sample belongs to.
    temperature_c : ndarray of shape (n,)
        The sensor's temperature. [degC]
    """
    inside_c = np.clip(temperature_c, common.low_c, common.high_c)
    wide, ends = [], []
    for name in range(int(part.max()) + 1):
        own_c = inside_c[part == name]
        if own_c.size >= MIN_SAMPLES and np.ptp(own_c) >= WIDE * (common.high_c - common.low_c):
            wide.append(name)
            ends.append((float(own_c.min()), float(own_c.max())))
    if len(wide) < 2:
        return None
    overlap_c = max(low for low, _ in ends), min(high for _, high in ends)
    if overlap_c[1] - overlap_c[0] < WIDE / 2 * (common.high_c - common.low_c):
        return None
    numbers = np.full(int(part.max()) + 1, -1)
    numbers[wide] = np.arange(len(wide))
    return RunShapes(common=common, part=numbers[part], names=tuple(wide), overlap_c=overlap_c)


@dataclass(frozen=True, kw_only=True)
class Difference:
    """How far two parts of the runs lie apart: in shape, at the temperature where that is surest, and in base.

    All figures are the first less the second.  Temperatures in degC, the rest in ppb.
    """

    first: str
    second: str
    of_two_runs: bool
    """False: they are stretches of one run, between which the frequency steps."""
    shape_c: float
    shape_ppb: float
    shape_u_ppb: float
    base_ppb: float
    base_u_ppb: float
    low_c: float
    high_c: float
    likely: str
    """What would explain the shape, in a clause; empty: nothing simple."""

    @property
    def seen(self) -> bool:
        """Whether the shapes differ beyond chance."""
        return abs(self.shape_ppb) > SURE * self.shape_u_ppb

    @property
    def unlike(self) -> bool:
        """Whether the shapes differ by more than one crystal's own do, a loop being taken on other branches."""
        return abs(self.shape_ppb) - SURE * self.shape_u_ppb > typical("crystal", "hysteresis_ppb").value

    @property
    def words(self) -> str:
        """Both differences with their uncertainties, and what would explain them."""
        likely = f"; {self.likely}" if self.likely else ""
        return (
            f"{self.first} and {self.second} have curves of different shapes: between {self.low_c:.3g} and {self.high_c:.3g} "
            f"degC they differ by up to {short(abs(self.shape_ppb))} ppb (u {short(self.shape_u_ppb)}), besides "
            f"{short(abs(self.base_ppb))} ppb (u {short(self.base_u_ppb)}) in base{likely}"
        )


def refuse_unlike(found: tuple[Difference, ...]) -> None:
    """Refuse runs whose shapes differ by more than one crystal's do.

    Raises
    ------
    CurveError
        They do.
    """
    unlike = [one for one in found if one.unlike]
    if not unlike:
        return
    worst = max(unlike, key=lambda one: abs(one.shape_ppb) - SURE * one.shape_u_ppb)
    alone = "build each alone" if worst.of_two_runs else "cut the log there and build the part that is right"
    raise CurveError(
        f'{worst.words}; {alone}, or set [fit] unlike_runs = "join" if they are of one oscillator all the same'
    )


def differences(fit: JointFit, samples: Samples) -> tuple[Difference, ...]:
    """Of a fit over `RunShapes`, the difference of every two compared parts."""
    shapes = fit.model.basis
    if not isinstance(shapes, RunShapes):
        return ()
    grid_c = np.linspace(*shapes.overlap_c, GRID)
    common_ppb = shapes.common.values(grid_c) @ fit.coef[: shapes.common.size]
    parts = [np.flatnonzero(fit.model.effects.of(BasePerRun).part == part) for part in shapes.names]
    names = [_part_name(samples, own) for own in parts]
    found = []
    for i, j in combinations(range(len(shapes.names)), 2):
        own_rows = [_own_rows(shapes, number, grid_c) for number in (i, j)]
        rows = own_rows[0] - own_rows[1]
        apart_ppb = rows @ fit.coef
        u_ppb = np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", rows, fit.covariance, rows), 0.0))
        at = int(np.argmax(np.abs(apart_ppb) - SURE * u_ppb))
        base_ppb, base_u_ppb = base_difference(fit, shapes.names[i], shapes.names[j])
        found.append(Difference(
            first=names[i], second=names[j], of_two_runs=_run_of(samples, parts[i]) != _run_of(samples, parts[j]),
            shape_c=float(grid_c[at]), shape_ppb=float(apart_ppb[at]), shape_u_ppb=float(u_ppb[at]),
            base_ppb=base_ppb, base_u_ppb=base_u_ppb, low_c=shapes.overlap_c[0], high_c=shapes.overlap_c[1],
            likely=likely_reason(grid_c, *(common_ppb + own @ fit.coef for own in own_rows)),
        ))  # fmt: skip
    return tuple(found)


def _own_rows(shapes: RunShapes, number: int, temperature_c: Floats) -> Floats:
    """Rows that give a compared part's own shape from all coefficients, shape (n, size)."""
    rows = np.zeros((temperature_c.size, shapes.size))
    if number < len(shapes.names) - 1:
        first = shapes.common.size + DEGREE * number
        rows[:, first : first + DEGREE] = shapes.own_values(temperature_c)
    return rows


def base_difference(fit: JointFit, first: int, second: int) -> tuple[float, float]:
    """Base of a part less that of another, and its standard uncertainty. [ppb]"""
    base = fit.model.effects.of(BasePerRun)
    return base.difference(fit.effect_coef[base.name], fit.effect_covariance(base.name), first, second)


def _run_of(samples: Samples, own: Ints) -> int:
    return int(samples.run[own[0]])


def _part_name(samples: Samples, own: Ints) -> str:
    """The run that some samples are, or the stretch of it."""
    run = _run_of(samples, own)
    if own.size == np.count_nonzero(samples.run == run) or not samples.has_time:
        return samples.run_name(run)
    start, stop = (utc(float(samples.time_s[index])) for index in (own[0], own[-1]))
    return f"{samples.run_name(run)} from {start} to {stop}"


@dataclass(frozen=True, kw_only=True)
class BaseStep:
    """By how much the base moved from one run to the next, and by how much retrace, loop and ageing may move it. [ppb]"""

    before: str
    after: str
    step_ppb: float
    u_ppb: float
    days: float
    allowed_ppb: float

    @property
    def beyond(self) -> bool:
        """Whether it moved by more than quartz does."""
        return abs(self.step_ppb) - SURE * self.u_ppb > self.allowed_ppb

    @property
    def words(self) -> str:
        """The step, with its uncertainty."""
        return f"from {self.before} to {self.after} the base moved by {self.step_ppb:+.4g} ppb (u {short(self.u_ppb)})"

    @property
    def warning(self) -> str:
        """The same, for a step that is too large."""
        return (
            f"{self.words}, more than the {short(self.allowed_ppb)} ppb that retrace, the loop and {self.days:.3g} days of "
            "ageing usually do: another oscillator, another supply or reference, or a board that was heated or shaken? The curve's "
            "base is that of the last run"
        )


def base_steps(fit: JointFit, samples: Samples, retrace_ppb: float | None) -> tuple[BaseStep, ...]:
    """How the base moved from run to run, besides the ageing that was found.

    Parameters
    ----------
    fit : JointFit
        With a base for each part of the runs.
    samples : Samples
    retrace_ppb : float or None
        What the job says of it; None: a typical figure. [ppb]
    """
    effects = fit.model.effects
    part = effects.of(BasePerRun).part
    found = []
    for run in range(int(samples.run.max())):
        before, after = (np.flatnonzero(samples.run == number) for number in (run, run + 1))
        step_ppb, u_ppb = base_difference(fit, int(part[after[0]]), int(part[before[-1]]))
        days = abs(float(np.median(samples.time_s[after]) - np.median(samples.time_s[before]))) / SECONDS_PER_DAY
        days = days if samples.has_clock else 0.0
        usual_ppb = math.fsum(one.usual_step_ppb(days, estimated=one.name in effects) for one in FAMILY)
        retrace = figure(retrace_ppb, "crystal", "retrace_ppb").value
        found.append(BaseStep(
            before=samples.run_name(run), after=samples.run_name(run + 1), step_ppb=step_ppb, u_ppb=u_ppb, days=days,
            allowed_ppb=retrace + usual_ppb,
        ))  # fmt: skip
    return tuple(found)


def likely_reason(temperature_c: Floats, one_ppb: Floats, other_ppb: Floats) -> str:
    """What single mistake makes two curves differ in shape; empty if none explains most of it.

    Examples
    --------
    >>> T = np.linspace(0.0, 50.0, 101)
    >>> cubic = 0.1 * (T - 25.0) ** 3 - 40.0 * T
    >>> likely_reason(T, cubic, -cubic)
    'the first looks like the second with its sign turned round (see role in [[run]], or the order of the columns)'
    >>> likely_reason(T, 0.1 * (T - 27.0) ** 3 - 40.0 * T, cubic)
    'the first looks like the second with its sensor reading 2.0 degC higher'
    >>> likely_reason(T, cubic + 5.0 * T, cubic)
    'they differ by 5.00 ppb/degC, as two crystals do'
    """
    one, other = one_ppb - one_ppb.mean(), other_ppb - other_ppb.mean()
    apart, mean = one - other, (one + other) / 2
    size = float(np.sqrt(apart @ apart))

    def share_left(column: Floats) -> tuple[float, float]:
        squares = float(column @ column)
        factor = float(column @ apart) / squares if squares > 0 else 0.0
        left = apart - factor * column
        return factor, float(np.sqrt(left @ left)) / size if size > 0 else 1.0

    if 2 * float(np.sqrt(mean @ mean)) < ALIKE * size:
        return "the first looks like the second with its sign turned round (see role in [[run]], or the order of the columns)"
    slope = np.gradient(mean, temperature_c)
    line_ppb_per_c, left_by_line = share_left(temperature_c - temperature_c.mean())
    shift_c, left_by_shift = share_left(slope - slope.mean())
    if left_by_shift < min(ALIKE, left_by_line):
        moved = "lower" if shift_c > 0 else "higher"
        return f"the first looks like the second with its sensor reading {abs(shift_c):.1f} degC {moved}"
    if left_by_line < ALIKE:
        return f"they differ by {abs(line_ppb_per_c):.2f} ppb/degC, as two crystals do"
    return ""
