"""The verdict as charts: error against days, watts and price."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from tcomp.documents.verdict import BreakEven, Option, VerdictDocument
from tcomp.report.chart import Axis, Band, Chart, Level, Mark, Note, Panel, Series, Span
from tcomp.report.section import Gauge, Grid, Row, Scale
from tcomp.report.words import number

DASHES: tuple[Mark, ...] = ("line", "dashed", "mixed", "dotted", "long")
CHART_COLOURS = ("cooling", "heating", "curve", "dropped", "gold", "violet", "ink", "quiet")
"""Of the options, in their order: five dashes and eight colours make forty pairs."""
FIRST_DAY = 0.5
"""Where the day of the trim stands on a logarithmic axis. [day]"""
ALIKE = 0.05
"""Options that differ by less than this share over all of their days are drawn as one."""


def over_days(verdict: VerdictDocument) -> Chart:
    """What 95 % of the errors are within, from 68 % upwards as a band, against days since the trim."""
    series, bands = [], []
    notes: list[Note] = []
    for place, (option, name) in enumerate(_merged(verdict.options)):
        mark, colour = DASHES[place % len(DASHES)], CHART_COLOURS[place % len(CHART_COLOURS)]
        days, most, nearly = np.array(option.error_by_day, dtype=np.float64).T
        days = np.maximum(days, FIRST_DAY)
        bands.append(Band("", days, most, nearly, colour))
        series.append(Series(name, days, nearly, mark, colour))
        if _short(name) not in [one.text for one in notes]:  # the legend tells the others apart
            notes.append(Note(_short(name), float(days[-1]), float(nearly[-1])))
    trim_day = verdict.use.recalibrate_days
    return Chart(
        "days",
        "How does the error of each option grow after its trim?",
        "Error of each option against days since its trim",
        "Within the line lie 95 % of the errors, within the lower end of its band 68 %. The left end is the day of the trim.",
        "days since the trim",
        (
            Panel(
                "error, 95 % within [ppb]",
                tuple(series),
                tuple(bands),
                (Level("need", float(verdict.needed_ppb)), Level("the next trim", trim_day, upright=True)),
                notes=tuple(notes),
                log=True,
            ),
        ),
        x_log=True,
    )


def _merged(options: Sequence[Option]) -> Iterator[tuple[Option, str]]:
    """Options with their names; one that runs along a longer one is named with it."""
    drawn: dict[str, tuple[Option, list[str]]] = {}
    for option in sorted(options, key=lambda one: -one.error_by_day[-1][0]):
        twin = next((name for name, (other, _) in drawn.items() if _alike(option, other)), None)
        if twin is None:
            drawn[option.name] = (option, [option.name])
        else:
            drawn[twin][1].append(option.name)
    order = [option.name for option in options]
    for name in sorted(drawn, key=order.index):
        option, names = drawn[name]
        yield option, "; the same: ".join(names)


def _alike(short: Option, long: Option) -> bool:
    days, _, nearly = np.array(short.error_by_day, dtype=np.float64).T
    other_days, _, other = np.array(long.error_by_day, dtype=np.float64).T
    return bool(np.all(np.abs(np.interp(days, other_days, other) - nearly) <= ALIKE * nearly))


def _labels(options: Sequence[Option]) -> list[str]:
    """Short names where they differ, and whole ones where they would not."""
    short = [_short(option.name) for option in options]
    return [words if short.count(words) == 1 else option.name for words, option in zip(short, options, strict=True)]


def _short(name: str) -> str:
    """The words before a comma or a semicolon, for a label in a chart."""
    return name.split(";", maxsplit=1)[0].split(",", maxsplit=1)[0]


def against_cost(verdict: VerdictDocument, supply_watts: float | None) -> tuple[Chart, ...]:
    """The oven as a picture: the error that each option reaches against its watts, and against its price."""
    named = [(option, name) for option, name in zip(verdict.options, _labels(verdict.options), strict=True)]
    priced = [(one.price or 0.0, one, name) for one, name in named if one.price is not None or not one.power.peak_watts]
    charts = [
        _against(
            "watts",
            "What does a smaller error take from the supply?",
            "lasting power from the rail [W]",
            [(one.power.steady_watts, one, name) for one, name in named],
            verdict.needed_ppb,
            supply_watts,
        )
    ]
    if any(price > 0 for price, _, _ in priced):
        charts.append(_against("price", "What does a smaller error cost?", "price", priced, verdict.needed_ppb, None))
    return tuple(charts)


def _against(
    name: str,
    question: str,
    words: str,
    placed: list[tuple[float, Option, str]],
    needed_ppb: float,
    limit: float | None,
) -> Chart:
    widest = max([x for x, _, _ in placed] + ([limit] if limit is not None else []))
    far = 1.3 * widest if widest > 0 else 1.0
    kinds: tuple[tuple[str, Mark, str], ...] = (("meets the need", "disc", "curve"), ("does not", "block", "heating"))
    series = [
        Series(
            kind,
            np.array([x for x, one, _ in placed if (one.meets == "meets") == (mark == "disc")]),
            np.array([one.need_met_ppb for _, one, _ in placed if (one.meets == "meets") == (mark == "disc")]),
            mark,
            colour,
        )
        for kind, mark, colour in kinds
    ]
    ends = Series("", np.array([0.0, far]), np.array([np.nan, np.nan]), "line", "quiet")
    spans = () if limit is None or limit >= far else (Span("more than the supply gives", limit, far),)
    return Chart(
        name,
        question,
        f"Error that each option reaches against {words.split(' [', maxsplit=1)[0]}",
        "",
        words,
        (
            Panel(
                "need that it would meet [ppb]",
                (*(one for one in series if one.x.size), ends),
                levels=(Level("need", needed_ppb),),
                spans=spans,
                notes=tuple(Note(label, x, one.need_met_ppb) for x, one, label in placed),
                log=True,
            ),
        ),
    )


BULLETS = Axis(0.01, 100.0, log=True)
"""Of a figure as a multiple of what it is now."""


def turning_points(points: Sequence[BreakEven], found_ageing: tuple[float, float] | None) -> Grid | None:
    """Each figure as it is now, as measured, and where it would turn the verdict; bars are multiples of what it is now."""
    rows = []
    for one in points:
        if not one.now > 0:
            continue
        measured = found_ageing if one.kind == "ageing" else None
        found = "-" if measured is None else f"{number(measured[0])} (u {number(measured[1], 2)})"
        gauge = Gauge(
            "",
            0.0,
            _bullet(1.0),
            at=None if measured is None else _bullet(abs(measured[0]) / one.now),
            limit=None if one.turns_at is None else _bullet(one.turns_at / one.now),
            wide=True,
            lines=tuple(round(100 * tick.at, 1) for tick in BULLETS.ticks()),
        )
        turns = "nowhere that matters" if one.turns_at is None else number(one.turns_at)
        rows.append(Row((f"{one.name}{f' [{one.unit}]' if one.unit else ''}", number(one.now), found, turns, gauge)))
    if not rows:
        return None
    caption = "What would turn the verdict. Bar: now; dot: measured in the runs; upright line: where it turns"
    scale = Scale("times what it is now", BULLETS.ticks())
    return Grid(("figure", "now", "measured", "turns at", scale), tuple(rows), (1, 2, 3), caption)


def _bullet(ratio: float) -> float:
    return round(100 * float(BULLETS.place(np.array(max(ratio, 1e-9))).clip(0.0, 1.0)), 1)
