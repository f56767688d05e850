"""A solver that gives up on one table costs that table at most, not the design."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tcomp.tables import CodedCurve, TableSpec, TemperatureScale, cheapest_table, coded_curve, minimax
from tcomp.tables.layouts.even import even_layout

REAL_SOLVE = minimax._solve


def steep_curve() -> CodedCurve:
    """1.5e6 ppb over the range, and a ripple of 20 ppb; invented."""
    return coded_curve(
        lambda temperature_c: 3e4 * (temperature_c - 25.0) + 20.0 * np.sin(temperature_c),
        0.0,
        50.0,
        TemperatureScale(16.0),
    )


def spec(form: str) -> TableSpec:
    return TableSpec(form=form, interpolation=None, align="auto", max_error_ppb=50.0, max_bytes=None)


def test_entries_are_found_about_the_sampled_ones_where_the_solver_gives_up(monkeypatch: pytest.MonkeyPatch) -> None:
    curve = steep_curve()
    layout = even_layout(curve, 20, "linear")
    plain = minimax.minimax_entries(curve, layout)

    def huge_numbers_fail(rows: Any, *words: Any) -> Any:
        if np.abs(rows.offset_ppb).max() > 1e5:
            raise minimax._UnsolvedError("planted")
        return REAL_SOLVE(rows, *words)

    monkeypatch.setattr(minimax, "_solve", huge_numbers_fail)
    found = minimax.minimax_entries(curve, layout)
    # The same optimum, to the programme's own tolerance.
    assert found.worst_ppb == pytest.approx(plain.worst_ppb, abs=minimax.TOLERANCE_PPB)
    assert found.worst_ppb < minimax.sampled_entries(curve, layout).worst_ppb


def test_tables_without_the_solver_remain(monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: Any) -> Any:
        raise minimax._UnsolvedError("planted")

    monkeypatch.setattr(minimax, "_solve", fails)
    table, _ = cheapest_table(steep_curve(), spec("auto"), lambda _: 0)
    assert table.max_error_ppb <= 50.0
    # Segments too: their sampled entries stand in.
    assert cheapest_table(steep_curve(), spec("segments"), lambda _: 0)[0].max_error_ppb <= 50.0
