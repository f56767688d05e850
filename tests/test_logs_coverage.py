"""Which temperatures were seen heating and cooling, and what is said of the others."""

from __future__ import annotations

from typing import Literal

from tcomp.logs.legs import Leg, coverage

Kind = Literal["heating", "cooling", "soak", "unordered"]


def leg(kind: Kind, sweep: int, low_c: float, high_c: float, direction: int | None = None) -> Leg:
    result = {"heating": 1, "cooling": -1, "unordered": 0}.get(kind, 0) if direction is None else direction
    return Leg(kind, sweep, result, 0, 10, 0.0, 90.0, low_c, high_c, 0.5)


FULL = [leg("heating", 0, -20, 60), leg("soak", 0, 59.9, 60.1, 1), leg("cooling", 1, -20, 60)]


def test_each_sweep_counts_once_in_each_cell_that_it_passes() -> None:
    seen = coverage([FULL, FULL], -20, 60)
    assert seen.heating == (2,) * 10
    assert seen.cooling == (2,) * 10
    assert seen.edges_c == (-20, -12, -4, 4, 12, 20, 28, 36, 44, 52, 60)
    assert seen.sentences() == ()


def test_a_staircase_of_one_sweep_counts_once() -> None:
    steps = [leg("heating", 0, 0, 20), leg("soak", 0, 20, 20, 1), leg("heating", 0, 20, 40)]
    assert coverage([steps], 0, 40, cells=4).heating == (1, 1, 1, 1)


def test_parts_in_one_direction_only_or_unseen_are_said() -> None:
    seen = coverage([[leg("cooling", 0, 0, 30), leg("heating", 1, 0, 10)]], -10, 40, cells=5)
    assert seen.sentences() == (
        "From -10 to 0 degC nothing was measured.",
        "From 10 to 30 degC the runs only cool, so lag, hysteresis and ageing cannot be separated there.",
        "From 30 to 40 degC nothing was measured.",
    )
    warm = coverage([[leg("heating", 0, 0, 30)]], 0, 30, cells=3)
    assert warm.sentences() == (
        "From 0 to 30 degC the runs only heat, so lag, hysteresis and ageing cannot be separated there.",
    )


def test_an_unordered_table_is_seen_but_of_no_direction() -> None:
    seen = coverage([[leg("unordered", 0, 0, 10)]], 0, 20, cells=2)
    assert (seen.heating, seen.cooling, seen.unordered) == ((0, 0), (0, 0), (1, 0))
    assert seen.sentences() == (
        "From 0 to 10 degC only unordered samples exist, of unknown direction.",
        "From 10 to 20 degC nothing was measured.",
    )
