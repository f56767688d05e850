"""Gaussian processes against scikit-learn's regressor and scipy's normal density."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import multivariate_normal
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import ConstantKernel, Matern, WhiteKernel

from tcomp.estimation.gaussian_process import evidence_by_size, matern, with_shape, without_shape

LENGTHS = (0.025, 2.0)


def points(sets: int, size: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Invented: 60 places, waves of which noise of 1 hides some; places, values, and the variance of their noise."""
    random = np.random.default_rng(sets)
    x, variance = np.linspace(0.0, 1.0, 60), random.uniform(0.5, 1.5, 60)
    waves = size * np.sin(12.0 * x[:, None] + np.arange(sets))
    return x, waves + random.normal(size=(60, sets)) * np.sqrt(variance)[:, None], variance


@pytest.mark.parametrize(("sets", "size"), [(1, 3.0), (1, 0.0), (3, 1.0)])
@pytest.mark.filterwarnings("ignore::sklearn.exceptions.ConvergenceWarning")  # without a shape the best is at the edge
def test_the_process_of_most_evidence_is_scikit_learns(sets: int, size: float) -> None:
    x, y, variance = points(sets, size)
    kernel = ConstantKernel(1.0, (1e-6, 1e8)) * Matern(0.1, LENGTHS, nu=2.5) + WhiteKernel(0.1, (1e-6, 1e6))
    theirs = GaussianProcessRegressor(kernel, alpha=variance).fit(x[:, None], y)
    apart = np.abs(x[:, None] - x)
    own = with_shape(apart, y, np.diag(variance), 0.1, LENGTHS)
    # Both stop their searches where the evidence has settled within 1e-5.
    assert own.log_evidence == pytest.approx(theirs.log_marginal_likelihood_value_, abs=1e-3)
    if size > 0:
        assert own.variance == pytest.approx(theirs.kernel_.k1.k1.constant_value, rel=0.01)
        assert own.length == pytest.approx(theirs.kernel_.k1.k2.length_scale, rel=0.01)
        shape = own.variance * matern(apart, own.length) @ own.weights
        assert shape == pytest.approx(theirs.kernel_.k1(x[:, None]) @ theirs.alpha_.reshape(60, -1), abs=0.01)


def test_noise_alone_has_scikit_learns_evidence() -> None:
    x, y, variance = points(1, 2.0)
    theirs = GaussianProcessRegressor(WhiteKernel(0.1, (1e-6, 1e6)), alpha=variance).fit(x[:, None], y)
    own = without_shape(y[:, 0], np.diag(variance))
    assert own.log_evidence == pytest.approx(theirs.log_marginal_likelihood_value_, abs=1e-3)
    assert own.white == pytest.approx(theirs.kernel_.noise_level, rel=0.01)
    assert own.variance == 0.0


def test_the_evidence_by_size_is_the_normal_density_up_to_a_constant() -> None:
    # scipy.stats.multivariate_normal.logpdf.
    random = np.random.default_rng(7)
    root, y = random.normal(size=(6, 6)), random.normal(size=6)
    noise, shape = root @ root.T + np.eye(6), matern(np.abs(np.arange(6.0)[:, None] - np.arange(6.0)), 2.0)
    sizes = np.array([0.0, 0.5, 20.0])
    density = np.array([multivariate_normal(cov=noise + size**2 * shape).logpdf(y) for size in sizes])
    found = evidence_by_size(sizes, shape, noise, y)
    assert found - found[0] == pytest.approx(density - density[0], rel=1e-9)
