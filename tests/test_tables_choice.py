"""The cheapest table of all forms, against theory, brute force and the sampled rival."""

from __future__ import annotations

from functools import partial
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tables import changed

from tcomp.errors import TableError
from tcomp.firmware import code_bytes
from tcomp.tables import CodedCurve, TableSpec, TemperatureScale, cheapest_table, coded_curve, explored
from tcomp.tables.design import Designs, sampled
from tcomp.tables.layout import CorrectionTable
from tcomp.tables.layouts import every_family
from tcomp.tables.layouts.even import EvenFamily, ResidualFamily, even_layout
from tcomp.tables.layouts.polynomial import (
    Polynomial,
    PolynomialFamily,
    argument_scale,
    minimax_polynomial,
    polynomial_table,
)
from tcomp.tables.layouts.segments import SegmentFamily
from tcomp.tables.minimax import minimax_entries
from tcomp.tables.rounding import unit_ppb

PROGRAM_BYTES = 60


def program(table: CorrectionTable) -> int:
    return PROGRAM_BYTES


def at_like(temperature_c: np.ndarray) -> np.ndarray:
    """A cubic of an AT cut's handbook size with an invented tilt, and a little of the fourth power."""
    away = temperature_c - 26.0
    return np.asarray(0.1 * away**3 - 25.0 * away + 4e-5 * away**4)


def fork(temperature_c: np.ndarray) -> np.ndarray:
    """A tuning fork's parabola (-35 ppb/degC**2, common practice, no source)."""
    return np.asarray(-35.0 * (temperature_c - 25.0) ** 2)


def coded(curve: Any = at_like, counts_per_c: float = 20.0) -> CodedCurve:
    return coded_curve(curve, -20.0, 60.0, TemperatureScale(counts_per_c))


def wanted(**changes: Any) -> TableSpec:
    return changed(TableSpec("auto", None, "auto", 10.0, None), **changes)


@pytest.mark.parametrize("pieces", [5, 13, 40])
def test_even_lines_reach_a_sixteenth_of_the_bend_times_the_step_squared(pieces: int) -> None:
    # Minimax lines with free ends: h**2 / 16 * |f''|, here of a parabola, 70 ppb/degC**2 (de Boor: half of h**2 / 8).
    table = EvenFamily(Designs(coded(fork, 100.0)), 32, "linear").table(pieces)
    assert table is not None
    step_c = 65536 / table.layout.codes_to_index_q16 / 100.0  # type: ignore[attr-defined]
    # Up to an entry unit, and a code by which the worst place is missed.
    assert table.max_error_ppb == pytest.approx(70.0 * step_c**2 / 16, rel=0.01)


@pytest.mark.parametrize("degree", [2, 3, 4, 5])
def test_the_minimax_error_of_a_power_is_that_of_chebyshev(degree: int) -> None:
    # Chebyshev: x**n on [-1, 1] differs from its best polynomial of lower degree by 2**(1 - n).
    curve = coded_curve(lambda t: 1000.0 * t**degree, -1.0, 1.0, TemperatureScale(16384))
    _, worst_ppb = minimax_polynomial(curve, *argument_scale(curve), degree - 1)
    # A turn can lie half a code, 1/32768, from the next one: n**4 / pi**2 times its square over 2 of the error.
    assert worst_ppb == pytest.approx(1000.0 * 2.0 ** (1 - degree), rel=1e-7)


@pytest.mark.parametrize("degree", [3, 4, 5])
@pytest.mark.parametrize("bits", [16, 32])
def test_integer_coefficients_are_no_worse_than_rounded_ones(degree: int, bits: int) -> None:
    curve = coded(lambda t: at_like(t) + 30.0 * np.sin(t / 9.0))
    table = polynomial_table(curve, degree, bits)
    real_ppb, bound_ppb = minimax_polynomial(curve, *argument_scale(curve), degree)
    unit = unit_ppb(table.unit_log2_ppt)
    rounded = Polynomial(*argument_scale(curve), tuple(int(c) for c in np.rint(real_ppb / unit)))
    hoped_ppb = np.abs(rounded.value(curve.codes) * unit - curve.offset_ppb).max()
    assert table.bound_ppb == pytest.approx(bound_ppb)
    assert bound_ppb - unit / 2 <= table.max_error_ppb <= hoped_ppb + 1e-6


def test_no_coefficients_near_the_chosen_ones_do_better() -> None:
    curve = coded(lambda t: at_like(t) * 3 + 300.0 * np.sin(t / 9.0))
    table = polynomial_table(curve, 3, 16)
    errors = []
    for shifts in np.ndindex(5, 5, 5, 5):
        tried = tuple(int(c + s - 2) for c, s in zip(table.entries, shifts, strict=True))
        value = Polynomial(*argument_scale(curve), tried).value(curve.codes)
        errors.append(np.abs(value * unit_ppb(table.unit_log2_ppt) - curve.offset_ppb).max())
    # Brute force over two units to either side of all four: one or two steps at once lead nowhere better, and
    # steps in three or four of them gain less than a tenth of a unit here.
    assert table.max_error_ppb <= min(errors) + 0.1 * unit_ppb(table.unit_log2_ppt)


curves = st.lists(st.floats(-300, 300), min_size=3, max_size=5).map(
    lambda c: lambda t: np.polynomial.polynomial.polyval((t - 20) / 40, c)
)


@settings(derandomize=True, deadline=None, max_examples=40)
@given(curve=curves, pieces=st.integers(1, 20), interpolation=st.sampled_from(["linear", "nearest", "quadratic"]))
def test_a_designed_even_table_is_never_worse_than_its_samples(curve: Any, pieces: int, interpolation: Any) -> None:
    target = coded(curve, 5.0)
    shape = even_layout(target, pieces, interpolation)
    try:
        rival = sampled(target, shape, 16)
    except TableError:  # A parabola's differences may leave their integers.
        return
    designed = Designs(target).table(shape, 16)
    assert designed.max_error_ppb <= rival.max_error_ppb
    assert designed.bound_ppb is not None
    assert designed.bound_ppb - unit_ppb(designed.unit_log2_ppt) / 2 <= designed.max_error_ppb + 1e-6


@pytest.mark.parametrize("interpolation", ["linear", "nearest", "quadratic"])
def test_with_the_same_knots_a_designed_table_errs_half_as_much(interpolation: Any) -> None:
    target = coded(fork, 100.0)
    shape = even_layout(target, 16, interpolation)
    bits = 16 if interpolation == "quadratic" else 32
    ratio = Designs(target).table(shape, bits).max_error_ppb / sampled(target, shape, bits).max_error_ppb
    # Lines: one half (de Boor). A staircase sampled at the middle of its cells is a little worse than the middle of
    # their ends; parabolas go through a parabola in any case.
    assert ratio <= {"linear": 0.52, "nearest": 1.0, "quadratic": 1.0}[interpolation]


def test_the_cheapest_is_as_cheap_as_any_form_by_force() -> None:
    target = coded(counts_per_c=5.0)
    for asked in (wanted(), wanted(interpolation="linear"), wanted(interpolation="quadratic", max_error_ppb=3.0)):
        table, reason = cheapest_table(target, asked, program)
        every = [family.smallest(asked.max_error_ppb or 0.0) for family in asked.families(Designs(target))]
        assert table.bytes == min(rival.bytes for rival in every if rival is not None)
        assert table.max_error_ppb <= (asked.max_error_ppb or 0.0)
        assert f"{table.bytes} bytes of table and about {PROGRAM_BYTES} of code" in reason


def test_a_program_that_is_long_counts() -> None:
    target = coded()
    without = cheapest_table(target, wanted(), lambda table: 300 * (table.form == "polynomial"))[0]
    assert cheapest_table(target, wanted(), program)[0].form == "polynomial"
    assert without.form != "polynomial"


@pytest.mark.parametrize("form", ["steps", "even", "segments", "polynomial"])
def test_a_form_asked_for_is_the_form_that_comes(form: Any) -> None:
    table, _ = cheapest_table(coded(), wanted(form=form), program)
    assert table.form == form
    assert table.max_error_ppb <= 10.0
    within, _ = cheapest_table(coded(), wanted(form=form, max_error_ppb=None, max_bytes=40), program)
    assert within.form == form
    assert within.bytes <= 40


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"form": "polynomial", "interpolation": "linear"}, 'form "polynomial" has no interpolation = "linear"'),
        ({"form": "segments", "interpolation": "quadratic"}, 'form "segments" has no interpolation = "quadratic"'),
        ({"max_error_ppb": None, "max_bytes": 1}, "max_bytes is 1; no table of two entries or coefficients fits"),
        ({"max_bytes": 1}, "max_bytes is 1; no table of two entries or coefficients fits"),
        (
            {"form": "even", "interpolation": "linear", "max_error_ppb": 0.5, "max_bytes": 40},
            r"no table of at most 40 bytes meets max_error_ppb 0.5: \d+ bytes reach [\d.]+ ppb; 0.5 ppb needs \d+ bytes",
        ),
        ({"max_error_ppb": 1e-6}, "no table of the form asked for meets max_error_ppb 1e-06; expected a larger one"),
    ],
)
def test_what_cannot_be_met_says_what_could(changes: dict[str, Any], sentence: str) -> None:
    with pytest.raises(TableError, match=sentence):
        cheapest_table(coded(counts_per_c=5.0), wanted(**changes), program)


def test_an_allowance_spends_no_byte_where_the_curve_is_not_known() -> None:
    exact = coded()
    # Invented: the curve is known ten times less well above 40 degC, where it bends most but for the cold end.
    vague = coded_curve(
        at_like, -20.0, 60.0, TemperatureScale(20.0), allowance_of=lambda t: np.where(np.abs(t - 20) > 25, 10.0, 1.0)
    )
    asked = wanted(form="even", interpolation="linear")
    tight, loose = (cheapest_table(curve, asked, program)[0] for curve in (exact, vague))
    assert loose.bytes < tight.bytes
    errors_ppb = np.abs(vague.errors_ppb(loose))
    middle = np.abs(vague.codes / 20.0 - 20) <= 25
    assert errors_ppb[middle].max() <= 10.0 < errors_ppb[~middle].max() <= 100.0


def test_a_share_lowers_the_error_where_the_instrument_sits() -> None:
    def near_room(temperature_c: np.ndarray) -> np.ndarray:
        return np.exp(-(((temperature_c - 20.0) / 5.0) ** 2)) + 1e-3

    asked = wanted(form="even", interpolation="linear")
    plain = coded()
    weighted = coded_curve(at_like, -20.0, 60.0, TemperatureScale(20.0), share_of=near_room)
    share = weighted.share / weighted.share.sum()
    rms = [
        float(np.sqrt(share @ weighted.errors_ppb(cheapest_table(curve, asked, program)[0]) ** 2))
        for curve in (plain, weighted)
    ]
    assert rms[1] < rms[0]
    assert cheapest_table(weighted, asked, program)[0].max_error_ppb <= 10.0


def test_the_front_holds_what_none_beats_and_nothing_else_and_how_far_it_is_is_told() -> None:
    result: list[tuple[float, float]] = []
    found = explored(coded(counts_per_c=5.0), "auto", 40.0, lambda what, done, of, unit="": result.append((done, of)))
    assert len(result) > 10
    assert [done / of for done, of in result] == sorted(done / of for done, of in result)
    assert result[0][0] == 0
    assert result[-1] == (1, 1)
    assert {table.form for table in found.tables} == {"steps", "even", "segments", "polynomial", "chebyshev"}
    for table in found.tables:
        beaten = [
            other for other in found.tables if other.bytes <= table.bytes and other.max_error_ppb < table.max_error_ppb
        ]
        assert (table in found.front) is not bool(beaten) or table.max_error_ppb in {
            other.max_error_ppb for other in found.front if other.bytes <= table.bytes
        }


def test_at_ten_ppb_even_lines_take_at_most_0_72_of_the_best_samples() -> None:
    target = coded(at_like, 100.0)
    designed = EvenFamily(Designs(target), 16, "linear").smallest(10.0)
    assert designed is not None
    pieces = next(
        n for n in range(1, 200) if sampled(target, even_layout(target, n, "linear"), 16).max_error_ppb <= 10.0
    )
    samples = even_layout(target, pieces, "linear")
    assert designed.bytes <= 0.72 * samples.bytes(16)


def test_every_family_is_honest_about_its_bytes() -> None:
    designs = Designs(coded(counts_per_c=10.0))
    for family in every_family(designs, None, "auto"):
        if isinstance(family, ResidualFamily) and not np.isfinite(family.floor_ppb):
            continue
        size = family.sizes[min(5, len(family.sizes) - 1)]
        table = family.table(size)
        if table is not None and not isinstance(family, SegmentFamily):
            assert table.bytes == family.bytes(size)
            assert (table.form, table.entry_bits) == (family.form, family.entry_bits)
    assert [PolynomialFamily(designs, 16).bytes(degree) for degree in (1, 3)] == [4, 8]


def test_a_curve_on_a_polynomial_is_designed_for_what_is_left() -> None:
    family = ResidualFamily(Designs(coded(lambda t: at_like(t) + 40 * np.sin(t / 3.0))), 8, "linear", 3)
    table = family.smallest(10.0)
    assert table is not None
    plain = EvenFamily(family.designs, 16, "linear").smallest(10.0)
    assert plain is not None
    assert table.bytes < plain.bytes
    assert minimax_entries(coded(), even_layout(coded(), 5, "linear")).worst_ppb > 10.0


def test_a_lookup_may_take_so_many_cycles_and_no_more() -> None:
    def cycles(table: CorrectionTable) -> int:
        return {"steps": 50, "even": 100}.get(table.form, 200)

    target = coded()
    free, _ = cheapest_table(target, wanted(), program)
    quick, _ = cheapest_table(target, wanted(max_cycles=60, code_cycles=cycles), program)
    assert (free.form, quick.form) == ("polynomial", "steps")
    with pytest.raises(TableError, match=r"is looked up in max_cycles = 40; the quickest takes about 50 cycles"):
        cheapest_table(target, wanted(max_cycles=40, code_cycles=cycles), program)


def test_a_form_that_gives_bytes_away_says_how_many() -> None:
    table, said = cheapest_table(coded(), wanted(form="steps"), program)
    free, _ = cheapest_table(coded(), wanted(), program)
    assert free.bytes < table.bytes
    assert (
        f'; of all forms (form = "auto") the smallest is {free.summary}, {free.bytes} and about {PROGRAM_BYTES} bytes, '
        in said
    )
    assert "of all forms" not in cheapest_table(coded(), wanted(form=free.form), program)[1]


def test_another_processor_may_take_another_form() -> None:
    # Large values: 32-bit products cost an AVR 428 bytes of program, a Cortex-M0+ 104.
    target = coded(lambda t: fork(t) * 3, 100.0)
    sizes = {}
    for processor in ("avr", "cortex-m0plus"):
        table, _ = cheapest_table(target, wanted(max_error_ppb=6.0), partial(code_bytes, processor))
        sizes[processor] = (table, table.bytes + code_bytes("avr", table))
    assert sizes["avr"][1] <= sizes["cortex-m0plus"][1]
