"""The integer filter that follows a moving temperature: the specification of the generated C, update by update.

All quantities are integers. A code is counted from the first of the range ("along"); a fine code has ``fine_bits`` more.
A stage is a first-order low-pass whose state moves by a part of its way to its target, in 2**-16, and carries what is
less than a fine code: it takes one multiplication, and a constant code is reached exactly.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tcomp.errors import FirmwareError
from tcomp.tables.layout import INT32_MAX, CorrectionTable, interpolated
from tcomp.tables.layouts.steps import StepLayout

PART_LOG2 = 16
LARGEST_PART = (1 << PART_LOG2) - 1
MOST_FINE_BITS = 8
"""A 256th of a code: finer would not show, and a shift by 8 is a move of bytes."""
WEIGHT_LOG2 = 8
UINT16_MAX = (1 << 16) - 1
MOST_STAGES = 2
MOST_LEAD_LOG2, LEAST_LEAD_LOG2 = 6, -4


class State(NamedTuple):
    """What the firmware keeps between two updates: at most 16 bytes.

    ``along``: the last code; ``fine``, ``rest``: of each stage, [fine codes] and [2**-16 of one]; ``slot``: the middle of the
    play, in 2**-slot_bits of a code.  All are counted from the first code of the range.
    """

    along: int
    fine: tuple[int, ...]
    rest: tuple[int, ...]
    slot: int


Lookup = Callable[[int], int]
"""A table as the filter reads it: from codes, or parts of codes, since the first of the range to offsets. [entry units]"""
BYTE_LOG2, LEAST_WAY_LOG2 = 8, 3
"""A lookup that goes from knot to knot in 2**8 parts reads between codes by itself, if a code has at least 2**3 of them."""


@dataclass(frozen=True, kw_only=True)
class Stage:
    """One time constant.

    Parameters
    ----------
    part : int
        Part of its way to the target that the state moves at an update. [2**-16]
    lead_log2 : int or None
        None: the output is the state, a lag.  Else the output lies ahead of the input, by 2**lead_log2 times what the input
        lies ahead of the state: a lead.
    """

    part: int
    lead_log2: int | None = None


@dataclass(frozen=True, kw_only=True)
class Loop:
    """A play operator: heated and cooled differ, and a reversal takes some codes to come through.

    Parameters
    ----------
    half : int
        Half of the play. [2**-slot_bits codes]
    weight : int
        Offset for a unit of the position in the play. [2**-8 ppt]
    """

    half: int
    weight: int


@dataclass(frozen=True, kw_only=True)
class FollowFilter:
    """A filter from codes to offsets, once each ``update_s``.

    Parameters
    ----------
    table : CorrectionTable
        What is looked up at the crystal's temperature.
    update_s : float
        Time from update to update. [s]
    fine_bits, slot_bits : int
        A code has 2**fine_bits fine codes, and 2**slot_bits steps of the play.
    stages : tuple of Stage
        The longest time constant of each sign first, leads before lags; at most two.
    loop : Loop or None
        None: no hysteresis.
    words : str
        What it follows, in a sentence or two.

    Raises
    ------
    FirmwareError
        A value is outside what the firmware's integers hold.

    Examples
    --------
    Entries 16 codes apart, and a time constant of 9.5 updates. A step of the code by 16 comes through bit by bit.

    >>> from tcomp.tables import StepLayout, TemperatureScale
    >>> table = CorrectionTable(
    ...     layout=StepLayout(count=3, first_code=0, step_log2=4, interpolation="linear"),
    ...     scale=TemperatureScale(16), low_code=0, high_code=32, entry_bits=16, unit_log2_ppt=6,
    ...     entries=(0, 1600, 3200), max_error_ppb=0.0, rms_error_ppb=0.0)
    >>> slow = FollowFilter(table=table, update_s=10.0, fine_bits=8, slot_bits=4, stages=(Stage(part=6554),))
    >>> state = slow.start(0)
    >>> for _ in range(3):
    ...     state = slow.updated(state, 16)
    ...     print(slow.offset_ppt(state), slow.fine_code(state))
    5184 204
    14784 594
    23616 944
    >>> slow.offset_ppt(slow.missed(state, 500)), int(table.offset_ppt(16))
    (102400, 102400)
    """

    table: CorrectionTable
    update_s: float
    fine_bits: int
    slot_bits: int
    stages: tuple[Stage, ...] = ()
    loop: Loop | None = None
    words: str = ""

    def __post_init__(self) -> None:
        self._check_numbers()
        largest_ppt = int(np.abs(self.table.offset_ppt(self.table.codes)).max()) + self.largest_loop_ppt
        rise = self.largest_rise
        if largest_ppt > INT32_MAX or rise << max(self.fine_bits, self.table.unit_log2_ppt) > INT32_MAX:
            raise FirmwareError("the followed offset would not fit an int32 of ppt (2147 ppm)")

    def _check_numbers(self) -> None:
        if not 1 <= self.fine_bits <= MOST_FINE_BITS or not 0 <= self.slot_bits <= self.fine_bits:
            raise FirmwareError(f"a code has 2**{self.fine_bits} fine codes; expected 2**1 to 2**{MOST_FINE_BITS}")
        if len(self.stages) > MOST_STAGES or self.span << self.slot_bits > UINT16_MAX:
            raise FirmwareError("the state of the filter would take more than 16 bytes")
        for stage in self.stages:
            if not 1 <= stage.part <= LARGEST_PART or stage.part * self.top > INT32_MAX - LARGEST_PART:
                raise FirmwareError(f"a part of {stage.part} / 65536 an update does not fit 32 bits over this range")
            lead = stage.lead_log2
            if lead is not None and not (
                LEAST_LEAD_LOG2 <= lead <= MOST_LEAD_LOG2 and self.top << max(lead, 0) < 1 << 30
            ):
                raise FirmwareError(f"a lead of 2**{lead} does not fit 32 bits over this range")
        if self.loop is not None and not 1 <= self.loop.half <= UINT16_MAX // 2:
            raise FirmwareError(f"the play is {2 * self.loop.half} steps wide; expected 2 to {UINT16_MAX}")
        if self.loop is not None and abs(self.loop.weight) * self.loop.half > INT32_MAX - (1 << WEIGHT_LOG2):
            raise FirmwareError("the loop does not fit 32 bits")

    @property
    def span(self) -> int:
        """Codes from the first to the last of the range."""
        return self.table.high_code - self.table.low_code

    @property
    def top(self) -> int:
        """The largest fine code along the range."""
        return self.span << self.fine_bits

    @property
    def largest_rise(self) -> int:
        """The largest difference between the offsets of two neighbouring codes. [entry units]"""
        return int(np.abs(np.diff(self.table.lookup(self.table.codes))).max(initial=0))

    @property
    def largest_loop_ppt(self) -> int:
        """The most that the loop adds, of either sign. [ppt]"""
        return 0 if self.loop is None else (abs(self.loop.weight) * self.loop.half >> WEIGHT_LOG2) + 1

    @property
    def state_bytes(self) -> int:
        """What the firmware keeps of it. [bytes]"""
        return 2 + 6 * len(self.stages) + (0 if self.loop is None else 2)

    @property
    def way_bits(self) -> int | None:
        """Parts of a code, 2**way_bits, that the table's own lookup reads between knots; None: it reads whole codes only."""
        layout = self.table.layout
        if not isinstance(layout, StepLayout) or layout.interpolation != "linear" or self.table.entry_bits != 16:
            return None
        bits = BYTE_LOG2 - layout.step_log2
        fits = (
            LEAST_WAY_LOG2 <= bits <= self.fine_bits
            and (self.table.high_code - layout.first_code + 1) << bits <= UINT16_MAX
        )
        return bits if fits and layout.count > 1 else None

    def lookup_between(self, places: ArrayLike) -> NDArray[np.int64]:
        """The table's lookup at parts of codes since the first of the range. [2**-way_bits codes] [entry units]"""
        layout, bits = self.table.layout, self.way_bits
        if bits is None or not isinstance(layout, StepLayout):
            raise ValueError("this table is read at whole codes only")
        along = np.asarray(places, dtype=np.int64) + ((self.table.low_code - layout.first_code) << bits)
        knot, part = along >> BYTE_LOG2, along & ((1 << BYTE_LOG2) - 1)
        entries = np.array(self.table.entries, dtype=np.int64)
        # The last knot has none above it, and needs none: its part is 0.
        return interpolated(entries[knot], entries[np.minimum(knot + 1, layout.count - 1)], part, BYTE_LOG2)

    # --- one update

    def start(self, code: int) -> State:
        """Power-up: settled at this code, in the middle of the loop."""
        along = self._along(code)
        count = len(self.stages)
        return State(along, (along << self.fine_bits,) * count, (0,) * count, along << self.slot_bits)

    def updated(self, state: State, code: int) -> State:
        """The state after an update with the sensor's code."""
        return self._moved(state, self._along(code))

    def missed(self, state: State, updates: int = 1) -> State:
        """The state after updates without a reading: the last code holds, to which the filter settles."""
        for _ in range(updates):
            state = self._moved(state, state.along)
        return state

    def _along(self, code: int) -> int:
        return min(max(code, self.table.low_code), self.table.high_code) - self.table.low_code

    def _moved(self, state: State, along: int) -> State:
        """The first stage takes the mean of the two codes, the trapezoidal rule; the second what the first puts out."""
        sensor = along << self.fine_bits
        target, mean = sensor, (state.along + along) << (self.fine_bits - 1)
        fine, rest = [], []
        for number, stage in enumerate(self.stages):
            towards = mean if number == 0 else target
            now, left = self.pole(state.fine[number], state.rest[number], towards, stage.part)
            fine.append(now)
            rest.append(left)
            target = self._output(stage, target, fine[number])
        slot = self._dragged(state.slot, target >> (self.fine_bits - self.slot_bits))
        return State(along, tuple(fine), tuple(rest), slot)

    def pole(self, fine: int, rest: int, target: int, part: int) -> tuple[int, int]:
        """A state and its rest after it has moved by a part of its way to the target."""
        moved = (target - fine) * part + rest
        return fine + (moved >> PART_LOG2), moved & LARGEST_PART

    def _output(self, stage: Stage, target: int, fine: int) -> int:
        if stage.lead_log2 is None:
            return fine
        ahead = target - fine
        lead = ahead << stage.lead_log2 if stage.lead_log2 >= 0 else ahead >> -stage.lead_log2
        return _held(target + lead, 0, self.top)

    def _dragged(self, slot: int, place: int) -> int:
        if self.loop is None:
            return place
        if slot + self.loop.half < place:
            return place - self.loop.half
        if slot > place + self.loop.half:
            return place + self.loop.half
        return slot

    # --- what is read from a state

    def along_fine(self, state: State) -> int:
        """Where the crystal is. [fine codes since the first code of the range]"""
        target = state.along << self.fine_bits
        for stage, fine in zip(self.stages, state.fine, strict=True):
            target = self._output(stage, target, fine)
        return target

    def fine_code(self, state: State) -> int:
        """The crystal's temperature. [2**-fine_bits codes]"""
        return self.along_fine(state) + self.table.low_code * (1 << self.fine_bits)

    @cached_property
    def _read(self) -> list[int]:
        bits = self.way_bits
        values = (
            self.table.lookup(self.table.codes)
            if bits is None
            else self.lookup_between(np.arange((self.span << bits) + 1))
        )
        found: list[int] = values.tolist()
        return found

    def offset_ppt(self, state: State, lookup: Lookup | None = None) -> int:
        """Offset at the crystal's temperature, and the loop's. [ppt]

        Between codes it is what the table's own lookup says at the nearest part of a code, or else lies on a straight line.
        """
        read = self._read.__getitem__ if lookup is None else lookup
        at = self.along_fine(state)
        if self.way_bits is not None:
            shift = self.fine_bits - self.way_bits
            offset_ppt = read((at + ((1 << shift) >> 1)) >> shift) << self.table.unit_log2_ppt
        else:
            along, part = at >> self.fine_bits, at & ((1 << self.fine_bits) - 1)
            below = read(along)
            above = read(along + 1 if part != 0 else along)
            offset_ppt = self.between_ppt(below, above, part)
        if self.loop is None:
            return offset_ppt
        return offset_ppt + self.loop_ppt((at >> (self.fine_bits - self.slot_bits)) - state.slot, self.loop.weight)

    def between_ppt(self, below: int, above: int, part: int) -> int:
        """Offset a part of the way from one code to the next: to nearest, ties upwards, where a unit is coarser than a part."""
        rise, unit, fine = (above - below) * part, self.table.unit_log2_ppt, self.fine_bits
        way = rise << (unit - fine) if unit >= fine else (rise + (1 << (fine - unit - 1))) >> (fine - unit)
        return (below << unit) + way

    def loop_ppt(self, position: int, weight: int) -> int:
        """What the loop adds at a position in its play."""
        return (position * weight + (1 << (WEIGHT_LOG2 - 1))) >> WEIGHT_LOG2

    def followed_ppt(self, codes: ArrayLike, state: State | None = None) -> NDArray[np.int64]:
        """Offsets of a sequence of updates, from a start at its first code; shape (n,). [ppt]"""
        given = [int(code) for code in np.asarray(codes)]
        now = self.start(given[0]) if state is None else state
        found = []
        for code in given:
            now = self.updated(now, code)
            found.append(self.offset_ppt(now))
        return np.array(found, dtype=np.int64)


def _held(value: int, least: int, largest: int) -> int:
    if value < least:
        return least
    return largest if value > largest else value


def most_fine_bits(span: int, parts: tuple[int, ...]) -> int:
    """The finest codes whose products fit 32 bits; 0 or less: none do.

    >>> most_fine_bits(1279, (3759,)), most_fine_bits(65535, (3759,))
    (8, 3)
    """
    largest = (INT32_MAX - LARGEST_PART) // (max(span, 1) * max(parts, default=1))
    return min(MOST_FINE_BITS, largest.bit_length() - 1)
