"""What a job steers with the offset, as the firmware takes it."""

from __future__ import annotations

from tcomp.errors import FirmwareError, JobError
from tcomp.firmware.actuators import Actuator, actuator_of
from tcomp.job import Job, keys_of_actuator


def actuators_of(job: Job) -> tuple[Actuator, ...]:
    """The actuators of a job, in the order of its blocks.

    Raises
    ------
    JobError
        The numbers of a block do not go together.
    """
    found = []
    for number, block in enumerate(job.actuators):
        try:
            one = actuator_of(block.kind, keys_of_actuator(block))
            one.checked_names(job.firmware.symbol)
        except FirmwareError as error:
            raise JobError(f"{job.location('actuator', None, number)}: [[actuator]] {error}") from error
        found.append(one)
    return tuple(found)
