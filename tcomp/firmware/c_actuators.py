"""The C of the actuators: ``SYMBOL_actuators.h`` and ``SYMBOL_actuators.c``, with a self-test of their own."""

from __future__ import annotations

from collections.abc import Callable
from string import Template

from tcomp.errors import FirmwareError
from tcomp.firmware.actuators import Actuator
from tcomp.firmware.actuators.actuator import SEED, SELFTEST_UPDATES

Filled = Callable[..., str]
"""A template's name and what it fills in, to its text."""


def actuator_sources(actuators: tuple[Actuator, ...], symbol: str, filled: Filled) -> dict[str, str]:
    """The two files by name; none without actuators.

    Raises
    ------
    FirmwareError
        Two have one name, or C might not tell their functions apart.
    """
    if not actuators:
        return {}
    given = [one.name for one in actuators]
    if len(set(given)) < len(given):
        raise FirmwareError(f"the actuators {', '.join(given)} have one name twice; expected each once")
    header, code, calls = "", "", ""
    for number, one in enumerate(actuators, start=1):
        names = one.checked_names(symbol)
        own = str(names["own"])
        header += filled(one.templates[0], **names)
        code += filled(one.templates[1], **names) + filled("actuator_check.c", **names, **_check(one, own))
        calls += filled("actuator_call.c", own=own, number=number, checksum=f"0x{one.checksum():08X}")
    return {
        f"{symbol}_actuators.h": filled("actuators.h", actuators=header),
        f"{symbol}_actuators.c": filled("actuators.c", actuators=code, calls=calls),
    }


def in_c(expression: str, own: str) -> str:
    """A call or a reading of an actuator in C."""
    return Template(expression).substitute(own=own)


def _check(actuator: Actuator, own: str) -> dict[str, object]:
    sums = (f"        sum = (sum * 31u) + {in_c(reading.expression, own)};" for reading in actuator.readings)
    update = actuator.update.replace("ticks)", "bits >> 16u)")
    return {
        "update": in_c(update, own),
        "sums": "\n".join(sums),
        "seed": SEED,
        "updates": SELFTEST_UPDATES,
    }
