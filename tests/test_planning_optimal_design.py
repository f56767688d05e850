"""The optimal design against published points, and against what its theorem says."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest

from tcomp.planning.schedule import blind_points, optimal_points, standardised_variance

PUBLISHED = json.loads((Path(__file__).parent / "data" / "design" / "g_optimal_1_to_9.json").read_text())["degrees"]
"""Guest 1958, Hoel 1958, Kiefer and Wolfowitz 1960: zeros of (1 - x^2) P'_n; the file names its source."""
FINE = np.linspace(-1, 1, 4001)


@pytest.mark.parametrize("degree", range(1, 10))
def test_the_points_are_the_published_ones(degree: int) -> None:
    # Zeros come from the eigenvalues of a matrix of 8 by 8: a few units of the last place.
    assert optimal_points(degree) == pytest.approx([float(x) for x in PUBLISHED[str(degree)]["points"]], abs=1e-13)


def test_the_points_are_those_of_the_closed_forms() -> None:
    # Closed forms of the zeros of P'_n, as tables of Lobatto's quadrature print them (from memory).
    assert optimal_points(3)[1:3] == pytest.approx([-1 / math.sqrt(5), 1 / math.sqrt(5)], abs=1e-15)
    assert optimal_points(4)[1:4] == pytest.approx([-math.sqrt(3 / 7), 0, math.sqrt(3 / 7)], abs=1e-15)
    assert optimal_points(6)[4] == pytest.approx(math.sqrt((15 - 2 * math.sqrt(15)) / 33), abs=1e-15)


@pytest.mark.parametrize("degree", range(1, 10))
def test_the_largest_variance_is_degree_plus_one_and_stands_at_the_points(degree: int) -> None:
    points = optimal_points(degree)
    weights = np.full(degree + 1, 1 / (degree + 1))
    # The equivalence theorem: no design has less, and D-optimal is G-optimal.
    assert standardised_variance(degree, points, weights, FINE).max() == pytest.approx(degree + 1, rel=1e-9)
    assert standardised_variance(degree, points, weights, points) == pytest.approx(np.full(degree + 1, degree + 1.0))


@pytest.mark.parametrize("degree", range(1, 10))
def test_a_uniform_ramp_has_the_square_of_it_at_its_ends(degree: int) -> None:
    ramp = np.linspace(-1, 1, 40001)
    ends = standardised_variance(degree, ramp, np.full(ramp.size, 1 / ramp.size), np.array([-1.0, 1.0]))
    # 40001 readings for a continuous ramp: an error of the order of (degree + 1)^2 / 40000.
    assert ends == pytest.approx(np.full(2, PUBLISHED[str(degree)]["uniform_ramp_end_variance"]), rel=5e-3)


def test_a_point_that_is_shifted_is_found() -> None:
    shifted = optimal_points(3) + np.array([0.0, 0.05, 0.0, 0.0])
    assert standardised_variance(3, shifted, np.full(4, 0.25), FINE).max() > 4.05


@pytest.mark.parametrize("degree", range(2, 10))
def test_the_design_is_blind_to_one_degree_more_but_not_at_the_extra_points(degree: int) -> None:
    unseen = np.polynomial.Polynomial.fromroots(optimal_points(degree))
    assert np.abs(unseen(optimal_points(degree))).max() < 1e-12
    size = np.abs(unseen(FINE))
    extra = blind_points(degree, 2)
    assert np.abs(unseen(extra)).max() == pytest.approx(size.max(), rel=1e-5)
    # With them a curve of one degree more can be told; without, its information is singular.
    points = np.concatenate([optimal_points(degree), extra])
    columns = np.polynomial.legendre.legvander(points, degree + 1)
    assert np.linalg.cond(columns.T @ columns) < 1e3
    bare = np.polynomial.legendre.legvander(optimal_points(degree), degree + 1)
    assert np.linalg.cond(bare.T @ bare) > 1e12
