"""Tables of one layout on one curve: their entries designed for the least worst error, and their sizes to choose from."""

from __future__ import annotations

from abc import ABC, abstractmethod
from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from itertools import islice, takewhile
from typing import ClassVar

import numpy as np

from tcomp.errors import TableError
from tcomp.tables.coded_curve import CodedCurve
from tcomp.tables.layout import LARGEST_UNIT_LOG2_PPT, CorrectionTable, KnotLayout, Layout
from tcomp.tables.minimax import RealEntries, least_error_bound_ppb, minimax_entries, sampled_entries
from tcomp.tables.rounding import best_integers, nearest_integers, smallest_unit_log2_ppt, unit_ppb

CodeBytes = Callable[[CorrectionTable], int]
"""The size of a table's program. [bytes]"""
NO_BYTES = 2**31
"""More than any table takes."""


def best_of(tables: Iterable[CorrectionTable], curve: CodedCurve) -> CorrectionTable:
    """Return the table of least worst error; among equals the one with fewer entries, then the first."""
    return min(tables, key=lambda table: (rounded_ppb(curve.weighted_max_error_ppb(table)), len(table.entries)))


@dataclass(frozen=True, eq=False)
class Designs:
    """Designs for one curve; what was worked out for a layout serves both widths of its entries.

    ``enough_ppb``: a worst error as good as a lesser one. [ppb]
    """

    curve: CodedCurve
    enough_ppb: float = 0.0
    _real: dict[KnotLayout, RealEntries] = field(default_factory=dict)

    def bound_ppb(self, layout: KnotLayout, entry_bits: int) -> float:
        """Return an error that no integer table of this layout goes below. [ppb]

        The lookup rounds once more, by half a unit at most, which may happen to help.
        """
        real = self._real.get(layout)
        bound_ppb = least_error_bound_ppb(self.curve, layout) if real is None else real.bound_ppb
        unit_log2_ppt = smallest_unit_log2_ppt(self.curve.offset_ppb, entry_bits)
        return bound_ppb - unit_ppb(unit_log2_ppt) / 2

    def table(self, layout: KnotLayout, entry_bits: int) -> CorrectionTable:
        """Design the entries of one layout.

        Raises
        ------
        TableError
            No entries of this width make a sound table of this layout.
        """
        optimum = self._real.setdefault(layout, minimax_entries(self.curve, layout))
        rival = sampled_entries(self.curve, layout)
        # The optimum swings a little wider than the curve, so it may need the next larger unit:
        # which of the two tables is better shows only when both are finished.
        units = {smallest_unit_log2_ppt(real.entries_ppb, entry_bits) for real in (optimum, rival)}
        if layout.interpolation == "quadratic":
            return self._curved(layout, entry_bits, max(units), optimum, rival)
        return best_of([self._in_unit(layout, entry_bits, unit, optimum, rival) for unit in sorted(units)], self.curve)

    def _curved(
        self, layout: KnotLayout, entry_bits: int, unit_log2_ppt: int, optimum: RealEntries, rival: RealEntries
    ) -> CorrectionTable:
        """Parabolas: where neighbours differ by more than an int16 holds, the next unit halves that."""
        try:
            return self._in_unit(layout, entry_bits, unit_log2_ppt, optimum, rival)
        except TableError:
            return self._in_unit(layout, entry_bits, min(unit_log2_ppt + 1, LARGEST_UNIT_LOG2_PPT), optimum, rival)

    def _in_unit(
        self, layout: KnotLayout, entry_bits: int, unit_log2_ppt: int, optimum: RealEntries, rival: RealEntries
    ) -> CorrectionTable:
        entries = best_integers(
            self.curve,
            layout,
            optimum_ppb=optimum.entries_ppb,
            sampled_ppb=rival.entries_ppb,
            unit_log2_ppt=unit_log2_ppt,
            entry_bits=entry_bits,
            enough_ppb=self.enough_ppb,
        )
        table = finished(self.curve, layout, entry_bits, unit_log2_ppt, entries)
        return replace(table, bound_ppb=rounded_ppb(max(optimum.bound_ppb, 0.0)))


def sampled(curve: CodedCurve, layout: KnotLayout, entry_bits: int) -> CorrectionTable:
    """Finish the sampled table of one layout."""
    entries_ppb = sampled_entries(curve, layout).entries_ppb
    unit_log2_ppt = smallest_unit_log2_ppt(entries_ppb, entry_bits)
    entries = nearest_integers(entries_ppb, unit_log2_ppt, entry_bits)
    return finished(curve, layout, entry_bits, unit_log2_ppt, entries)


def finished(
    curve: CodedCurve, layout: Layout, entry_bits: int, unit_log2_ppt: int, entries: tuple[int, ...]
) -> CorrectionTable:
    """Make the table, and measure it over every code with the lookup that the firmware will use."""
    return measured(curve, _unmeasured(curve, layout, entry_bits, unit_log2_ppt, entries))


def _unmeasured(
    curve: CodedCurve, layout: Layout, entry_bits: int, unit_log2_ppt: int, entries: tuple[int, ...]
) -> CorrectionTable:
    return CorrectionTable(
        layout=layout,
        scale=curve.scale,
        low_code=curve.low_code,
        high_code=curve.high_code,
        entry_bits=entry_bits,
        unit_log2_ppt=unit_log2_ppt,
        entries=entries,
        max_error_ppb=0.0,
        rms_error_ppb=0.0,
    )


def measured(curve: CodedCurve, table: CorrectionTable) -> CorrectionTable:
    """Give a table the errors that it has over every code."""
    errors_ppb = curve.errors_ppb(table)
    return replace(
        table,
        max_error_ppb=rounded_ppb(float(np.abs(errors_ppb).max())),
        rms_error_ppb=rounded_ppb(float(np.sqrt(np.mean(errors_ppb**2)))),
    )


def rounded_ppb(error_ppb: float) -> float:
    """An error with the digits that mean something: the last bits of a double depend on the machine's threads."""
    return float(f"{error_ppb:.9g}")


@dataclass(frozen=True)
class Family(ABC):
    """Tables of one form on one curve, by size: more bytes and a lesser error, as a rule."""

    designs: Designs
    entry_bits: int

    form: ClassVar[str]
    """Name of the layout in jobs and files."""
    priority: ClassVar[int] = 2
    """Those of a low number are tried first, as they are likely to be small."""
    patience: ClassVar[int] = 12
    """Designs that may miss the error that their bound allowed: with the integers of the layout, none will meet it then."""

    @property
    def curve(self) -> CodedCurve:
        """What the tables are designed for."""
        return self.designs.curve

    @property
    def is_shown(self) -> bool:
        """Whether it is worth showing among all layouts: 32 bits seldom are."""
        return self.entry_bits == 16

    @property
    @abstractmethod
    def sizes(self) -> range:
        """Sizes, from the coarsest on."""

    @abstractmethod
    def error_lower_bound_ppb(self, size: int) -> float:
        """An error that the table of this size will hardly go below, found without designing it. [ppb]"""

    @abstractmethod
    def table(self, size: int) -> CorrectionTable | None:
        """Design the table of this size; None: there is none of it."""

    @abstractmethod
    def layout(self, size: int) -> Layout | None:
        """How the entries of this size lie; None: there is none of it."""

    @abstractmethod
    def bytes(self, size: int) -> float:
        """What the table of this size will take; infinite where there is none. [bytes]"""

    @property
    def floor_ppb(self) -> float:
        """An error that no size goes below. [ppb]"""
        return 0.0

    def promising(self, max_error_ppb: float, max_bytes: float) -> Iterator[int]:
        """Sizes of so few bytes that may meet an error, from the coarsest on."""
        fitting = takewhile(lambda size: self.bytes(size) <= max_bytes, self.sizes)
        return (size for size in fitting if self.error_lower_bound_ppb(size) <= max_error_ppb)

    def smallest(self, max_error_ppb: float, max_bytes: float = np.inf) -> CorrectionTable | None:
        """The coarsest table that meets an error; None: there is none, or none of so few bytes."""
        if self.floor_ppb > max_error_ppb:
            return None
        for size in islice(self.promising(max_error_ppb, max_bytes), self.patience):
            table = self.designed(size)
            if table is not None and table.bytes > max_bytes:
                return None
            if table is not None and self.curve.weighted_max_error_ppb(table) <= max_error_ppb:
                return table
        return None

    def coarsest_layout(self) -> Layout | None:
        """The layout of the coarsest table; None: there is none."""
        return next((found for found in map(self.layout, self.sizes) if found is not None), None)

    def least_code_bytes(self, code_bytes: CodeBytes) -> int:
        """The program of the coarsest table, with nothing but zero in it: that of a finer one is no smaller. [bytes]"""
        layout = self.coarsest_layout()
        if layout is None:
            return 0
        return code_bytes(_unmeasured(self.curve, layout, self.entry_bits, 0, (0,) * layout.count))

    def finest(self, max_bytes: int) -> CorrectionTable | None:
        """The finest table of so few bytes: bytes grow with the size."""
        fitting = bisect_right(self.sizes, max_bytes, key=lambda size: int(min(self.bytes(size), NO_BYTES)))
        return self.designed(self.sizes[fitting - 1]) if fitting else None

    def designed(self, size: int) -> CorrectionTable | None:
        """The table of this size; None too where sums or differences leave their integers, or a solver fails: others remain."""
        try:
            return self.table(size)
        except TableError:
            return None
