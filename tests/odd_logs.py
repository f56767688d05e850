"""Invented logs such as cheap instruments and mistakes of a set-up leave behind, and the commands run on them.

A log is made of a temperature programme, an oscillator, the steps and units of the instruments, and a fault.  Whatever
they are, a command ends with a result or with one sentence (a `TcompError`), never with a traceback.
"""

from __future__ import annotations

import json
import math
import warnings
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from click.testing import CliRunner
from numpy.typing import NDArray

from tcomp.cli import main

Floats = NDArray[np.float64]
Programme = Callable[[Floats, np.random.Generator], Floats]

NOMINAL_HZ = 10e6


def _random_walk(phase: Floats, rng: np.random.Generator) -> Floats:
    return np.cumsum(rng.normal(0.0, 10.0 / math.sqrt(phase.size), phase.size))


def _held_steps(phase: Floats, rng: np.random.Generator) -> Floats:
    """A processor's load: a new level every 14 samples."""
    return np.repeat(rng.normal(0.0, 2.5, phase.size // 14 + 1), 14)[: phase.size]


PROGRAMMES: Mapping[str, Programme] = {
    # ``phase`` runs from 0 to 1 over the log; all in degC.
    "up": lambda phase, _: 50.0 * phase,
    "down": lambda phase, _: 50.0 - 50.0 * phase,
    "up and down": lambda phase, _: 25.0 - 25.0 * np.cos(2 * np.pi * phase),
    "many cycles": lambda phase, _: 25.0 - 25.0 * np.cos(2 * np.pi * 9 * phase),
    "saw teeth": lambda phase, _: 40.0 * ((5 * phase) % 1.0),
    "square": lambda phase, _: np.where((4 * phase) % 1.0 < 0.5, 5.0, 45.0),
    "stairs": lambda phase, _: 5.0 * np.round(10 * np.abs(2 * phase - 1)),
    "soak, ramp, soak": lambda phase, _: np.clip(120.0 * phase - 30.0, 0.0, 50.0),
    "nearly constant": lambda phase, _: 21.0 + 1e-3 * np.sin(2 * np.pi * 3 * phase),
    "constant": lambda phase, _: np.full(phase.size, 21.0),
    "constant but for one": lambda phase, _: np.where(np.arange(phase.size) == phase.size // 2, 22.0, 21.0),
    "days with load": lambda phase, rng: (
        45.0 + 4.0 * np.sin(2 * np.pi * 8 * phase) + _held_steps(phase, rng)
    ),
    "random walk": lambda phase, rng: 20.0 + _random_walk(phase, rng),
    "noise alone": lambda phase, rng: rng.normal(20.0, 5.0, phase.size),
    "overshoot": lambda phase, _: 60.0 * (1 - np.exp(-8 * phase) * np.cos(30 * phase)),
    "huge": lambda phase, _: -90.0 + 280.0 * np.abs(2 * phase - 1),
}  # fmt: skip

OSCILLATORS: Mapping[str, Programme] = {
    # Offset in ppb by temperature in degC, and what else the oscillator does.
    "cubic": lambda t, _: 500.0 - 200.0 * (t - 26.4) + 0.1086 * (t - 26.4) ** 3,
    "parabola": lambda t, _: -34.0 * (t - 25.0) ** 2,
    "straight": lambda t, _: 100.0 * t,
    "constant": lambda t, _: np.full(t.size, 120.0),
    "zero": lambda t, _: np.zeros(t.size),
    "noise alone": lambda t, rng: rng.normal(0.0, 50.0, t.size),
    "jumps": lambda t, _: 10.0 * t + 3000.0 * (np.arange(t.size) > t.size // 2),
    "alternating": lambda t, _: 1000.0 * (np.arange(t.size) % 2) + t,
    "a single spike": lambda t, _: 1e5 * (np.arange(t.size) == t.size // 3) + t,
    "fast ageing": lambda t, _: t + 1e4 * np.linspace(0.0, 1.0, t.size),
    "steep": lambda t, _: 3e4 * (t - 25.0),
    "a pole": lambda t, _: 1e3 / (np.abs(t - 25.0) + 1e-3),
    "tiny": lambda t, _: 1e-9 * t,
    "two oscillators": lambda t, _: np.where(np.arange(t.size) < t.size // 2, -195.0 * t, 3300.0 - 120.0 * t),
}

FAULTS = (
    "none", "gaps", "missing values", "repeated times", "clock set back", "stuck sensor", "stuck counter", "zeros", "huge values",
    "short rows", "irregular", "one sweep", "all rows twice",
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class OddLog:
    """What a log is made of.

    ``temperature_step_c`` and ``offset_step_ppb`` are the steps of the readings, 0 for none; ``reading`` is what the counter
    shows, ``time`` how rows are stamped; ``models`` and ``lag`` go into the job.
    """

    programme: str
    oscillator: str
    fault: str
    rows: int
    interval_s: float
    temperature_step_c: float
    offset_step_ppb: float
    noise_ppb: float
    lag_samples: int
    reading: str
    time: str
    lag: str | float
    models: str | tuple[str, ...]
    form: str
    seed: int

    @property
    def text(self) -> str:
        """The log's text."""
        rng = np.random.default_rng(self.seed)
        time_s = self.interval_s * np.arange(self.rows)
        crystal_c = PROGRAMMES[self.programme](np.linspace(0.0, 1.0, self.rows), rng)
        offset_ppb = OSCILLATORS[self.oscillator](crystal_c, rng) + rng.normal(0.0, self.noise_ppb, self.rows)
        sensed_c = np.interp(np.arange(self.rows) + self.lag_samples, np.arange(self.rows), crystal_c)
        stepped_c = _stepped(sensed_c, self.temperature_step_c)
        columns = [time_s, stepped_c, _stepped(offset_ppb, self.offset_step_ppb)]
        return self._lines(*_with_fault(self.fault, np.array(columns), rng))

    def _lines(self, time_s: Floats, temperature_c: Floats, offset_ppb: Floats) -> str:
        shown = {
            "offset": lambda: offset_ppb,
            "frequency": lambda: NOMINAL_HZ * (1.0 + 1e-9 * offset_ppb),
            "phase": lambda: np.cumsum(np.nan_to_num(offset_ppb)) * 1e-9 * self.interval_s,
        }[self.reading]()
        rows = [
            f"{_field(1.7e9 + t)},{_field(c)},{_field(y)}" for t, c, y in zip(time_s, temperature_c, shown, strict=True)
        ]
        if self.fault == "short rows":
            rows[:: max(1, len(rows) // 7)] = [row.rpartition(",")[0] for row in rows[:: max(1, len(rows) // 7)]]
        return "\n".join(["utc,t,y", *rows]) + "\n"

    @property
    def job(self) -> str:
        """The job that describes the log."""
        interval = "" if self.reading != "phase" else f"interval_s = {self.interval_s!r}"
        time = {"stamped": 'time = "utc"', "interval": f"interval_s = {self.interval_s!r}", "none": interval}[self.time]
        reading = 'offset = "y"\noffset_unit = "ppb"' if self.reading == "offset" else f'{self.reading} = "y"'
        return (
            f'[oscillator]\nname = "odd"\nnominal_hz = {NOMINAL_HZ!r}\n[[run]]\nfile = "log.csv"\n{time}\ntemperature = "t"\n'
            f"{reading}\n[fit]\nlag = {json.dumps(self.lag)}\nmodels = {json.dumps(self.models)}\n[table]\n"
            f'form = "{self.form}"\nmax_error_ppb = 50\n'
        )


def _field(value: float) -> str:
    return "" if math.isnan(value) else repr(round(float(value), 6))


def _stepped(values: Floats, step: float) -> Floats:
    return np.round(values / step) * step if step else values


def _with_fault(fault: str, columns: Floats, rng: np.random.Generator) -> Floats:
    """Time, temperature and offset, shape (3, n), with what went wrong."""
    time_s, temperature_c, offset_ppb = columns
    rows = time_s.size
    part = slice(rows // 3, 2 * rows // 3)
    if fault == "gaps":
        return np.delete(columns, np.arange(rows)[part], axis=1)
    if fault == "missing values":
        columns[rng.integers(1, 3, rows // 4), rng.integers(0, rows, rows // 4)] = np.nan
    if fault == "repeated times":
        time_s[part] = time_s[part.start] if rows else 0.0
    if fault == "clock set back":
        time_s[part] -= time_s[-1]
    if fault == "stuck sensor":
        temperature_c[part] = temperature_c[part.start]
    if fault == "stuck counter":
        offset_ppb[part] = offset_ppb[part.start]
    if fault == "zeros":
        columns[rng.integers(1, 3, rows // 5), rng.integers(0, rows, rows // 5)] = 0.0
    if fault == "huge values":
        columns[rng.integers(1, 3, 3), rng.integers(0, rows, 3)] = [1e300, -1e18, 1e9]
    if fault == "irregular":
        time_s += rng.exponential(time_s[1] if rows > 1 else 1.0, rows).cumsum()
    if fault == "one sweep":
        return columns[:, : rows // 2]
    if fault == "all rows twice":
        return np.repeat(columns, 2, axis=1)
    return columns


CHOICES: Mapping[str, tuple[object, ...]] = {
    "programme": tuple(PROGRAMMES),
    "oscillator": tuple(OSCILLATORS),
    "fault": FAULTS,
    "rows": (2, 5, 8, 13, 21, 34, 55, 89, 144, 233, 377),
    "interval_s": (10.0, 1.0, 256.0, 0.001, 1e5),
    "temperature_step_c": (0.0, 1.0, 0.0625, 0.5, 5.0),
    "offset_step_ppb": (0.0, 100.0, 1.0, 1e4, 1e-3),
    "noise_ppb": (0.0, 2.0, 1e-6, 1e3),
    "lag_samples": (0, 11, -4),
    "reading": ("offset", "frequency", "phase"),
    "time": ("stamped", "stamped", "interval", "none"),
    "lag": ("auto", "auto", "auto", "none", "none", 30.0),
    "form": (*["steps"] * 8, "even", "segments", "polynomial", "auto"),
    "models": (*[("poly1",)] * 5, ("crystal",), ("poly2", "poly3"), ("poly5",), ("spline",), "auto"),
}


def drawn_log(seed: int) -> OddLog:
    """The log of a seed; the same seed gives the same log."""
    rng = np.random.default_rng(seed)
    return OddLog(seed=seed, **{name: among[rng.integers(len(among))] for name, among in CHOICES.items()})  # type: ignore[arg-type]


COMMANDS = ("inspect", "fit", "table")


def run_commands(log: OddLog, folder: Path) -> str:
    """Run inspect, fit and table on a log, as a user would; what is no result and no sentence is raised.

    Returns
    -------
    str
        The command that refused it and its sentence, or "" if all gave a result.
    """
    (folder / "log.csv").write_text(log.text)
    (folder / "job.toml").write_text(log.job)
    for command in COMMANDS:
        words = [command, str(folder / "job.toml"), "--into", str(folder / "out")]
        with warnings.catch_warnings():
            warnings.simplefilter("error")  # a library's remark on the terminal would be no sentence of ours
            result = CliRunner().invoke(main, words, catch_exceptions=False)
        if result.exit_code:
            said = [line for line in result.stderr.splitlines() if line.startswith("Error: ")]
            if result.exit_code != 2 or len(said) != 1:
                raise AssertionError(f"{command} ended with {result.exit_code}: {result.output}")
            return f"{command}: {said[0].removeprefix('Error: ')}"
        if "nan" in result.stdout.lower().split():
            raise AssertionError(f"{command} printed a number that is none: {result.stdout}")
    return ""
