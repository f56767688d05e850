"""The verdict in one paragraph, and the questions that a job's figures raise."""

from __future__ import annotations

from collections.abc import Iterator

from tcomp.budget.ageing import contradictions
from tcomp.budget.contribution import Contribution
from tcomp.budget.crystal_error import AGEING, CrystalUnderTest
from tcomp.budget.distributions import size_of
from tcomp.documents.verdict import REGULARLY, Assumption
from tcomp.job import Job
from tcomp.units import chance
from tcomp.verdict.verdict import BreakEven, JudgedOption, Turn, Verdict, affordable


def paragraph(verdict: Verdict, job: Job) -> str:
    """Which option, with what probability, what limits it, what would turn the verdict; or what is not known."""
    return " ".join(
        (
            *_opening(verdict),
            *_best(verdict, job),
            *_others(verdict, job),
            *_trims(verdict),
            *_turning(verdict),
            *_nearby(verdict),
        )
    )


def answer(verdict: Verdict) -> str:
    """The same in two sentences: which option, and what limits it."""
    return " ".join((*_opening(verdict), _limit(verdict.best)))


def _opening(verdict: Verdict) -> Iterator[str]:
    need, best = f"{verdict.needed_ppb:g} ppb (k = 2)", verdict.best
    if verdict.status == "nothing meets the need":
        what = (
            "Nothing that fits the supply and can be paid"
            if any(one.meets == "meets" for one in verdict.options)
            else "Nothing that is weighed"
        )
        yield (
            f"{what} meets {need}. The nearest is {best.option.name}: it would meet {_figure(best.need_met_ppb)} ppb."
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


def _would(best: JudgedOption) -> str:
    return "this would be the one to take" if best.meets == "meets" else "nothing meets it, and this comes nearest"


def _best(verdict: Verdict, job: Job) -> Iterator[str]:
    best = verdict.best
    if best.meets == "meets":
        yield (
            f"{_last_day(best, job)} its error is {_figure(best.need_met_ppb)} ppb: {chance(best.probability)} of the readings "
            f"are within the need on that day, and of the whole time {_time_words(best)}."
        )
    yield _limit(best)
    if best.minutes_until_within:
        yield f"After switch-on it takes {best.minutes_until_within:.2g} minutes to come within."
    if best.cost is None:
        yield "Its cost is not given."
    elif best.cost:
        yield f"Over {job.use.life_years:g} years it costs {best.cost:.4g}."
    if best.option.power.fits is None:
        yield f"But {best.option.power.remarks[0]}."


def _last_day(best: JudgedOption, job: Job) -> str:
    if best.option.trimmed:
        return f"On the last day before a trim, {job.use.recalibrate_days:g} days after the last,"
    return f"On the last day of its {job.use.life_years:g} years"


def _limit(best: JudgedOption) -> str:
    assumed = any(one.assumed for one in best.option.contributions if one.name == best.limited_by)
    share = f"{100 * best.limit_share:.0f} % of the mean square{'' if best.meets == 'meets' else ' where the need is exceeded'}"
    return f"What limits it is {best.limited_by}, {share}{', an assumed figure' if assumed else ''}."


def _time_words(best: JudgedOption) -> str:
    """On average, and how instruments differ."""
    low, high = f"{100 * best.share_low:.0f}", f"{100 * best.share_high:.0f}"
    spread = f"nine of ten instruments for {low} to {high} %" if low != high else "one instrument like the other"
    return f"{100 * best.share:.1f} % ({spread})"


def _others(verdict: Verdict, job: Job) -> Iterator[str]:
    """What the rest would do, in a clause each."""
    best = verdict.best
    others = [one for one in verdict.options if one is not best]
    meeting, rest = ([one for one in others if (one.meets == "meets") == met] for met in (True, False))
    if meeting:
        clauses = "; by ".join(_clause(one, job) for one in meeting)
        yield f"It is met as well by {clauses}." if best.meets == "meets" else f"It would be met by {clauses}."
    if rest:
        clauses = "; ".join(f"{_figure(one.need_met_ppb)} ppb, {_clause(one, job)}" for one in rest)
        yield f"The needs that the {'others' if meeting else 'rest'} would meet: {clauses}."


def _clause(one: JudgedOption, job: Job) -> str:
    if one.option.power.fits is False:
        return f"{one.option.name}, but {one.option.power.remarks[0]}"
    if not affordable(one, job):
        cost = "its price is not given" if one.cost is None else f"it costs {one.cost:.4g} of {job.use.price_limit:g}"
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
    if not verdict.trim_days:
        table = next(one for one in verdict.options if one.option.name == REGULARLY)
        limit = max((line for line in table.budget.lines if line.name != AGEING), key=lambda line: line.rms)
        yield f"With the table no trimming, however often, would do: {limit.name} stays."
    elif verdict.trim_days < verdict.longest_days:
        yield (
            f"With the table and a trim every {_figure(verdict.trim_days)} days the crystal would do: until the last of them "
            f"{100 * verdict.trim_share:.1f} % of the time is within the need."
        )


def _turning(verdict: Verdict) -> Iterator[str]:
    if verdict.status != "decided":
        return
    points = [words for one in verdict.break_evens if (words := _turn_words(one))]
    steady = [one.name for one in verdict.break_evens if one.turns_at is None]
    if points:
        yield f"The verdict would turn if {', or '.join(points)}."
    if steady:
        yield f"It does not hang on {_listed(steady)}."


def _nearby(verdict: Verdict) -> Iterator[str]:
    """Inputs that turn the verdict when they are a tenth off."""
    words = [f"{turn_words(one)} ({one.taken})" for one in verdict.turned_by]
    if words:
        yield f"It turns on a tenth of {'; '.join(words)}."
    else:
        yield "No input that is a tenth smaller or larger turns it."


def turn_words(one: Turn) -> str:
    """Which input, and how it changes.

    >>> turn_words(Turn("[use] needed_ppb", 250.0, 225.0, "surplus oven"))
    '[use] needed_ppb, 250 to 225'
    """
    if one.now == 1.0 and one.key[0] != "[":
        return f"{one.key}, a tenth {'larger' if one.then > 1 else 'smaller'}"
    return f"{one.key}, {_figure(one.now)} to {_figure(one.then)}"


def _turn_words(one: BreakEven) -> str:
    if one.turns_at is None:
        return ""
    at = f"{_figure(one.turns_at)} {one.unit}".strip()
    if one.kind == "cost":
        return f"it cost more than {at}, for which the next would do"
    sense = {"need": "fell below", "hours on": "were fewer than"}.get(one.kind, "rose above")
    return f"the {one.name} {sense} {at} (now {_figure(one.now)})"


def warnings(verdict: Verdict, known: CrystalUnderTest) -> Iterator[str]:
    """Where the stated ageing is not the one that was seen; which of them counts, and where the verdict would turn."""
    turns = next((one for one in verdict.break_evens if one.kind == "ageing" and one.turns_at is not None), None)
    at = f", and would turn at {_figure(turns.turns_at)} ppb/day" if turns and turns.turns_at is not None else ""
    used = "what the trims show" if known.watched is not None else "what the job states"
    for contradiction in contradictions(known.job, known.curve, known.watched):
        yield f"{contradiction}; the verdict counts {used}{at}"


def _listed(names: list[str]) -> str:
    """
    >>> _listed(["a", "b", "c"])
    'a, b and c'
    """
    return " and ".join(filter(None, (", ".join(names[:-1]), names[-1]))) if names else "nothing"


def assumptions(verdict: Verdict) -> tuple[Assumption, ...]:
    """Every typical figure that was used, once, with its source."""
    found: dict[Assumption, None] = {}
    for one in verdict.options:
        for figure in one.option.contributions:
            if figure.assumed:
                found.setdefault(Assumption(figure=f"{figure.name}, {_size(figure)}", source=figure.basis))
        for assumption in one.option.assumed:
            found.setdefault(assumption)
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
