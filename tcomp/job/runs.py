"""The section [[run]]: a log and what its columns hold."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Literal, TypedDict

from tcomp.errors import JobError
from tcomp.job.keys import Column, Location, key, require_positive

OffsetUnit = Literal[
    "1", "ppm", "ppb", "ppt", "1e-6", "1e-7", "1e-8", "1e-9", "1e-10", "1e-11", "1e-12", "Hz", "s/day", "s/month"
]
"""Units of a fractional frequency offset."""
TimeUnit = Literal["s", "ms", "us", "ns", "min", "h", "d", "mjd", "jd", "serial-date"]
"""What a plain number in a time column counts."""


@dataclass(frozen=True)
class Regressor:
    """A quantity besides temperature that may move the offset, logged beside it: one block for each."""

    column: Column = key("the column of every log that holds it: its name in the header, or its number from 1")
    name: str = key(
        "what you call it, such as humidity or supply; letters, digits, blanks and _; left out: the column's name", ""
    )
    unit: str = key('the unit of the column, such as "V" or "%"; left out: none', "")
    form: Literal["linear", "quadratic"] = key(
        "linear: the offset goes with it in proportion; quadratic: along a parabola", "linear"
    )
    reference: float | None = key(
        "the value for which curve and table hold [unit]; left out: the mean over the runs", None, signed=True
    )
    use: tuple[float, float] | None = key(
        "its lowest and highest value in use [unit], for the verdict; left out: as in the runs", None, signed=True
    )


@dataclass(frozen=True)
class RunLog:
    """One log of the oscillator: give one block per file; a column is given by its name, or by its number from 1."""

    file: Path = key("the log: .csv, .tsv, .txt, .dsv (also .gz), or .parquet; relative to this job file")
    temperature: Column = key(
        "the column with the sensor's temperature: its name in the header, or its number from 1 where there is no header"
    )
    time: Column | tuple[Column, Column] | None = key(
        'the column with the time, or two of them: ["date", "time"]; left out: see interval_s',
        None,
    )
    time_format: str | None = key(
        'format of the time, if not ISO 8601, Unix seconds or MJD; for example "%d/%m/%Y %H:%M:%S"', None
    )
    time_unit: TimeUnit | None = key(
        'what plain numbers in the time column count: "s", "ms", "us", "ns", "min", "h" or "d" (days) since a start or, in s to '
        'ns, since 1970; or "mjd", "jd" (Julian Date), "serial-date" (days since 1899-12-30, as in spreadsheets); left out: '
        "found from their size, then from the column's name, else seconds",
        None,
    )
    interval_s: float | None = key(
        "seconds between rows that have no time; with neither the log is an unordered table, without lag and ageing",
        None,
    )
    frequency: Column | None = key(
        "column with the frequency, in frequency_unit; or give offset, phase, or reading and trusted", None
    )
    frequency_unit: Literal["Hz", "kHz", "MHz"] = key('unit of the frequency column: "Hz", "kHz" or "MHz"', "Hz")
    offset: Column | None = key("column with the fractional frequency offset, in offset_unit", None)
    offset_unit: OffsetUnit | None = key(
        'unit of the offset column: "1" (a pure number), "ppm", "ppb" or "ppt"; "1e-6" to "1e-12", parts in a power of ten; '
        '"Hz" off the nominal frequency; "s/day" or "s/month" (a twelfth of 365.25 days) that a clock gains',
        None,
    )
    phase: Column | None = key(
        "column with the time error of the oscillator's clock, or with readings of a time-interval counter, in phase_unit",
        None,
    )
    phase_unit: Literal["s", "ms", "us", "ns"] = key('unit of the phase column: "s", "ms", "us" or "ns"', "s")
    phase_sign: Literal["+", "-"] = key(
        '"+": the phase grows while the oscillator is fast, as where the counter starts at the oscillator\'s pulse and stops at '
        "the reference's: an oscillator 100 ppb fast adds 100 ns each second, and 0, 1000, 2000 ns at 0, 10, 20 s read as "
        "+100 ppb; \"-\": it falls, as where the counter starts at the reference's pulse and stops at the oscillator's: 0, "
        "-1000, -2000 ns read as +100 ppb",
        "+",
    )
    phase_wrap_s: float | None = key(
        "period at which the phase wraps [s], such as 1 for pulses once a second; left out: it does not wrap",
        None,
    )
    event: Column | None = key(
        "column with the trusted times of the clock's nominally periodic events, such as a beacon's frames or a pulse: by ISO "
        "8601, Unix seconds or time_format; missing events are counted on, repeated and late ones are found; needs period_s",
        None,
    )
    period_s: float | None = key(
        "period of the ticks on which events stand, by the clock's own count [s]; with event", None
    )
    reading: Column | None = key("column with a reading taken at the same moment as trusted, in the same unit", None)
    trusted: tuple[Column, ...] = key("the trusted column that reading is compared with, or columns to be averaged", ())
    role: Literal["oscillator", "timebase"] = key(
        "oscillator: the column is the oscillator, measured against the trusted reference; timebase: it is a "
        "trusted frequency, shown by an instrument that runs on the oscillator, so the sign is reversed",
        "oscillator",
    )
    reference_hz: float | None = key(
        'the trusted frequency [Hz] that the instrument showed; with role = "timebase"', None
    )
    separator: Literal[",", ";", "\t", " "] | None = key(
        'between fields: ",", ";", "\\t", or " " for one or more blanks; found from the header if left out', None
    )
    decimal: Literal[".", ","] | None = key("decimal mark; found from the values if left out", None)
    skip_lines: int | None = key("lines before the header; found by the column names if left out", None)
    missing: tuple[str, ...] = key("words that the log writes for a missing value", ())
    temperature_file: Path | None = key(
        "a second log, which holds the temperature column with times of its own; relative to this job file; its temperatures are "
        "interpolated at the times of file, never across a gap",
        None,
    )
    temperature_time: Column | tuple[Column, Column] | None = key(
        "the column of temperature_file with the time, or two of them, as for time; needed with temperature_file", None
    )
    temperature_time_format: str | None = key("how that time is written, as for time_format", None)
    clock_offset: Literal["auto"] | float = key(
        "seconds to add to the times of temperature_file, so that they agree with those of file: 33 where the clock of "
        'temperature_file is 33 s behind; "auto": estimated from the data, where they determine it',
        "auto",
    )
    regressors: tuple[Regressor, ...] = field(default=(), metadata={})
    """The columns of [[regressor]], which are read with those of the block."""

    def __post_init__(self) -> None:
        if self.event is not None and self.time is None:  # an event is a time and nothing else
            object.__setattr__(self, "time", self.event)

    @property
    def files(self) -> tuple[Path, ...]:
        """The files that the block reads."""
        return (self.file,) if self.temperature_file is None else (self.file, self.temperature_file)

    @property
    def time_columns(self) -> tuple[Column, ...]:
        """The columns that hold the time: none, one, or two."""
        if self.time is None:
            return ()
        return self.time if isinstance(self.time, tuple) else (self.time,)


class RunColumns(TypedDict, total=False):
    """What the columns of a frame hold: the keys of [[run]] without those about the layout of a file."""

    temperature: Column
    time: Column | tuple[Column, Column] | None
    time_format: str | None
    time_unit: TimeUnit | None
    interval_s: float | None
    frequency: Column | None
    frequency_unit: Literal["Hz", "kHz", "MHz"]
    offset: Column | None
    offset_unit: OffsetUnit | None
    phase: Column | None
    phase_unit: Literal["s", "ms", "us", "ns"]
    phase_sign: Literal["+", "-"]
    phase_wrap_s: float | None
    event: Column | None
    period_s: float | None
    reading: Column | None
    trusted: tuple[Column, ...]
    role: Literal["oscillator", "timebase"]
    reference_hz: float | None
    missing: tuple[str, ...]


def validate_run(run: RunLog, location: Location, block: int) -> None:
    """Refuse keys of one [[run]] that do not go together.

    Raises
    ------
    JobError
        A key is missing, or contradicts another.
    """
    where = location.of("run", None, block)
    kinds = [name for name in ("frequency", "offset", "phase", "event", "reading") if getattr(run, name) is not None]
    if len(kinds) != 1:
        given = ", ".join(kinds) or "none"
        raise JobError(
            f"{where}: [[run]] needs exactly one of frequency, offset, phase, event, reading; it has {given}"
        )
    if (run.offset is not None) != (run.offset_unit is not None):
        raise JobError(
            f'{where}: [[run]] needs offset and offset_unit ("1", "ppm", "ppb", "Hz", "s/day" or another) together'
        )
    if run.frequency_unit != "Hz" and run.frequency is None:
        raise JobError(
            f"{location.of('run', 'frequency_unit', block)}: [[run]] frequency_unit goes with a frequency column"
        )
    if (run.reading is not None) != bool(run.trusted):
        raise JobError(f"{where}: [[run]] needs reading and trusted together")
    if run.time is not None and run.interval_s is not None:
        raise JobError(f"{where}: [[run]] has both time and interval_s; keep the one that is true")
    if run.time_unit is not None and (not isinstance(run.time, str | int) or run.time_format is not None):
        raise JobError(
            f"{location.of('run', 'time_unit', block)}: [[run]] time_unit goes with one time column of plain numbers, without "
            "time_format"
        )
    if run.phase is not None and run.time is None and run.interval_s is None:
        raise JobError(f"{where}: [[run]] phase needs a time column or interval_s, to be differenced over time")
    _validate_phase(run, location, block)
    _validate_event(run, location, block)
    _validate_temperature_file(run, location, block)
    timebase_hz = run.role == "timebase" and (run.frequency is not None or run.offset_unit == "Hz")
    if timebase_hz != (run.reference_hz is not None):
        raise JobError(
            f"{where}: [[run]] reference_hz, the trusted frequency that was shown, goes with a frequency column "
            'and role = "timebase"'
        )
    for name in ("interval_s", "reference_hz", "phase_wrap_s", "period_s"):
        require_positive(getattr(run, name), f"{location.of('run', name, block)}: [[run]] {name}")
    if run.skip_lines is not None and run.skip_lines < 0:
        raise JobError(
            f"{location.of('run', 'skip_lines', block)}: [[run]] skip_lines = {run.skip_lines}: expected 0 or more"
        )


def _validate_phase(run: RunLog, location: Location, block: int) -> None:
    for item in fields(run):
        if item.name.startswith("phase_") and getattr(run, item.name) != item.default and run.phase is None:
            raise JobError(f"{location.of('run', item.name, block)}: [[run]] {item.name} goes with a phase column")


def _validate_event(run: RunLog, location: Location, block: int) -> None:
    """An event is a time, with a period, beside the temperature."""
    if (run.event is not None) != (run.period_s is not None):
        raise JobError(
            f"{location.of('run', None, block)}: [[run]] needs event and period_s together: the column with the times of the "
            "events and the period of the clock's ticks in seconds"
        )
    if run.event is None:
        return
    if run.time != run.event:
        raise JobError(
            f"{location.of('run', 'time', block)}: [[run]] event is the time itself; leave out time, or name the same column"
        )
    if run.temperature_file is not None:
        raise JobError(
            f"{location.of('run', 'temperature_file', block)}: [[run]] event needs the temperature in the same file; join the two "
            "logs and leave out temperature_file"
        )


def _validate_temperature_file(run: RunLog, location: Location, block: int) -> None:
    """The keys of a second log go together, and both logs have times to be joined by."""
    given = [name for name in ("temperature_time", "temperature_time_format") if getattr(run, name) is not None]
    given += [] if run.clock_offset == "auto" else ["clock_offset"]
    if run.temperature_file is None:
        if given:
            raise JobError(f"{location.of('run', given[0], block)}: [[run]] {given[0]} goes with temperature_file")
        return
    if run.temperature_time is None:
        raise JobError(
            f"{location.of('run', 'temperature_file', block)}: [[run]] temperature_file needs temperature_time, the column with "
            "its times"
        )
    if run.time is None and run.interval_s is None:
        raise JobError(
            f"{location.of('run', 'temperature_file', block)}: [[run]] temperature_file needs a time column or interval_s of the "
            "log, to be joined by"
        )


TAKEN = ("lag", "second lag", "ageing", "hysteresis", "response", "base", "curve", "temperature")
"""Names that other effects have."""


def named_regressors(regressors: tuple[Regressor, ...], location: Location) -> tuple[Regressor, ...]:
    """Blocks of [[regressor]] with the names that are left out, validated.

    Raises
    ------
    JobError
        A name is missing, taken, or stands twice; or a range does not go from less to more.
    """
    named: list[Regressor] = []
    for block, one in enumerate(regressors):
        name = one.name or (one.column if isinstance(one.column, str) else "")
        where = f"{location.of('regressor', 'name' if one.name else 'column', block)}: [[regressor]]"
        if not name:
            raise JobError(f"{where} column {one.column} has no name in a header; give name")
        if not re.fullmatch(r"[A-Za-z][A-Za-z0-9_ ]*", name):
            raise JobError(
                f'{where} name = "{name}": expected letters, digits, blanks and _, a letter first; give name'
            )
        if name.lower() in TAKEN or any(name == other.name for other in named):
            raise JobError(f'{where} name = "{name}": the name is taken; give another')
        if one.use is not None and one.use[0] >= one.use[1]:
            raise JobError(
                f"{location.of('regressor', 'use', block)}: [[regressor]] use = [{one.use[0]:g}, {one.use[1]:g}]: expected "
                "[lowest, highest]"
            )
        named.append(replace(one, name=name))
    return tuple(named)
