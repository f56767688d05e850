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
CROSSING = 1.8064
"""Integral of phi**2 / (Phi (1 - Phi)), found by quadrature."""
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
    step_ppb : float
        The step in which readings come; 0: none that matters beside ``mark_s``. [ppb]
    counted : bool
        Whether a reading is a count of whole cycles, of random phase, rather than rounded.
    """

    mark_s: float
    frequency_ppb: float
    floor_ppb: float
    step_ppb: float = 0.0
    counted: bool = False

    def reading_ppb(self, gate_s: float) -> float:
        """Standard deviation of one reading on a ramp, without the floor, as far as the step lets the mean be estimated. [ppb]

        A count has the variance p (1 - p) q**2, a sixth of q**2 on average.  Rounded readings tell as much as readings of
        the variance s q / 1.806 without a step where the noise s is far below the step q: 1.806 is the integral of
        phi**2 / (Phi (1 - Phi)), Fisher's information of which side of an edge a reading falls, over all distances from it.

        >>> round(Noise(0.0, 1.5, 0.0, step_ppb=100.0).reading_ppb(1.0), 2)
        9.11
        >>> round(Noise(0.0, 1.5, 0.0, step_ppb=60.0, counted=True).reading_ppb(1.0), 2)
        24.54
        """
        own_ppb = self.without_step_ppb(gate_s)
        if self.counted:
            return math.hypot(own_ppb, self.step_ppb / math.sqrt(6.0))
        crossing_ppb = math.sqrt(own_ppb * self.step_ppb / CROSSING)
        return max(own_ppb, min(crossing_ppb, math.hypot(own_ppb, self.step_ppb / math.sqrt(12.0))))

    def soak_step_ppb(self, gate_s: float) -> float:
        """Error of rounding that is common to all readings of a soak. [ppb]

        Noise s smooths steps q: exp(-2 pi**2 s**2 / q**2) is left of the error, to first order (B. Widrow and I. Kollar,
        Quantization Noise, 2008; from memory).

        >>> [round(Noise(0.0, s, 0.0, step_ppb=100.0).soak_step_ppb(1.0), 2) for s in (1.5, 50.0)]
        [28.74, 0.21]
        """
        if self.step_ppb == 0 or self.counted:
            return 0.0
        left = math.exp(-2 * (math.pi * self.without_step_ppb(gate_s) / self.step_ppb) ** 2)
        return self.step_ppb / math.sqrt(12.0) * left

    def without_step_ppb(self, gate_s: float) -> float:
        """Standard deviation of one reading, without the floor and the step. [ppb]

        >>> round(Noise(1e-9, 0.0, 0.0).reading_ppb(10.0), 4)
        0.1414
        """
        return math.hypot(math.sqrt(2) * self.mark_s * 1e9 / gate_s, self.frequency_ppb / math.sqrt(gate_s))

    def mean_ppb(self, time_s: float, gate_s: float) -> float:
        """Standard deviation of the mean of readings, one after the other for so long. [ppb]

        >>> round(Noise(1e-9, 0.0, 0.02).mean_ppb(1000.0, 10.0), 4)
        0.0245
        """
        return math.hypot(
            self.reading_ppb(gate_s) / math.sqrt(max(time_s / gate_s, 1.0)), self.floor_ppb, self.soak_step_ppb(gate_s)
        )

    def averaging_s(self, u_ppb: float, gate_s: float) -> float:
        """How long to average readings for a mean within this standard deviation; infinite where none is enough. [s]

        >>> Noise(0.0, 1.0, 0.0).averaging_s(0.1, 10.0), Noise(0.0, 1.0, 0.2).averaging_s(0.1, 10.0)
        (100.0, inf)
        """
        floor_ppb = math.hypot(self.floor_ppb, self.soak_step_ppb(gate_s))
        if u_ppb <= floor_ppb:
            return math.inf
        readings = self.reading_ppb(gate_s) ** 2 / (u_ppb**2 - floor_ppb**2)
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
    # A step of the reading stands for that of its time marks.
    resolution_s = counter.resolution_s if counter.step_ppb is None else 0.0
    reference_mark_s = reference.noise_ppb * 1e-9 / math.sqrt(3) if of_phase else 0.0
    return Noise(
        mark_s=math.hypot(resolution_s / math.sqrt(12), counter.jitter_s, reference_mark_s),
        frequency_ppb=math.hypot(0.0 if of_phase else reference.noise_ppb, own * math.sqrt(job.use.gate_s)),
        floor_ppb=reference.floor_ppb,
        step_ppb=counter.step_ppb or 0.0,
        counted=counter.reading == "counted",
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
