"""Sections on recording a run: sources, the log, and a chamber's controller."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from tcomp.errors import JobError
from tcomp.job.keys import Column, Location, key, to_toml

if TYPE_CHECKING:
    from tcomp.job.sections import Job

Quantity = Literal["temperature", "frequency", "offset", "reference"]
"""What a source gives."""
Framing = Literal["8N1", "8E1", "8O1", "8N2", "8E2", "8O2", "7N1", "7E1", "7O1", "7M1", "7S1", "7N2", "7E2", "7O2"]
"""Data bits; no, even, odd, mark or space parity; stop bits."""
FlowControl = Literal["none", "xon/xoff", "rts/cts"]
Checksum = Literal[
    "xor", "sum", "crc8-07", "crc8-31", "crc16-1021", "crc16-1021-ffff", "crc16-hdlc", "crc16-8005", "crc16-8005-ffff"
]
"""Names of checksums; `tcomp.bench.line.CHECKSUMS` defines how each is computed."""
CHECKSUM_PATTERN = r"^[$!]?(?P<data>.*)\*(?P<sum>[0-9A-Fa-f]+)$"
"""The pattern of NMEA 0183: the characters between $ and the asterisk, then two hexadecimal digits."""


@dataclass(frozen=True)
class Source:
    """What `tcomp log` reads: an instrument, a board, a program or a file; give one block per source."""

    name: str = key("what you call it; no two sources have the same")
    kind: Literal["serial", "visa", "command", "file", "simulated"] = key(
        "serial: lines from a port; visa: an instrument (serial, GPIB, USB, TCP); command: lines that a program prints; file: "
        "a file that grows; simulated: no hardware, invented values, to try it out"
    )
    gives: tuple[Quantity, ...] = key(
        "what its lines hold, one or several: temperature, frequency, offset, or reference (the state of the trusted frequency: "
        "see good and within)"
    )
    unit: tuple[str, ...] = key(
        "the unit, for each of gives: degC, degF, K, ohm or code; Hz, kHz or MHz; 1, ppm or ppb; left out: degC, Hz, ppb",
        (),
    )
    fields: tuple[Column, ...] = key(
        'where in a line, for each of gives: the field\'s number, counted from 1, or its name, as in T=21.5, "T": 21.5, or in a '
        "line of headings; left out: the first fields, in the order of gives",
        (),
    )
    pattern: str | None = key(
        "instead of fields: a regular expression with a group for each of gives, in their order or named after them",
        None,
    )
    separator: Literal[",", ";", "\t", " "] | None = key(
        "between fields; left out: tab, semicolon or comma if the line has one, else blanks", None
    )
    checksum: Checksum | None = key(
        "of each line, in hexadecimal, most significant digit first; a line whose checksum is wrong or missing is a fault; xor: "
        "as NMEA 0183; sum: of the bytes, modulo 256 or 65536 as it has digits; crc8-07: polynomial 0x07; crc8-31: 0x31, "
        "reflected; crc16-1021: 0x1021, from 0, -ffff: from 0xFFFF; crc16-hdlc: 0x1021, reflected, from 0xFFFF, complemented; "
        "crc16-8005: 0x8005, reflected, from 0, -ffff: from 0xFFFF",
        None,
    )
    checksum_pattern: str = key(
        "regular expression with the groups data, what the checksum is of, and sum, the checksum itself",
        CHECKSUM_PATTERN,
    )
    largest_step: tuple[float, ...] = key(
        "largest plausible change from one sample to the next, for each of gives, in degC, ohm, code, Hz or ppb; 0: not "
        "checked; a sample beyond it is a fault, unless the next one agrees with it: then that one is taken",
        (),
    )
    ask: str | None = key(
        "line that is sent for each reading; with pattern, lines that do not match it are ignored until one does; left out: it "
        "sends by itself",
        None,
    )
    echo: bool | Literal["auto"] = key(
        "true: what is sent comes back first, and is waited for; auto: the same once it has been seen; a line that is equal to "
        "what was sent is never a reading",
        "auto",
    )
    period_s: float = key("seconds from one request to the next; 0: at once", 1.0)
    start: tuple[str, ...] = key("lines that are sent when it is opened", ())
    timeout_s: float = key("seconds within which a line is due", 5.0)
    port: str | None = key("serial: its name, such as /dev/ttyUSB0 or COM3", None)
    baud: int = key("serial: baud rate", 9600)
    framing: Framing = key("serial: data bits, parity (N, E, O, M, S) and stop bits", "8N1")
    flow_control: FlowControl = key("serial: what holds the other side back", "none")
    line_end: Literal["\n", "\r\n", "\r"] = key("what ends a line that is sent", "\n")
    resource: str | None = key("visa: the resource string, such as TCPIP::192.168.1.20::5025::SOCKET", None)
    library: str = key("visa: which implementation; @py is the one that is installed with tcomp", "@py")
    command: tuple[str, ...] = key('command: the program and its arguments, ["python", "probe.py"]', ())
    file: Path | None = key("file: the file that grows; relative to this job file", None)
    scenario: str = key("simulated: river_gauge, weather_station, or a case of the recovery tests", "river_gauge")
    good: str | None = key("reference: a regular expression that its line matches while the reference is well", None)
    within: tuple[float, float] | None = key("reference: between which its number is while the reference is well", None)


@dataclass(frozen=True)
class Log:
    """How `tcomp log` records."""

    file: Path | None = key("the log, relative to this job file; left out: JOB.log.csv beside it", None)
    sync_s: float = key("seconds after which all that came is on the disk, 5 at most", 2.0)
    rows_of: str | None = key(
        "name of the source whose samples make the rows, others are interpolated to them; left out: what gives the frequency",
        None,
    )
    join_s: float | None = key(
        "longest time between two samples over which is interpolated [s]; left out: five of the source's own intervals",
        None,
    )
    settled_ppb: float | None = key(
        "settled: what the offset may still drift while a soak is averaged [ppb]; left out: [plan] lag_residual_ppb, or a "
        "twentieth of curve_ppb, or 1",
        None,
    )
    settled_c: float = key("settled: what the temperature may still drift while a soak is averaged [degC]", 0.1)
    at_event: tuple[str, ...] = key(
        'a command of yours that is run at events with two words more, what (soak, set, fault, well, end) and a sentence: ["say"]',
        (),
    )
    speed: float = key("simulated sources only: simulated seconds in a second; 0: as fast as it goes", 60.0)


@dataclass(frozen=True)
class Controller:
    """The chamber's controller, for `tcomp log --drive`; [chamber] lowest_c and highest_c are hard limits then."""

    kind: Literal["serial", "visa", "command", "simulated"] = key("how it is reached", "serial")
    set: str | None = key('the line that sets it, {} stands for the set-point in degC: "SET {}", or "SET {:.1f}"', None)
    echo: str | None = key(
        "regular expression with one group: the set-point as the controller says it back, or answers to ask; it must agree",
        None,
    )
    ask: str | None = key("line that asks for the set-point; left out: it answers to set itself", None)
    safe_c: float | None = key("set-point that is sent at any end, and when a sensor is lost [degC]", None)
    timeout_s: float = key("seconds within which it must answer", 2.0)
    sensor_lost_s: float = key("seconds without a temperature after which the safe set-point is sent", 30.0)
    beyond_c: float = key(
        "by how much a measured temperature may pass the limits before the safe set-point is sent [degC]", 3.0
    )
    watchdog: Path | None = key(
        "file that is touched each second while all is well and never deleted, for a cut-out of yours: missing or old means off",
        None,
    )
    alarm_command: tuple[str, ...] = key(
        "a command of yours that is run at an alarm of the chamber, and each minute while it lasts, with two words more, alarm and "
        'a sentence: ["siren"]',
        (),
    )
    port: str | None = key("serial: its name", None)
    baud: int = key("serial: baud rate", 9600)
    framing: Framing = key("serial: data bits, parity (N, E, O, M, S) and stop bits", "8N1")
    flow_control: FlowControl = key("serial: what holds the other side back", "none")
    line_end: Literal["\n", "\r\n", "\r"] = key("what ends a line that is sent", "\n")
    resource: str | None = key("visa: the resource string", None)
    library: str = key("visa: which implementation", "@py")
    command: tuple[str, ...] = key("command: a program that takes lines and answers them", ())


UNITS = {
    "temperature": ("degC", "degF", "K", "ohm", "code"),
    "frequency": ("Hz", "kHz", "MHz"),
    "offset": ("ppb", "ppm", "1"),
    "reference": ("",),
}
"""Units of each quantity; the first is taken where a job states none."""

LINK_KEYS = {"serial": "port", "visa": "resource", "command": "command", "file": "file"}
"""The key that each kind of source or controller needs to be reached."""


def validate_recording(job: Job, location: Location) -> None:
    """Refuse sources, a log or a controller that cannot work as stated.

    Raises
    ------
    JobError
        A value is not possible, a key is missing, or two sections contradict each other.
    """
    for number, source in enumerate(job.sources):
        _validate_source(source, location, number)
    _validate_names(job, location)
    if not 0 < job.log.sync_s <= 5:
        raise JobError(
            f"{location.of('log', 'sync_s')}: [log] sync_s = {job.log.sync_s:g}: expected above 0, 5 at most"
        )
    for name, section in (("log", job.log), ("controller", job.controller)):
        for item in ("join_s", "settled_ppb", "settled_c", "timeout_s", "sensor_lost_s", "beyond_c"):
            value = getattr(section, item, None)
            if value is not None and value <= 0:
                raise JobError(f"{location.of(name, item)}: [{name}] {item} = {value:g}: expected a number above 0")
    if job.log.speed < 0:
        raise JobError(f"{location.of('log', 'speed')}: [log] speed = {job.log.speed:g}: expected 0 or more")
    if job.controller != Controller():
        _validate_controller(job, location)


def _validate_source(source: Source, location: Location, number: int) -> None:
    def where(item: str) -> str:
        return f"{location.of('source', item, number)}: [[source]] {source.name}: {item}"

    _require_link(source, where)
    if not source.gives or len(set(source.gives)) < len(source.gives):
        raise JobError(f"{where('gives')} = {to_toml(source.gives)}: expected one or several, each once")
    for item in ("unit", "fields", "largest_step"):
        given = getattr(source, item)
        if given and len(given) != len(source.gives):
            raise JobError(f"{where(item)} has {len(given)} entries, gives has {len(source.gives)}; expected as many")
    for quantity, unit in zip(source.gives, source.unit, strict=False):
        if unit not in UNITS[quantity]:
            raise JobError(f"{where('unit')}: '{unit}' is no unit of {quantity}; known: {', '.join(UNITS[quantity])}")
    if any(isinstance(field, int) and field < 1 for field in source.fields):
        raise JobError(f"{where('fields')} = {to_toml(source.fields)}: fields are counted from 1")
    if source.pattern is not None:
        if source.fields:
            raise JobError(f"{where('pattern')}: give pattern or fields, not both")
        _validate_groups(source, where("pattern"))
    if ("reference" in source.gives) != (source.good is not None or source.within is not None):
        raise JobError(f"{where('gives')}: reference goes with good or within, which say when it is well")
    _validate_lines(source, where)
    for item in ("period_s", "timeout_s", "baud"):
        value = getattr(source, item)
        if value < 0 or (value == 0 and item != "period_s"):
            raise JobError(f"{where(item)} = {value:g}: expected a number above 0")


def _validate_lines(source: Source, where: Callable[[str], str]) -> None:
    if any(step < 0 for step in source.largest_step):
        raise JobError(f"{where('largest_step')} = {to_toml(source.largest_step)}: expected 0 or more")
    if source.echo is False:
        raise JobError(
            f'{where("echo")} = false: expected true or "auto"; a line equal to the question is never a reading'
        )
    if source.echo is True and source.ask is None:
        raise JobError(f"{where('echo')} = true: goes with ask")
    try:
        groups = re.compile(source.checksum_pattern).groupindex
    except re.error as error:
        raise JobError(f"{where('checksum_pattern')}: is no regular expression: {error}") from error
    if not {"data", "sum"} <= set(groups):
        raise JobError(
            f"{where('checksum_pattern')} = {to_toml(source.checksum_pattern)}: expected the groups (?P<data>...) and (?P<sum>...)"
        )


def _require_link(section: Any, where: Any) -> None:
    needed = LINK_KEYS.get(section.kind)
    if needed is not None and not getattr(section, needed):
        raise JobError(f'{where(needed)} is left out; kind = "{section.kind}" needs it')


def _validate_groups(source: Source, where: str) -> None:
    try:
        pattern = re.compile(source.pattern or "")
    except re.error as error:
        raise JobError(f"{where} = {to_toml(source.pattern)}: is no regular expression: {error}") from error
    if set(pattern.groupindex) != set(source.gives) and pattern.groups != len(source.gives):
        raise JobError(
            f"{where} = {to_toml(source.pattern)}: has {pattern.groups} groups; expected one in round brackets for each of "
            f"{', '.join(source.gives)}"
        )


def _validate_names(job: Job, location: Location) -> None:
    names = Counter(source.name for source in job.sources)
    twice = [name for name, count in names.items() if count > 1]
    if twice:
        second = [n for n, source in enumerate(job.sources) if source.name == twice[0]][1]
        raise JobError(
            f"{location.of('source', 'name', second)}: two sources have the name '{twice[0]}'; give each its own, or the log could "
            "not distinguish their samples"
        )
    given = Counter(quantity for source in job.sources for quantity in source.gives)
    for quantity, count in given.items():
        if count > 1:
            raise JobError(f"{location.of('source')}: {count} sources give the {quantity}; a log has one")
    if "frequency" in given and "offset" in given:
        raise JobError(f"{location.of('source')}: the sources give a frequency and an offset; a log has one of them")
    if job.log.rows_of is not None and job.log.rows_of not in names:
        raise JobError(
            f"{location.of('log', 'rows_of')}: [log] rows_of = {to_toml(job.log.rows_of)}: there is no such source; known: "
            f"{', '.join(names) or 'none'}"
        )
    kinds = {source.kind for source in job.sources}
    if "simulated" in kinds and len(kinds) > 1:
        raise JobError(
            f"{location.of('source')}: simulated sources run on a clock of their own; all are simulated, or none"
        )


def _validate_controller(job: Job, location: Location) -> None:
    controller, chamber = job.controller, job.chamber

    def where(item: str) -> str:
        return f"{location.of('controller', item)}: [controller] {item}"

    _require_link(controller, where)
    if chamber.lowest_c is None or chamber.highest_c is None:
        raise JobError(
            f"{location.of('controller')}: a driven chamber needs hard limits: [chamber] lowest_c and highest_c"
        )
    if controller.safe_c is None or not chamber.lowest_c <= controller.safe_c <= chamber.highest_c:
        shown = "is left out" if controller.safe_c is None else f"= {controller.safe_c:g} is outside the limits"
        raise JobError(f"{where('safe_c')} {shown}; expected {chamber.lowest_c:g} to {chamber.highest_c:g} degC")
    if controller.kind == "simulated":
        return
    if controller.set is None or not _takes_a_number(controller.set):
        raise JobError(
            f'{where("set")} = {to_toml(controller.set)}: expected a line with one {{}}, such as "SET {{:.1f}}"'
        )
    if controller.echo is None or not _has_one_group(controller.echo):
        raise JobError(
            f"{where('echo')} = {to_toml(controller.echo)}: expected a regular expression with one group, the set-point that the "
            "controller says back; a set-point that is not checked may not have arrived"
        )


def _takes_a_number(text: str) -> bool:
    try:
        return text.format(1.0) != text.format(2.0)
    except (IndexError, KeyError, ValueError):
        return False


def _has_one_group(text: str) -> bool:
    try:
        return re.compile(text).groups == 1
    except re.error:
        return False
