"""Simulated sources and a simulated chamber, on a clock of their own: a run without hardware, as fast as wanted."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from tcomp.bench.feed import Arrival
from tcomp.bench.line import LineReader
from tcomp.bench.source import Reading
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
        """Nobody sets this clock. [s]"""
        return 0.0


class SimulatedFeed:
    """Readings of a bench that runs, in the order of its time; the n-th source reads n steps after the first.

    ``speed`` is in simulated seconds per second, 0 for as fast as it goes.  The bench ends with the
    scenario's runs, or goes on for good once somebody sets its chamber.
    """

    def __init__(self, sources: Sequence[Source], scenario: Scenario, speed: float) -> None:
        self.bench = LiveBench(scenario)
        self.clock = SimulatedClock(self.bench, scenario.runs[0].start_s)
        self._readers = [LineReader(source) for source in sources]
        self._speed = speed
        self._due_s = 0.0
        self._at = 0

    def open(self) -> None:
        """Begin to keep pace with real time."""
        self._due_s = time.monotonic()

    def begin_after(self, time_s: float) -> None:
        """Go on with a log whose last row is of then. [s]"""
        self.clock.start_s = max(self.clock.start_s, time_s + self.bench.scenario.interval_s)

    @property
    def ended(self) -> bool:
        """Whether the scenario's runs are over."""
        return self.bench.set_point_c is None and self.bench.elapsed_s >= self.bench.duration_s

    def take(self, wait_s: float) -> list[Arrival]:
        """The next reading of each source, when the time for it has come. [s]"""
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
        return [Reading(reader.source.name, self.clock.now_s(), values)] if values is not None else []

    def _line(self, source: Source) -> str:
        """What such an instrument would print."""
        bench = self.bench
        nominal_hz = bench.scenario.counter.input_hz
        says: dict[str, Callable[[], str]] = {
            "temperature": lambda: f"{bench.temperature_c():.4f} degC",
            "frequency": lambda: f"{bench.frequency_hz():.6f} Hz",
            "offset": lambda: f"{(bench.frequency_hz() / nominal_hz - 1) * 1e9:.4f} ppb",
            "reference": lambda: "1",
        }
        return ", ".join(says[quantity]() for quantity in source.gives)

    def close(self) -> None:
        """Nothing is open."""


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
        raise JobError(f"{job.place('source', 'scenario')}: no scenario is called '{name}'; known: {', '.join(known)}")
    return SAMPLES[name]() if name in SAMPLES else cases()[name].scenario
