"""Checks of what `tcomp log` reads and drives."""

from __future__ import annotations

import re
from collections import Counter
from typing import Any

from tcomp.errors import JobError
from tcomp.job.log_sections import Controller, Source
from tcomp.job.place import Place
from tcomp.job.sections import Job
from tcomp.job.written import written

UNITS = {
    "temperature": ("degC", "degF", "K", "ohm", "code"),
    "frequency": ("Hz", "kHz", "MHz"),
    "offset": ("ppb", "ppm", "1"),
    "reference": ("",),
}
"""Units that a job may give, the one that is taken where it gives none first."""

NEEDED = {"serial": "port", "visa": "resource", "command": "command", "file": "file"}
"""What a kind of source cannot be without."""


def check_sources(job: Job, place: Place) -> None:
    """Sources, their log and the chamber's controller: each alone, then together."""
    for number, source in enumerate(job.sources):
        _check_source(source, place, number)
    _check_names(job, place)
    if not 0 < job.log.sync_s <= 5:
        raise JobError(f"{place.of('log', 'sync_s')}: [log] sync_s = {job.log.sync_s:g}: expected above 0, 5 at most")
    for name, section in (("log", job.log), ("controller", job.controller)):
        for item in ("join_s", "settled_ppb", "settled_c", "timeout_s", "sensor_lost_s", "beyond_c"):
            value = getattr(section, item, None)
            if value is not None and value <= 0:
                raise JobError(f"{place.of(name, item)}: [{name}] {item} = {value:g}: expected a number above 0")
    if job.log.speed < 0:
        raise JobError(f"{place.of('log', 'speed')}: [log] speed = {job.log.speed:g}: expected 0 or more")
    if job.controller != Controller():
        _check_controller(job, place)


def _check_source(source: Source, place: Place, number: int) -> None:
    def where(item: str) -> str:
        return f"{place.of('source', item, number)}: [[source]] {source.name}: {item}"

    _need_reach(source, where)
    if not source.gives or len(set(source.gives)) < len(source.gives):
        raise JobError(f"{where('gives')} = {written(source.gives)}: expected one or several, each once")
    for item in ("unit", "fields"):
        given = getattr(source, item)
        if given and len(given) != len(source.gives):
            raise JobError(f"{where(item)} has {len(given)} entries, gives has {len(source.gives)}; expected as many")
    for quantity, unit in zip(source.gives, source.unit, strict=False):
        if unit not in UNITS[quantity]:
            raise JobError(f"{where('unit')}: '{unit}' is no unit of {quantity}; known: {', '.join(UNITS[quantity])}")
    if any(isinstance(field, int) and field < 1 for field in source.fields):
        raise JobError(f"{where('fields')} = {written(source.fields)}: fields are counted from 1")
    if source.pattern is not None:
        if source.fields:
            raise JobError(f"{where('pattern')}: give pattern or fields, not both")
        _check_groups(source, where("pattern"))
    if ("reference" in source.gives) != (source.good is not None or source.within is not None):
        raise JobError(f"{where('gives')}: reference goes with good or within, which say when it is well")
    for item in ("period_s", "timeout_s", "baud"):
        value = getattr(source, item)
        if value < 0 or (value == 0 and item != "period_s"):
            raise JobError(f"{where(item)} = {value:g}: expected a number above 0")


def _need_reach(section: Any, where: Any) -> None:
    needed = NEEDED.get(section.kind)
    if needed is not None and not getattr(section, needed):
        raise JobError(f'{where(needed)} is left out; kind = "{section.kind}" needs it')


def _check_groups(source: Source, where: str) -> None:
    try:
        pattern = re.compile(source.pattern or "")
    except re.error as error:
        raise JobError(f"{where} = {written(source.pattern)}: is no regular expression: {error}") from error
    if set(pattern.groupindex) != set(source.gives) and pattern.groups != len(source.gives):
        raise JobError(
            f"{where} = {written(source.pattern)}: has {pattern.groups} groups; expected one in round brackets for each of "
            f"{', '.join(source.gives)}"
        )


def _check_names(job: Job, place: Place) -> None:
    names = Counter(source.name for source in job.sources)
    twice = [name for name, count in names.items() if count > 1]
    if twice:
        second = [n for n, source in enumerate(job.sources) if source.name == twice[0]][1]
        raise JobError(
            f"{place.of('source', 'name', second)}: two sources have the name '{twice[0]}'; give each its own, or the log could "
            "not tell their samples apart"
        )
    given = Counter(quantity for source in job.sources for quantity in source.gives)
    for quantity, count in given.items():
        if count > 1:
            raise JobError(f"{place.of('source')}: {count} sources give the {quantity}; a log has one")
    if "frequency" in given and "offset" in given:
        raise JobError(f"{place.of('source')}: the sources give a frequency and an offset; a log has one of them")
    if job.log.rows_of is not None and job.log.rows_of not in names:
        raise JobError(
            f"{place.of('log', 'rows_of')}: [log] rows_of = {written(job.log.rows_of)}: there is no such source; known: "
            f"{', '.join(names) or 'none'}"
        )
    kinds = {source.kind for source in job.sources}
    if "simulated" in kinds and len(kinds) > 1:
        raise JobError(
            f"{place.of('source')}: simulated sources run on a clock of their own; all are simulated, or none"
        )


def _check_controller(job: Job, place: Place) -> None:
    controller, chamber = job.controller, job.chamber

    def where(item: str) -> str:
        return f"{place.of('controller', item)}: [controller] {item}"

    _need_reach(controller, where)
    if chamber.lowest_c is None or chamber.highest_c is None:
        raise JobError(
            f"{place.of('controller')}: a driven chamber needs hard limits: [chamber] lowest_c and highest_c"
        )
    if controller.safe_c is None or not chamber.lowest_c <= controller.safe_c <= chamber.highest_c:
        shown = "is left out" if controller.safe_c is None else f"= {controller.safe_c:g} is outside the limits"
        raise JobError(f"{where('safe_c')} {shown}; expected {chamber.lowest_c:g} to {chamber.highest_c:g} degC")
    if controller.kind == "simulated":
        return
    if controller.set is None or not _takes_a_number(controller.set):
        raise JobError(
            f'{where("set")} = {written(controller.set)}: expected a line with one {{}}, such as "SET {{:.1f}}"'
        )
    if controller.echo is None or not _has_one_group(controller.echo):
        raise JobError(
            f"{where('echo')} = {written(controller.echo)}: expected a regular expression with one group, the set-point that the "
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
