"""Noise of readings, and how long to average: the reference, the counter and the oscillator's own.

A reading over a gate g that two time marks bound has the standard deviation sqrt(2) sigma_x / g; noise of phase
with the Allan deviation a at 1 s has sigma_x = a / sqrt(3) seconds.  Under white noise of frequency the mean over t has
the Allan deviation at t; on the floor, where noise is flicker, about as much (NIST SP 1065; from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from tcomp.job import Job

GATES_S = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0)
"""Gates that counters commonly have; shorter ones only fill the disk. [s]"""
SMEAR = 0.1
"""Share of the time constant that a gate may last: what happens within it is averaged (common practice, no source)."""
LONGEST_UNKNOWN_GATE_S = 10.0
"""Longest gate that is chosen where there is no lag. [s]"""


@dataclass(frozen=True)
class Noise:
    """What scatters readings.

    Attributes
    ----------
    mark_s : float
        Standard deviation of one time mark, reference and counter together. [s]
    frequency_ppb : float
        White noise of frequency, reference and oscillator together, over 1 s. [ppb]
    floor_ppb : float
        What no averaging lowers. [ppb]
    """

    mark_s: float
    frequency_ppb: float
    floor_ppb: float

    def reading_ppb(self, gate_s: float) -> float:
        """Standard deviation of one reading, without the floor. [ppb]

        >>> round(Noise(1e-9, 0.0, 0.0).reading_ppb(10.0), 4)
        0.1414
        """
        return math.hypot(math.sqrt(2) * self.mark_s * 1e9 / gate_s, self.frequency_ppb / math.sqrt(gate_s))

    def mean_ppb(self, time_s: float, gate_s: float) -> float:
        """Standard deviation of the mean of readings, one after the other for so long. [ppb]

        >>> round(Noise(1e-9, 0.0, 0.02).mean_ppb(1000.0, 10.0), 4)
        0.0245
        """
        return math.hypot(self.reading_ppb(gate_s) / math.sqrt(max(time_s / gate_s, 1.0)), self.floor_ppb)

    def averaging_s(self, u_ppb: float, gate_s: float) -> float:
        """How long to average readings for a mean within this standard deviation; infinite where none is enough. [s]

        >>> Noise(0.0, 1.0, 0.0).averaging_s(0.1, 10.0), Noise(0.0, 1.0, 0.2).averaging_s(0.1, 10.0)
        (100.0, inf)
        """
        if u_ppb <= self.floor_ppb:
            return math.inf
        readings = self.reading_ppb(gate_s) ** 2 / (u_ppb**2 - self.floor_ppb**2)
        return gate_s * max(math.ceil(readings * (1 - 1e-12)), 1)

    def one_gate_s(self, u_ppb: float) -> float:
        """How long a single gate would have to be for the same; infinite where none is enough. [s]

        Solves 2 (sigma_x / g)^2 + w^2 / g + floor^2 = u^2.

        >>> Noise(1e-9, 0.0, 0.0).one_gate_s(0.1) * 0.1 / 2**0.5
        1.0
        """
        if u_ppb <= self.floor_ppb:
            return math.inf
        phase, frequency = 2 * (self.mark_s * 1e9) ** 2, self.frequency_ppb**2
        room = u_ppb**2 - self.floor_ppb**2
        return (frequency + math.sqrt(frequency**2 + 4 * room * phase)) / (2 * room)


def noise_of(job: Job) -> Noise:
    """Noise as the job states it; what it leaves out counts as none."""
    reference, counter, own = job.reference, job.counter, job.oscillator.noise_ppb or 0.0
    of_phase = reference.noise_falls == "1/tau"
    reference_mark_s = reference.noise_ppb * 1e-9 / math.sqrt(3) if of_phase else 0.0
    return Noise(
        mark_s=math.hypot(counter.resolution_s / math.sqrt(12), counter.jitter_s, reference_mark_s),
        frequency_ppb=math.hypot(0.0 if of_phase else reference.noise_ppb, own * math.sqrt(job.use.gate_s)),
        floor_ppb=reference.floor_ppb,
    )


def chosen_gate_s(noise: Noise, lag_s: float) -> float:
    """The shortest usual gate beyond which a longer one wins nothing, or the longest that the lag allows. [s]

    Time marks weigh less the longer the gate is; noise of frequency does not care.

    Examples
    --------
    >>> chosen_gate_s(Noise(1e-10, 1.0, 0.0), 120.0), chosen_gate_s(Noise(1e-7, 0.0, 0.0), 120.0)
    (1.0, 10.0)
    """
    allowed = [gate_s for gate_s in GATES_S if gate_s <= longest_gate_s(lag_s)]
    for gate_s in allowed:
        if math.sqrt(2) * noise.mark_s * 1e9 / gate_s <= 0.5 * noise.frequency_ppb / math.sqrt(gate_s):
            return gate_s
    return allowed[-1]


def longest_gate_s(lag_s: float) -> float:
    """The longest gate that a lag allows. [s]

    >>> longest_gate_s(180.0), longest_gate_s(0.0), longest_gate_s(-2.0)
    (18.0, 10.0, 1.0)
    """
    return max(SMEAR * abs(lag_s) or LONGEST_UNKNOWN_GATE_S, GATES_S[0])
