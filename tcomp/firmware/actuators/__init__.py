"""What is steered by an offset from update to update, one kind a module: a new one is a module here, and its place below."""

from collections.abc import Mapping
from typing import Any

from tcomp.firmware.actuators.actuator import Actuator, proof_updates
from tcomp.firmware.actuators.pulses import Pulses
from tcomp.firmware.actuators.true_time import TrueTime

FAMILY: Mapping[str, type[Actuator]] = {"pulses": Pulses, "true-time": TrueTime}
"""Each kind by its name in ``[[actuator]] kind``."""


def actuator_of(kind: str, keys: Mapping[str, Any]) -> Actuator:
    """The actuator of a kind from its keys.

    Raises
    ------
    FirmwareError
        A key's value will not do.
    """
    return FAMILY[kind](**keys)


__all__ = ["FAMILY", "Actuator", "Pulses", "TrueTime", "actuator_of", "proof_updates"]
