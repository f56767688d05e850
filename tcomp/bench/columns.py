"""What the columns of the log are, and which source each comes from."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from tcomp.bench.line import WRITTEN_IN
from tcomp.errors import JobError
from tcomp.job import Job, RunLog, Source
from tcomp.job.bench import UNITS
from tcomp.job.written import written

NAMES = {
    "degC": "temperature_c",
    "ohm": "temperature_ohm",
    "code": "temperature_code",
    "Hz": "frequency_hz",
    "ppb": "offset_ppb",
}


@dataclass(frozen=True)
class Column:
    """A column of the log: its name, the quantity, the unit that it holds, and its source."""

    name: str
    quantity: str
    unit: str
    source: str


@dataclass(frozen=True)
class Layout:
    """The log's columns; rows are made at the samples of one source."""

    path: Path
    time: str
    columns: tuple[Column, ...]
    rows_of: str
    run: RunLog | None
    """The [[run]] block of the job that names this log, if it has one."""

    @property
    def joined(self) -> bool:
        """Whether there is more than one source, so that values are interpolated."""
        return len({column.source for column in self.columns}) > 1

    @property
    def header(self) -> str:
        """The line of headings; beside a value that may be interpolated stands how it came."""
        names = [self.time]
        for column in self.columns:
            names += [column.name] if column.source == self.rows_of else [column.name, f"{column.name}_how"]
        return ",".join(names)

    def of(self, quantity: str) -> Column | None:
        """The column of a quantity."""
        return next((column for column in self.columns if column.quantity == quantity), None)

    def run_block(self, role: str = "oscillator") -> str:
        """The [[run]] block with which `tcomp inspect` and `tcomp build` read the log."""
        lines = ["[[run]]", f"file = {written(self.path.name)}", f"time = {written(self.time)}"]
        for column in self.columns:
            lines.append(f"{column.quantity} = {written(column.name)}")
            lines += ['offset_unit = "ppb"'] if column.quantity == "offset" else []
        return "\n".join([*lines, f"role = {written(role)}"])


def layout_of(job: Job) -> Layout:
    """The columns of a job's log.

    Raises
    ------
    JobError
        The sources give no temperature, or neither a frequency nor an offset; or what is logged does not fit the job.
    """
    where = job.place("source", "gives")
    gives = {quantity: source for source in job.sources for quantity in source.gives}
    if "temperature" not in gives or not {"frequency", "offset"} & set(gives):
        raise JobError(
            f"{where}: the sources give {', '.join(gives) or 'nothing'}; a log needs [[source]] blocks that give a temperature, "
            "and a frequency or an offset; `tcomp log --example` prints a job that has them"
        )
    if "frequency" in gives and job.oscillator.nominal_hz is None:
        raise JobError(f"{job.path}: a source of the frequency needs [oscillator] nominal_hz")
    path = job.path.parent / (job.log.file or f"{job.path.stem}.log.csv")
    run = next((run for run in job.runs if run.file.resolve() == path.resolve()), None)
    quantities = [name for name in ("temperature", "frequency", "offset") if name in gives]
    columns = tuple(_column(quantity, gives[quantity], run) for quantity in quantities)
    _check_sensor(job, columns[0])
    time = run.time if run is not None and isinstance(run.time, str) else "utc"
    return Layout(path, time, columns, job.log.rows_of or gives[quantities[1]].name, run)


def _column(quantity: str, source: Source, run: RunLog | None) -> Column:
    given = source.unit[source.gives.index(quantity)] if source.unit else UNITS[quantity][0]
    unit = WRITTEN_IN[given]
    named = getattr(run, quantity, None)
    return Column(named if isinstance(named, str) else NAMES[unit], quantity, unit, source.name)


def _check_sensor(job: Job, column: Column) -> None:
    kind, resistive = job.sensor.kind, job.sensor.kind in ("pt100", "pt1000", "ntc")
    holds = "degC" if kind == "celsius" else "ohm" if resistive and job.sensor.divider is None else "code"
    if column.unit != holds and not (kind == "linear" and column.unit == "ohm"):
        raise JobError(
            f'{job.place("sensor", "kind")}: [sensor] kind = "{kind}" takes {holds}, and source {column.source} gives '
            f"{column.unit}; make unit and [sensor] agree"
        )
