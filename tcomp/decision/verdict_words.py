"""The verdict in one paragraph, and the questions that a job's figures raise."""

from __future__ import annotations

from collections.abc import Iterator

from tcomp.decision.contribution import Contribution
from tcomp.decision.crystal_error import AGEING
from tcomp.decision.options import REGULARLY
from tcomp.decision.spread import size_of
from tcomp.decision.verdict import BreakEven, Judged, Verdict, affordable
from tcomp.job import Job


def paragraph(verdict: Verdict, job: Job) -> str:
    """Which option, with what probability, what limits it, what would turn the verdict; or what is not known."""
    return " ".join(
        (*_opening(verdict), *_best(verdict, job), *_others(verdict, job), *_trims(verdict), *_turning(verdict))
    )


def answer(verdict: Verdict) -> str:
    """The same in two sentences: which option, and what limits it."""
    return " ".join((*_opening(verdict), _limit(verdict.best)))


def _opening(verdict: Verdict) -> Iterator[str]:
    need, best = f"{verdict.needed_ppb:g} ppb (k = 2)", verdict.best
    if verdict.status == "nothing meets the need":
        yield (
            f"Nothing that is weighed meets {need}. The nearest is {best.option.name}: it would meet "
            f"{_figure(best.need_met_ppb)} ppb."
        )
        return
    open_figures = [(one, figure) for one in verdict.options for figure in one.open]
    if verdict.status == "not decidable":
        names = {figure.name: figure for _, figure in open_figures}
        yield f"Not decidable from what is known: whether {_listed([one.option.name for one in verdict.options if one.open])}"
        yield f"would meet {need} turns on {_listed(list(names))}, of which only a typical figure is at hand."
        yield f"To decide, measure: {'; '.join(dict.fromkeys(figure.decides for figure in names.values()))}."
        yield f"As things are assumed, {_would(best)}: {best.option.name}."
        return
    yield f"Take: {best.option.name}. It meets {need}."


def _would(best: Judged) -> str:
    return "this would be the one to take" if best.meets == "meets" else "nothing meets it, and this comes nearest"


def _best(verdict: Verdict, job: Job) -> Iterator[str]:
    best = verdict.best
    if verdict.status != "nothing meets the need":
        yield (
            f"With a probability of {chance(best.probability)} such an instrument stays within it for 95 % of the time that it "
            f"is on; {_time_words(best)}."
        )
    yield _limit(best)
    if best.minutes_until_within:
        yield f"After switch-on it takes {best.minutes_until_within:.2g} minutes to come within."
    if best.cost is None:
        yield "What it costs is not told."
    elif best.cost:
        yield f"Over {job.use.life_years:g} years it costs {best.cost:.4g}."
    if best.option.power.fits is None:
        yield f"But {best.option.power.remarks[0]}."


def _limit(best: Judged) -> str:
    largest = best.budget.largest
    share = f"{100 * best.budget.share(largest):.0f} % of the variance"
    return f"What limits it is {largest.name}, {share}{', an assumed figure' if largest.assumed else ''}."


def _time_words(best: Judged) -> str:
    """On average, and how instruments differ."""
    low, high = f"{100 * best.share_low:.0f}", f"{100 * best.share_high:.0f}"
    spread = f"nine of ten of them for {low} to {high} %" if low != high else "one like the other"
    return f"on average for {100 * best.share:.1f} % of it, {spread}"


def chance(probability: float) -> str:
    """A drawn probability, which is never certain.

    >>> chance(0.9964), chance(1.0), chance(0.0)
    ('over 99 %', 'over 99 %', 'under 1 %')
    """
    if probability > 0.99:
        return "over 99 %"
    return "under 1 %" if probability < 0.01 else f"{100 * probability:.0f} %"


def _others(verdict: Verdict, job: Job) -> Iterator[str]:
    """What the rest would do, in a clause each."""
    others = [one for one in verdict.options if one is not verdict.best]
    meeting, rest = ([one for one in others if (one.meets == "meets") == met] for met in (True, False))
    if meeting:
        yield f"It is met as well by {'; by '.join(_clause(one, job) for one in meeting)}."
    if rest:
        clauses = "; ".join(f"{_figure(one.need_met_ppb)} ppb, {_clause(one, job)}" for one in rest)
        yield f"The needs that the {'others' if meeting else 'rest'} would meet: {clauses}."


def _clause(one: Judged, job: Job) -> str:
    if one.option.power.fits is False:
        return f"{one.option.name}, but {one.option.power.remarks[0]}"
    if not affordable(one, job):
        cost = "its price is not told" if one.cost is None else f"it costs {one.cost:.4g} of {job.use.price_limit:g}"
        return f"{one.option.name}, but {cost}"
    return f"{one.option.name}{f', for {one.cost:.4g}' if one.cost else ''}"


def _figure(value: float) -> str:
    """Three digits, and none of them as a power of ten.

    >>> _figure(5226.5), _figure(0.01234)
    ('5230', '0.0123')
    """
    return f"{float(f'{value:.3g}'):g}" if value < 1e6 else f"{value:.3g}"


def _trims(verdict: Verdict) -> Iterator[str]:
    """How often the table would have to be trimmed: the price of not buying anything."""
    if verdict.trim_days is None:
        table = next(one for one in verdict.options if one.option.name == REGULARLY)
        limit = max((line for line in table.budget.lines if line.name != AGEING), key=lambda line: line.contribution)
        yield f"With the table no trimming, however often, would do: {limit.name} stays."
    elif verdict.trim_days < verdict.longest_days:
        yield f"With the table and a trim every {_figure(verdict.trim_days)} days the crystal would do."


def _turning(verdict: Verdict) -> Iterator[str]:
    if verdict.status != "decided":
        return
    points = [words for one in verdict.break_evens if (words := _turn_words(one))]
    steady = [one.name for one in verdict.break_evens if one.turns_at is None]
    if points:
        yield f"The verdict would turn if {', or '.join(points)}."
    if steady:
        yield f"It does not hang on {_listed(steady)}."


def _turn_words(one: BreakEven) -> str:
    if one.turns_at is None:
        return ""
    at = f"{_figure(one.turns_at)} {one.unit}".strip()
    if one.name.startswith("cost"):
        return f"it cost more than {at}, for which the next would do"
    sense = {"need": "fell below", "hours on": "were fewer than"}.get(one.name, "rose above")
    return f"the {one.name} {sense} {at} (now {_figure(one.now)})"


def _listed(names: list[str]) -> str:
    """
    >>> _listed(["a", "b", "c"])
    'a, b and c'
    """
    return " and ".join(filter(None, (", ".join(names[:-1]), names[-1]))) if names else "nothing"


def assumptions(verdict: Verdict) -> tuple[str, ...]:
    """Every typical figure that was used, once, with its source."""
    found: dict[str, None] = {}
    for one in verdict.options:
        for figure in one.option.contributions:
            if figure.assumed:
                found.setdefault(f"{figure.name}, {_size(figure)}: {figure.basis}")
        for words in one.option.assumed:
            found.setdefault(words)
    return tuple(found)


def _size(figure: Contribution) -> str:
    return "as drawn" if figure.unit == "1" else f"+/-{size_of(figure.spread):g} {figure.unit}"


SMALLEST_ERROR_PPB = 0.01
"""No oven that a small lab buys keeps this (an oven's ageing of a day, in the file of typical figures)."""


def questions(job: Job) -> Iterator[str]:
    """Figures that look as if ppm stood where ppb is meant, or the other way; they are taken as given."""
    figures = [
        ("[use] needed_ppb", job.use.needed_ppb, 0.1, 100_000.0),
        ("[compensated] stability_ppb", job.compensated.stability_ppb, 10.0, 50_000.0),
        ("[oscillator] ageing_ppb_per_day", job.oscillator.ageing_ppb_per_day, None, 200.0),
        ("[compensated] ageing_ppb_per_day", job.compensated.ageing_ppb_per_day, None, 200.0),
    ]
    for oven in job.ovens:
        figures += [
            (f"[[oven]] {oven.name}: stability_ppb", oven.stability_ppb, SMALLEST_ERROR_PPB, 1000.0),
            (f"[[oven]] {oven.name}: ageing_ppb_per_day", oven.ageing_ppb_per_day, None, 50.0),
            (f"[[oven]] {oven.name}: retrace_ppb", oven.retrace_ppb, None, 5000.0),
        ]
    for name, value, low, high in figures:
        if value is not None and low is not None and 0 < value < low:
            yield f"{name} = {value:g} is very small: if ppm was meant, write {1000 * value:g}; taken as given"
        if value is not None and abs(value) > high:
            yield f"{name} = {value:g} is very large: if it is in 1e-12, write {value / 1000:g}; taken as given"
