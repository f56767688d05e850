"""A smooth curve with dips: few factors of Chebyshev's polynomials, and entries of 8 bits only where the curve leaves them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise, product
from typing import Any, ClassVar

import numpy as np

from tcomp.arrays import BoolArray, FloatArray, IntArray
from tcomp.errors import TableError
from tcomp.tables.coded_curve import CodedCurve, per_code
from tcomp.tables.coefficients import ARGUMENT_BITS, LARGEST_DEGREE
from tcomp.tables.design import Designs, Family, measured
from tcomp.tables.layout import (
    INT32_MAX,
    LARGEST_UNIT_LOG2_PPT,
    ONE,
    PART_BITS,
    CorrectionTable,
    Entries,
    Interpolation,
    Layout,
    check_choice,
    check_integer,
    interpolated,
)
from tcomp.tables.layouts.chebyshev import (
    VALUE_BITS,
    ChebyshevLayout,
    chebyshev_argument,
    chebyshev_table,
)
from tcomp.tables.layouts.even import EvenLayout, even_layout
from tcomp.tables.layouts.steps import Align
from tcomp.tables.minimax import minimax_entries, sampled_entries
from tcomp.tables.rounding import best_integers, unit_ppb
from tcomp.units import PPT_PER_PPB

PATCH_BYTES = 5
"""First code (2 bytes), number of entries (1) and the factor that finds them (2)."""
LARGEST_COUNT = 255
MOST_PATCHES = 4
LARGEST_SHIFT = 15
LEVELS_PER_OCTAVE = 2
DEGREES = (2, 3, 5, 7)
"""Of what lies under the patches: a fork's, a cubic's, and those of compensated parts."""
REWEIGHTINGS = 60
"""Least absolute residuals by reweighted squares: a dip counts by its size, not by its square."""
LARGEST_SHARE = 0.5
"""Where patches cover more of the range, entries over the whole of it are smaller."""
WITHIN = 0.9
"""Share of the error that the smooth part may take where no patch is: its integers take the rest."""
FREE = 1e6
"""Times the error asked for: what is allowed to the smooth part where a patch will be."""
NARROWEST_GAP = 0.02
"""Of the range: two patches closer than that are one."""


@dataclass(frozen=True, kw_only=True)
class PatchLayout(Layout):
    """Chebyshev's polynomials over the whole range, and on some stretches, the patches, entries of 8 bits on them.

    The entries of a patch are evenly spaced, with straight lines between, and as wide as 2**entry_shift units of the
    value; what is read between them is rounded to a unit.  Outside the patches nothing is added.

    Parameters
    ----------
    middle_code, codes_to_x, fine_bits, base : int
        As of :class:`ChebyshevLayout`.
    factors : tuple of int
        Of T1, T2 ...
    starts : tuple of int
        First code of each patch, in rising order.
    counts : tuple of int
        Entries of each patch: it ends with the last code that does not reach the last of them.
    codes_to_index_q16s : tuple of int
        2**-16 intervals that a code is long, of each patch.
    entry_shift : int

    Examples
    --------
    A line of 4 units over 8 codes, and a dip of 10 over 4 of them.

    >>> layout = PatchLayout(
    ...     count=3, middle_code=4, codes_to_x=8192, fine_bits=0, base=0, factors=(4,), starts=(2,), counts=(3,),
    ...     codes_to_index_q16s=(32767,), entry_shift=1)
    >>> layout.read(np.array([0, -5, 0]), np.arange(8)).tolist()
    [-4, -3, -2, -6, -10, -4, 2, 3]
    """

    middle_code: int
    codes_to_x: int
    fine_bits: int
    base: int
    factors: tuple[int, ...]
    starts: tuple[int, ...]
    counts: tuple[int, ...]
    codes_to_index_q16s: tuple[int, ...]
    entry_shift: int
    form: ClassVar[str] = "patches"

    def __post_init__(self) -> None:
        check_integer("the number of patches", len(self.starts), 1, MOST_PATCHES)
        for name in ("counts", "codes_to_index_q16s"):
            check_integer(f"the number of {name}", len(getattr(self, name)), len(self.starts), len(self.starts))
        for factor, count in zip(self.codes_to_index_q16s, self.counts, strict=True):
            check_integer("codes_to_index_q16", factor, 1, ONE)
            check_integer("the number of entries of a patch", count, 2, LARGEST_COUNT)
        for place, factor in enumerate(self.factors):
            check_integer(f"factor {place}", factor, -(2**15), 2**15 - 1)
        check_integer("the number of factors", len(self.factors), 1, LARGEST_DEGREE)
        check_integer("entry_shift", self.entry_shift, 0, LARGEST_SHIFT)
        edges = [edge for patch in zip(self.starts, self.ends, strict=True) for edge in patch]
        for edge in edges:
            check_integer("the edge of a patch", edge, -(2**16), 2**16)
        if any(after <= before for before, after in pairwise(edges)):
            raise TableError(f"the patches' edges are {edges}; expected each above the one before")
        _ = self.smooth

    @property
    def smooth(self) -> ChebyshevLayout:
        """What the patches lie on."""
        return ChebyshevLayout(
            count=len(self.factors), middle_code=self.middle_code, codes_to_x=self.codes_to_x, fine_bits=self.fine_bits,
            base=self.base,
        )  # fmt: skip

    @property
    def ends(self) -> tuple[int, ...]:
        """Last code of each patch."""
        each = zip(self.starts, self.counts, self.codes_to_index_q16s, strict=True)
        return tuple(start + reach_codes(count, factor) for start, count, factor in each)

    @property
    def first_entries(self) -> tuple[int, ...]:
        """Place of the first entry of each patch."""
        return tuple(sum(self.counts[:place]) for place in range(len(self.counts)))

    def read(self, entries: IntArray, codes: IntArray) -> IntArray:
        """Value at codes of the range. [units of the value]"""
        value = self.smooth.read(np.array(self.factors, dtype=np.int64), codes)
        for start, end, factor, first in zip(
            self.starts, self.ends, self.codes_to_index_q16s, self.first_entries, strict=True
        ):
            # Codes outside take a place inside, and nothing of it.
            inside = (codes >= start) & (codes <= end)
            position = np.where(inside, codes - start, 0) * factor
            place = first + (position >> PART_BITS)
            before, after = entries[place] << self.entry_shift, entries[place + 1] << self.entry_shift
            value = value + np.where(inside, interpolated(before, after, position & (ONE - 1)), 0)
        return value

    @property
    def knot_codes(self) -> FloatArray:
        """Code at which each entry stands."""
        each = zip(self.starts, self.counts, self.codes_to_index_q16s, strict=True)
        return np.concatenate([start + np.arange(count) * (ONE / factor) for start, count, factor in each])

    @property
    def degree(self) -> int | None:
        """The highest power of what the patches lie on."""
        return len(self.factors)

    def value_bits(self, entry_bits: int) -> int:
        """Width of what the lookup returns. [bit]"""
        return self.smooth.value_bits(16)

    @property
    def index_bytes(self) -> int:
        """The factors with the base, and what finds the entries of each patch."""
        return 2 * len(self.factors) + self.smooth.index_bytes + PATCH_BYTES * len(self.starts)

    def raised(self, entries: Entries, units: int) -> tuple[Layout, Entries]:
        """So many units higher: the base is."""
        return replace(self, base=self.base + units), entries

    def description(self, table: CorrectionTable) -> str:
        """How the entries lie and are read."""
        each = zip(self.starts, self.ends, self.codes_to_index_q16s, strict=True)
        patches = [
            f"from code {start} to {end} one every {ONE / factor:.6g} codes ({table.degc_words(ONE / factor)} degC)"
            for start, end, factor in each
        ]
        return (
            f"{', '.join(patches)}, straight lines between, in {1 << self.entry_shift} units of the value, on the sum of "
            f"Chebyshev's polynomials T1 to T{len(self.factors)} with the factors "
            f"{', '.join(map(str, self.factors))}, that of T0 being {self.base}"
        )

    def check(self, table: CorrectionTable) -> None:
        """Check the width of the entries, and that the patches lie within the range."""
        check_choice("entry_bits", table.entry_bits, (8,))
        self.smooth.check_unit(table)
        check_integer("the start of the first patch", self.starts[0], table.low_code, table.high_code)
        check_integer("the start of the last patch", self.starts[-1], table.low_code, table.high_code)

    def check_reach(self, table: CorrectionTable) -> None:
        """Check that there are entries for all patches, and that every value fits its bits."""
        if sum(self.counts) != self.count:
            raise TableError(f"the patches read {sum(self.counts)} entries and {self.count} were given; expected equal")
        fault = self.smooth.fault(np.array(self.factors, dtype=np.int64), table.codes)
        if fault:
            raise TableError(fault)
        values, most = table.lookup(table.codes), 2 ** (self.value_bits(8) - 1)
        check_integer("the least value", int(values.min()), -most, most - 1)
        check_integer("the largest value", int(values.max()), -most, most - 1)
        check_integer("the largest value in ppt", int(np.abs(values).max()) << table.unit_log2_ppt, 0, INT32_MAX)

    @classmethod
    def from_json(cls, count: int, content: Mapping[str, Any]) -> PatchLayout:
        """Read it back."""
        lists = {"factors", "starts", "counts", "codes_to_index_q16s"}
        for name in lists:
            if not isinstance(content[name], list) or not all(isinstance(one, int) for one in content[name]):
                raise TableError(f"{name} is {content[name]!r}; expected a list of integers")
        read: dict[str, Any] = {name: tuple(one) if name in lists else one for name, one in content.items()}
        return cls(count=count, **read)


def reach_codes(count: int, codes_to_index_q16: int) -> int:
    """How many codes behind the first one so many entries reach."""
    return ((count - 1) * ONE - 1) // codes_to_index_q16


Patches = tuple[tuple[int, int], ...]
"""First and last place of each along the curve."""


def _absolute_fit(curve: CodedCurve, degree: int) -> FloatArray:
    """What a polynomial of least absolute residuals leaves of the curve, each divided by its allowance. [ppb]"""
    middle_code, codes_to_x = chebyshev_argument(curve)
    x = np.ldexp((curve.codes - middle_code).astype(np.float64) * codes_to_x, -ARGUMENT_BITS)
    stride = max(1, len(x) // 2000)
    rows = np.polynomial.chebyshev.chebvander(x, degree)
    allowance = per_code(curve.allowance, curve)
    few, target = rows[::stride] / allowance[::stride, None], curve.offset_ppb[::stride] / allowance[::stride]
    weight: FloatArray = np.ones(len(target))
    factors: FloatArray = np.zeros(degree + 1)
    for _ in range(REWEIGHTINGS):
        root = np.sqrt(weight)
        factors = np.asarray(np.linalg.lstsq(few * root[:, None], target * root, rcond=None)[0], dtype=np.float64)
        residual = np.abs(few @ factors - target)
        weight = np.asarray(1 / np.maximum(residual, 1e-3 * residual.max() + 1e-9), dtype=np.float64)
    left: FloatArray = (curve.offset_ppb - rows @ factors) / allowance
    return left


def _stretches(outside: BoolArray) -> Patches:
    """First and last place of each stretch of places that are outside; near ones are one."""
    places = np.flatnonzero(outside)
    if not len(places):
        return ()
    breaks = np.flatnonzero(np.diff(places) > NARROWEST_GAP * len(outside))
    firsts, lasts = np.append(places[0], places[breaks + 1]), np.append(places[breaks], places[-1])
    # Two codes at least, as a patch has a length.
    return tuple(
        (int(first), int(max(last, first + 1))) if last + 1 < len(outside) else (int(min(first, last - 1)), int(last))
        for first, last in zip(firsts, lasts, strict=True)
    )


@dataclass(frozen=True)
class PatchFamily(Family):
    """Patches over a polynomial of one degree."""

    degree: int
    value_bits: int
    form: ClassVar[str] = "patches"
    priority: ClassVar[int] = 1
    is_shown: ClassVar[bool] = True

    @cached_property
    def _left_ppb(self) -> FloatArray:
        return np.abs(_absolute_fit(self.curve, self.degree))

    @cached_property
    def _laid(self) -> dict[int, CorrectionTable | None]:
        return {}

    @cached_property
    def _coarsest_ppb(self) -> float:
        return max(float(self._left_ppb.max()), unit_ppb(0))

    def _error_ppb(self, size: int) -> float:
        return float(self._coarsest_ppb * 2 ** (-(size + 1) / LEVELS_PER_OCTAVE))

    @property
    def sizes(self) -> range:
        """Level of the error for which they are laid."""
        octaves = np.log2(self._coarsest_ppb / unit_ppb(0))
        return range(max(1, int(LEVELS_PER_OCTAVE * octaves)))

    def coarsest_layout(self) -> PatchLayout:
        """One patch of two entries."""
        middle_code, codes_to_x = chebyshev_argument(self.curve)
        low_code, span = self.curve.low_code, max(1, self.curve.high_code - self.curve.low_code)
        over_all = min(ONE, max(1, 2 * (ONE - 1) // span))
        return PatchLayout(
            count=2, middle_code=middle_code, codes_to_x=codes_to_x, fine_bits=0 if self.value_bits == 16 else 1, base=0,
            factors=(0,) * self.degree, starts=(low_code,), counts=(2,), codes_to_index_q16s=(over_all,),
            entry_shift=0,
        )  # fmt: skip

    def layout(self, size: int) -> Layout | None:
        """That of the table as it is laid."""
        table = self.table(size)
        return None if table is None else table.layout

    def smallest(self, max_error_ppb: float, max_bytes: float = np.inf) -> CorrectionTable | None:
        """Patches laid for just this error."""
        try:
            table = self._within(max_error_ppb, max_bytes)
        except TableError:
            return None
        return None if table is None or table.bytes > max_bytes else table

    def bytes(self, size: int) -> float:
        """Those of the table as it is laid."""
        table = self.designed(size)
        return np.inf if table is None else table.bytes

    def error_lower_bound_ppb(self, size: int) -> float:
        """The error for which they are laid, to a tenth: it is an estimate."""
        return 0.9 * self._error_ppb(size)

    def table(self, size: int) -> CorrectionTable | None:
        """Lay the patches, and design all integers."""
        if size not in self._laid:
            self._laid[size] = self.smallest(self._error_ppb(size))
        return self._laid[size]

    def _worth(self, patches: Patches) -> bool:
        covered = sum(last - first + 1 for first, last in patches)
        return 0 < len(patches) <= MOST_PATCHES and covered <= LARGEST_SHARE * len(self.curve.offset_ppb)

    def _within(self, error_ppb: float, max_bytes: float = np.inf) -> CorrectionTable | None:
        """The table of this error; None: there is none of this form, or none of so few bytes."""
        patches = _stretches(self._left_ppb > WITHIN * error_ppb)
        least_bytes = 2 * self.degree + self.value_bits // 8 + (PATCH_BYTES + 2) * len(patches)
        if not self._worth(patches) or least_bytes > max_bytes:
            return None
        allowance = per_code(self.curve.allowance, self.curve).copy()
        for first, last in patches:
            allowance[first : last + 1] *= FREE
        try:
            smooth = chebyshev_table(replace(self.curve, allowance=allowance), self.degree, self.value_bits)
        except TableError:
            return None
        rest = self.curve.less(smooth.offset_ppt(self.curve.codes) / PPT_PER_PPB)
        outside = np.abs(rest.offset_ppb) / per_code(self.curve.allowance, self.curve) > error_ppb
        patches = _stretches(outside)
        return self._patched(smooth, rest, patches, error_ppb) if self._worth(patches) else None

    def _patched(
        self, smooth: CorrectionTable, rest: CodedCurve, patches: Patches, error_ppb: float
    ) -> CorrectionTable | None:
        found = []
        inside = np.concatenate([rest.offset_ppb[first : last + 1] for first, last in patches])
        largest_units = float(np.abs(inside).max()) / unit_ppb(smooth.unit_log2_ppt)
        entry_shift = max(0, int(np.ceil(np.log2(max(largest_units, 1.0) / 127))))
        if entry_shift > LARGEST_SHIFT or smooth.unit_log2_ppt + entry_shift > LARGEST_UNIT_LOG2_PPT:
            return None
        for first, last in patches:
            one = _entries_within(rest, first, last, smooth.unit_log2_ppt, entry_shift, error_ppb)
            if one is None:
                return None
            found.append(one)
        layouts = [layout for layout, _ in found]
        if any(
            reach_codes(one.count, one.codes_to_index_q16) + one.first_code >= after.first_code
            for one, after in pairwise(layouts)
        ):
            return None
        under = smooth.layout
        assert isinstance(under, ChebyshevLayout)
        entries = tuple(entry for _, own in found for entry in own)
        layout = PatchLayout(
            count=len(entries),
            middle_code=under.middle_code,
            codes_to_x=under.codes_to_x,
            fine_bits=under.fine_bits,
            base=under.base,
            factors=smooth.entries,
            starts=tuple(layout.first_code for layout in layouts),
            counts=tuple(layout.count for layout in layouts),
            codes_to_index_q16s=tuple(layout.codes_to_index_q16 for layout in layouts),
            entry_shift=entry_shift,
        )
        table = replace(smooth, layout=layout, entry_bits=8, entries=entries, bound_ppb=None)
        return measured(self.curve, table)


def _part(curve: CodedCurve, first: int, last: int) -> CodedCurve:
    """A stretch of a curve."""
    allowance, share = (per_code(values, curve)[first : last + 1] for values in (curve.allowance, curve.share))
    return replace(
        curve, low_code=curve.low_code + first, offset_ppb=curve.offset_ppb[first : last + 1], allowance=allowance,
        share=share,
    )  # fmt: skip


def _entries_within(
    curve: CodedCurve, first: int, last: int, unit_log2_ppt: int, entry_shift: int, error_ppb: float
) -> tuple[EvenLayout, tuple[int, ...]] | None:
    """The fewest evenly spaced entries of 8 bits that keep an error from one place of a curve to another."""
    if 2.0**entry_shift * unit_ppb(unit_log2_ppt) > 4 * error_ppb:
        return None
    for pieces in range(1, min(last - first, LARGEST_COUNT - 1) + 1):
        factor = even_layout(_part(curve, first, last), pieces, "linear").codes_to_index_q16
        count = ((last - first) * factor >> PART_BITS) + 2
        part = _part(curve, first, min(first + reach_codes(count, factor), len(curve.offset_ppb) - 1))
        layout = EvenLayout(count=count, first_code=part.low_code, codes_to_index_q16=factor, interpolation="linear")
        if Designs(part).bound_ppb(layout, 32) > error_ppb:
            continue
        optimum, rival = minimax_entries(part, layout), sampled_entries(part, layout)
        entries = best_integers(
            part, layout, optimum_ppb=optimum.entries_ppb, sampled_ppb=rival.entries_ppb,
            unit_log2_ppt=unit_log2_ppt, entry_bits=8, entry_shift=entry_shift,
        )  # fmt: skip
        read = layout.read(np.array(entries) << entry_shift, part.codes) * unit_ppb(unit_log2_ppt)
        if np.max(np.abs(read - part.offset_ppb) / part.allowance) <= error_ppb:
            return layout, entries
    return None


def patch_families(designs: Designs, interpolation: Interpolation | None, align: Align) -> Iterator[Family]:
    """Polynomials of a few degrees, values of 16 and of 32 bits."""
    if interpolation is None:
        for degree, value_bits in product(DEGREES, VALUE_BITS):
            yield PatchFamily(designs, 8, degree, value_bits)
