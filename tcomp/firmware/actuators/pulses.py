"""A register that adds or masks pulses: its value, and what is left over for the next period."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import ClassVar, Literal

from tcomp.errors import FirmwareError
from tcomp.firmware.actuators.actuator import Actuator, Reading, State
from tcomp.units import PPT_PER_PPB

MOST_PART_BITS = 8
"""A step is counted in 2^-8 ppt at the finest: its round-off, times 65 535 steps, is 0.13 ppb."""
LARGEST_STEP = 2**30
MOST_STEPS = 2**16 - 1
EXAMPLE_STEPS = 1.3
RegisterName = Literal["signed", "sign-magnitude", "add-only"]


@dataclass(frozen=True)
class Register:
    """How a value stands in the bits of a register.

    Parameters
    ----------
    word : callable
        The value and the number of bits, to the register's word.
    expression : str
        The same in C, of ``value``, an int32_t.
    ends : callable
        The number of bits, to the least and largest value.
    words : str
        The same in a sentence.
    """

    word: Callable[[int, int], int]
    expression: str
    ends: Callable[[int], tuple[int, int]]
    words: str


REGISTERS: dict[RegisterName, Register] = {
    "signed": Register(
        lambda value, bits: value % (1 << bits),
        "(uint16_t)((uint32_t)value & ${mask})",
        lambda bits: (-(1 << (bits - 1)), (1 << (bits - 1)) - 1),
        "two's complement",
    ),
    "sign-magnitude": Register(
        lambda value, bits: abs(value) | (value < 0) << (bits - 1),
        "(uint16_t)((value < 0) ? (${sign_bit} | (uint32_t)(-value)) : (uint32_t)value)",
        lambda bits: (1 - (1 << (bits - 1)), (1 << (bits - 1)) - 1),
        "a sign, 1 for less than 0, above the magnitude",
    ),
    "add-only": Register(
        lambda value, bits: value, "(uint16_t)value", lambda bits: (0, (1 << bits) - 1), "no sign: 0 or more"
    ),
}


@dataclass(frozen=True, kw_only=True)
class Pulses(Actuator):
    """A register whose value v makes the clock faster by sign * v * step_ppb.

    The value of each period is the nearest to what is wanted and what earlier periods left over, so that the sum over
    periods differs from the wanted one by half a step at most: first-order error feedback. All integers are exact.

    Parameters
    ----------
    step_ppb : float
        Of a step, above 0. [ppb]
    least, largest : int
        Values that the register takes.
    period_s : float
        For which a value holds; an update each. [s]
    sign : {1, -1}
        1: a larger value makes the clock faster; -1: slower.
    register : {"signed", "sign-magnitude", "add-only"}
        How a value stands in it.
    bits : int
        Of the register, 2 to 16.

    Examples
    --------
    A clock fast by 1.5 steps of 1 ppm, whose register adds pulses: two pulses are left out, then one.

    >>> rtc = Pulses(name="rtc", step_ppb=1000.0, least=-31, largest=31, period_s=32.0, sign=1)
    >>> [rtc.value(state) for state in rtc.history([(1_500_000, 0)] * 4)]
    [-1, -2, -1, -2]
    """

    step_ppb: float
    least: int
    largest: int
    period_s: float
    sign: Literal[1, -1]
    register: RegisterName = "signed"
    bits: int = 16

    templates: ClassVar = ("pulses.h", "pulses.c")
    update: ClassVar = "(void)${own}_update(&a, offset_ppt)"
    readings: ClassVar = (
        Reading("word", "(uint32_t)a.word"),
        Reading("value", "(uint32_t)a.value"),
        Reading("rest", "(uint32_t)a.rest"),
        Reading("saturated", "(uint32_t)a.saturated"),
    )

    def __post_init__(self) -> None:
        super().__post_init__()
        if not 2 <= self.bits <= 16:
            raise FirmwareError(f"{self.name} has {self.bits} bits; expected 2 to 16")
        low, high = self.kind.ends(self.bits)
        if not low <= self.least < self.largest <= high:
            raise FirmwareError(
                f"{self.name} takes {self.least} to {self.largest}; a register of {self.bits} bits, {self.register}, takes "
                f"{low} to {high}"
            )
        if not 1 <= self.step_ppb * PPT_PER_PPB < LARGEST_STEP:
            raise FirmwareError(f"{self.name} has a step of {self.step_ppb:g} ppb; expected 0.001 to 1e6 ppb")

    @property
    def kind(self) -> Register:
        """How a value stands in the register."""
        return REGISTERS[self.register]

    @property
    def part_bits(self) -> int:
        """A rest is counted in 2^-part_bits ppt: the finest in which a step has 30 bits at most."""
        step_ppt = self.step_ppb * PPT_PER_PPB
        return next(
            bits for bits in range(MOST_PART_BITS, -1, -1) if bits == 0 or round(step_ppt * (1 << bits)) < LARGEST_STEP
        )

    @property
    def step(self) -> int:
        """A step. [2^-part_bits ppt]"""
        return round(self.step_ppb * PPT_PER_PPB * (1 << self.part_bits))

    @property
    def start(self) -> State:
        """Value, rest, whether it is at an end."""
        return (min(max(0, self.least), self.largest), 0, 0)

    def updated(self, state: State, offset_ppt: int, ticks: int = 0) -> State:
        """The state after an update; an offset beyond what the register reaches is held, and the flag is set."""
        asked = -self.sign * offset_ppt << self.part_bits
        wanted = min(max(asked, self.least * self.step), self.largest * self.step)
        value, left = divmod(wanted + state[1] + self.step // 2, self.step)
        return (value, left - self.step // 2, int(wanted != asked))

    def value(self, state: State) -> int:
        """The register's value, with its sign."""
        return state[0]

    def read(self, state: State) -> tuple[int, ...]:
        """The register's word, its value, the rest [2^-part_bits ppt], and whether it is at an end."""
        value, rest, saturated = state
        return (self.kind.word(value, self.bits), value, rest, saturated)

    def names(self, symbol: str) -> dict[str, object]:
        """What the templates fill in."""
        steps = self.largest - self.least
        mask = f"UINT32_C(0x{(1 << self.bits) - 1:X})"
        sign_bit = f"UINT32_C(0x{1 << (self.bits - 1):X})"
        upwards = 1 if self.largest > EXAMPLE_STEPS else -1
        example_ppt = -self.sign * upwards * round(EXAMPLE_STEPS * self.step_ppb * PPT_PER_PPB)
        states = self.history([(example_ppt, 0)] * 4)
        effect = self.sign * self.step_ppb
        reached = sorted(0.0 - value * effect for value in (self.least, self.largest))
        return {
            "step": self.step,
            "half": self.step // 2,
            "parts": 1 << self.part_bits,
            "factor": -self.sign * (1 << self.part_bits),
            "least": self.least,
            "largest": self.largest,
            "low": self.least * self.step,
            "high": self.largest * self.step,
            "top": self.step << (steps.bit_length() - 1),
            "top_bit": 1 << (steps.bit_length() - 1),
            "first": self.start[0],
            "period_ms": round(self.period_s * 1000),
            "word": self.kind.expression.replace("${mask}", mask).replace("${sign_bit}", sign_bit),
            "register_words": f"{self.bits} bits, {self.kind.words}",
            "step_words": f"{self.step_ppb:.10g} ppb",
            "sign_words": f"1 makes the clock {'faster' if effect > 0 else 'slower'} by {self.step_ppb:.10g} ppb",
            "time_words": f"{self.step_ppb * self.period_s / 2000:.4g} us",
            "reach_words": f"{reached[0]:.10g} to {reached[1]:.10g} ppb",
            "example_ppt": example_ppt,
            "example_pace": "fast" if example_ppt > 0 else "slow",
            "example_values": ", ".join(str(self.value(state)) for state in states),
            "example_word": f"0x{self.read(states[0])[0]:X}",
        }
