"""A simulated bench: sources and a chamber on a clock of their own, for a run without hardware at any speed."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from tcomp.bench.instruments import Arrival, Reading, ignore_arrival
from tcomp.bench.line import LineReader
from tcomp.errors import JobError
from tcomp.job import Job, Source
from tcomp.simulation.cases import cases
from tcomp.simulation.live_bench import LiveBench
from tcomp.simulation.sample_files import SAMPLES
from tcomp.simulation.scenario import Scenario


@dataclass
class SimulatedClock:
    """Simulated time: that of the bench. [s]"""

    bench: LiveBench
    start_s: float

    def now_s(self) -> float:
        """UTC of the bench, as Unix time. [s]"""
        return self.start_s + self.bench.elapsed_s

    def step_s(self) -> float:
        """0: this clock is never set. [s]"""
        return 0.0


class SimulatedFeed:
    """Readings of a simulated bench, in the order of its time; the n-th source reads n steps after the first.

    ``speed`` is in simulated seconds per second; 0 means as fast as possible.  The bench ends with the runs of the
    scenario, or goes on without end once its chamber is set.
    """

    lockstep = True

    def __init__(self, sources: Sequence[Source], scenario: Scenario, speed: float) -> None:
        self.on_arrival: Callable[[Arrival], None] = ignore_arrival
        self.bench = LiveBench(scenario)
        self.clock = SimulatedClock(self.bench, scenario.runs[0].start_s)
        self._readers = [LineReader(source) for source in sources]
        self._speed = speed
        self._due_s = 0.0
        self._at = 0

    @property
    def patience_s(self) -> dict[str, float]:
        """How long the first sample of each source is waited for: longer than the simulation takes. [s]"""
        return {reader.source.name: reader.source.timeout_s + 0.5 for reader in self._readers}

    def open(self) -> None:
        """Start to keep pace with real time."""
        self._due_s = time.monotonic()

    def begin_after(self, time_s: float) -> None:
        """Start after the last row of a log. [s]"""
        self.clock.start_s = max(self.clock.start_s, time_s + self.bench.scenario.interval_s)

    @property
    def ended(self) -> bool:
        """Whether the scenario's runs are over."""
        return self.bench.set_point_c is None and self.bench.elapsed_s >= self.bench.duration_s

    def take(self, wait_s: float) -> list[Arrival]:
        """The next reading, when it is due; waits up to ``wait_s`` for it. [s]"""
        if self._speed > 0:
            left_s = self._due_s - time.monotonic()
            time.sleep(max(0.0, min(left_s, wait_s)))
            if left_s > wait_s:
                return []
        if self.ended:
            return []
        interval_s, step_s = self.bench.scenario.interval_s, self.bench.scenario.step_s
        shift_s = step_s * self._at
        before_s = shift_s - step_s if self._at else step_s * (len(self._readers) - 1) - interval_s
        first = self.bench.elapsed_s == 0.0
        self.bench.advance(interval_s if first else shift_s - before_s)
        if self._speed > 0:
            self._due_s += (shift_s - before_s) / self._speed
        reader = self._readers[self._at]
        self._at = (self._at + 1) % len(self._readers)
        values = reader.values(self._line(reader.source))
        if values is None:
            return []
        reading = Reading(reader.source.name, self.clock.now_s(), values)
        self.on_arrival(reading)
        return [reading]

    def _line(self, source: Source) -> str:
        """The line that such an instrument would print."""
        bench = self.bench
        nominal_hz = bench.scenario.counter.input_hz
        texts: dict[str, Callable[[], str]] = {
            "temperature": lambda: f"{bench.temperature_c():.4f} degC",
            "frequency": lambda: f"{bench.frequency_hz():.6f} Hz",
            "offset": lambda: f"{(bench.frequency_hz() / nominal_hz - 1) * 1e9:.4f} ppb",
            "reference": lambda: "1",
        }
        return ", ".join(texts[quantity]() for quantity in source.gives)

    def close(self) -> None:
        """Nothing is open."""


class SimulatedController:
    """The controller of the simulated chamber."""

    description = "controller, simulated"

    def __init__(self, feed: SimulatedFeed) -> None:
        self._bench = feed.bench

    def open(self) -> None:
        """Nothing to open."""

    def close(self) -> None:
        """Nothing to close."""

    def set_c(self, set_point_c: float) -> float:
        """Set the chamber of the bench. [degC]"""
        self._bench.set_point_c = set_point_c
        return set_point_c


def scenario_of(job: Job) -> Scenario:
    """The scenario that the first simulated source names.

    Raises
    ------
    JobError
        There is none of this name.
    """
    name = job.sources[0].scenario
    known = [*SAMPLES, *cases()]
    if name not in known:
        raise JobError(
            f"{job.location('source', 'scenario')}: no scenario is called '{name}'; known: {', '.join(known)}"
        )
    return SAMPLES[name]() if name in SAMPLES else cases()[name].scenario
