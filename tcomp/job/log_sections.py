"""Sections on recording a run: sources, the log, and a chamber's controller."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from tcomp.job.keys import Column, key

Quantity = Literal["temperature", "frequency", "offset", "reference"]
"""What a source gives."""


@dataclass(frozen=True)
class Source:
    """What `tcomp log` reads: an instrument, a board, a program or a file; give one block per source."""

    name: str = key("what you call it; no two sources have the same")
    kind: Literal["serial", "visa", "command", "file", "simulated"] = key(
        "serial: lines from a port; visa: an instrument (serial, GPIB, USB, TCP); command: lines that a program prints; file: "
        "a file that grows; simulated: no hardware, invented values, to try it out"
    )
    gives: tuple[Quantity, ...] = key(
        "what its lines hold, one or several: temperature, frequency, offset, or reference (a sign that the trusted frequency "
        "is well: see good and within)"
    )
    unit: tuple[str, ...] = key(
        "in what, for each of gives: degC, degF, K, ohm or code; Hz, kHz or MHz; 1, ppm or ppb; left out: degC, Hz, ppb",
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
    ask: str | None = key("line that is sent for each reading; left out: it speaks by itself", None)
    period_s: float = key("seconds from asking to asking; 0: at once", 1.0)
    start: tuple[str, ...] = key("lines that are sent when it is opened", ())
    timeout_s: float = key("seconds within which a line is due", 5.0)
    port: str | None = key("serial: its name, such as /dev/ttyUSB0 or COM3", None)
    baud: int = key("serial: baud rate", 9600)
    line_end: Literal["\n", "\r\n", "\r"] = key("what ends a line that is sent", "\n")
    resource: str | None = key("visa: the resource string, such as TCPIP::192.168.1.20::5025::SOCKET", None)
    library: str = key("visa: which implementation; @py is the one that comes along", "@py")
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
        "file that is written anew each second while all is well, for a cut-out of yours that acts when it grows old",
        None,
    )
    port: str | None = key("serial: its name", None)
    baud: int = key("serial: baud rate", 9600)
    line_end: Literal["\n", "\r\n", "\r"] = key("what ends a line that is sent", "\n")
    resource: str | None = key("visa: the resource string", None)
    library: str = key("visa: which implementation", "@py")
    command: tuple[str, ...] = key("command: a program that takes lines and answers them", ())
