"""The next soaks, against normal equations and against trying all pairs."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest

from tcomp.estimation.basis import ChebyshevBasis
from tcomp.estimation.curve import Curve, HeldOut
from tcomp.estimation.effects import Finding, Status
from tcomp.planning.soaks import APART, GRID, next_soaks

LOW_C, HIGH_C = -20.0, 60.0
AT_C = np.linspace(LOW_C, HIGH_C, GRID)


def curve(measured_c: np.ndarray, degree: int = 3, u_ppb: float = 1.0) -> Curve:
    """A curve as soaks at these temperatures would leave it; invented."""
    basis = ChebyshevBasis(degree, LOW_C, HIGH_C)
    columns = basis.values(measured_c)
    covariance = np.linalg.inv(columns.T @ columns) * u_ppb**2
    effects = tuple(
        Finding(name, unit, Status.NONE_SEEN, 0.0, 1.0) for name, unit in (("lag", "s"), ("ageing", "ppb/day"))
    )
    return Curve(
        "poly3", "cubic", basis, tuple([0.0] * (degree + 1)), tuple(map(tuple, covariance)), LOW_C, HIGH_C, 25.0, 0.0, 1.0,
        1.0, HeldOut("none", 1.0, 1.0, 1.0, 0.0), 10, 10.0, effects, (), (), "", (), (), (),
    )  # fmt: skip


COLD = curve(np.array([-20.0, -15.0, -5.0, 0.0, 10.0, 20.0]))
"""Measured on the cold half only."""


def test_what_is_left_is_what_normal_equations_give() -> None:
    found = next_soaks(COLD, np.full(GRID, 0.5), 0.6, base_sd_ppb=3.0)
    # Information adds: that of the curve and the base's prior, and one over variance of each soak.
    columns = np.column_stack([COLD.basis.values(AT_C), np.ones(GRID)])
    information = np.zeros((5, 5))
    information[:4, :4] = np.linalg.inv(np.array(COLD.covariance))
    information[4, 4] = 1 / 3.0**2
    for at_c in found.chosen_c:
        row = columns[np.argmin(np.abs(AT_C - at_c))]
        information += np.outer(row, row) / 0.5**2
    left = np.sqrt(np.einsum("ij,jk,ik->i", columns, np.linalg.inv(information), columns))
    assert found.then_ppb == pytest.approx(left, rel=1e-6)
    assert found.worst_of_best_ppb[-1] == pytest.approx(left.max(), rel=1e-6)
    assert found.now_ppb == pytest.approx(COLD.uncertainty_ppb(AT_C))


def test_two_soaks_are_as_good_as_the_best_of_all_pairs() -> None:
    found = next_soaks(COLD, np.full(GRID, 0.5), 1e9, base_sd_ppb=1e-3)
    columns = COLD.basis.values(AT_C)
    known = np.linalg.inv(np.array(COLD.covariance))
    best = np.inf
    for one, other in combinations(range(GRID), 2):
        if other - one < APART:
            continue
        rows = columns[[one, other]]
        covariance = np.linalg.inv(known + rows.T @ rows / 0.5**2)
        best = min(best, np.einsum("ij,jk,ik->i", columns, covariance, columns).max())
    assert found.worst_of_best_ppb[1] <= 1.02 * np.sqrt(best)  # an exchange may end in a neighbouring optimum


def test_the_soaks_go_where_nothing_is_measured() -> None:
    found = next_soaks(COLD, np.full(GRID, 0.5), 1.0, base_sd_ppb=0.01)
    assert max(found.chosen_c) > 50.0
    assert found.then_ppb.max() < 0.2 * found.now_ppb.max()
    assert not found.enough


def test_a_base_that_may_be_anywhere_costs_a_soak() -> None:
    known, free = (next_soaks(COLD, np.full(GRID, 0.5), 1.0, base_sd_ppb=sd) for sd in (0.01, 1e4))
    assert free.worst_of_best_ppb[0] > known.worst_of_best_ppb[0]


def test_soaks_keep_apart_and_end_where_they_no_longer_help() -> None:
    even = curve(np.linspace(LOW_C, HIGH_C, 50), u_ppb=0.1)
    found = next_soaks(even, np.full(GRID, 5.0), 1.0, base_sd_ppb=0.01)
    assert found.enough
    assert len(found.chosen_c) == 2  # soaks of 5 ppb add nothing to 0.03 ppb
    many = next_soaks(COLD, np.full(GRID, 0.5), 0.0)
    assert np.diff(sorted(many.chosen_c)).min() >= APART * (HIGH_C - LOW_C) / (GRID - 1) - 1e-9


def test_soaks_avoid_temperatures_at_which_they_tell_little() -> None:
    noisy = np.where(AT_C > 45.0, 50.0, 0.5)
    found = next_soaks(COLD, noisy, 1.0, base_sd_ppb=0.01)
    assert max(found.chosen_c) <= 45.0


def test_a_curve_with_a_singular_covariance_is_no_hindrance() -> None:
    flat = replace(COLD, covariance=tuple(map(tuple, np.ones((4, 4)))))
    assert np.isfinite(next_soaks(flat, np.full(GRID, 0.5), 1.0).then_ppb).all()
