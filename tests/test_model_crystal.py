"""Physical parameters of the crystal's own forms, against handbook figures and hand arithmetic."""

from __future__ import annotations

import numpy as np
import pytest

from tcomp.estimation.candidates import candidates
from tcomp.estimation.crystal_regressor import CrystalRegressor
from tcomp.estimation.parameters import Parameter, handbook_remarks

# AT cut: A1 = -5.08e-6 per degree of arc, A2 = -0.45e-9, A3 = 108.6e-12 about 25 degC: Gerber and Ballato, Precision
# Frequency Control vol. 2, 1985, p. 101, second-hand.  Inflection 25 + 1.381 degC: arithmetic on these.
A2, A3 = -0.45, 0.1086
# Tuning fork: -0.035 ppm/K**2: J. R. Vig, Introduction to Quartz Frequency Standards, SLCET-TR-92-1 rev. 1, 1992.
FORK = -35.0


def test_the_inflection_of_the_handbook_cubic_is_found() -> None:
    temperature_c = np.linspace(-40.0, 85.0, 60)
    d = temperature_c - 25.0
    crystal = CrystalRegressor(3).fit(temperature_c[:, None], -143.9 * d + A2 * d**2 + A3 * d**3)
    found = {parameter.name: parameter.value for parameter in crystal.parameters_}
    assert found["inflection temperature"] == pytest.approx(26.381, abs=5e-4)
    assert found["cubic coefficient"] == pytest.approx(A3, rel=1e-9)
    # Slope there, by hand: -143.9 - 0.45**2 / (3 * 0.1086) = -144.5215
    assert found["slope at inflection"] == pytest.approx(-144.5215, abs=1e-4)


def test_the_turnover_of_the_handbook_fork_is_found() -> None:
    temperature_c = np.linspace(-10.0, 60.0, 40)
    crystal = CrystalRegressor(2).fit(temperature_c[:, None], 5000.0 + FORK * (temperature_c - 25.0) ** 2)
    assert [parameter.value for parameter in crystal.parameters_] == pytest.approx([25.0, FORK, 5000.0], rel=1e-9)


@pytest.mark.parametrize("degree", [2, 3])
def test_uncertainties_of_the_parameters_hold_over_repeated_runs(degree: int) -> None:
    # Invented data with a known truth: 400 runs with 20 ppb of white noise.
    rng = np.random.default_rng(11)
    temperature_c = np.linspace(-20.0, 60.0, 50)
    d = temperature_c - 26.0
    true_ppb = 100.0 - 300.0 * d + A3 * d**3 if degree == 3 else 100.0 + FORK * d**2
    pulls = []
    for _ in range(400):
        fitted = CrystalRegressor(degree).fit(
            temperature_c[:, None], true_ppb + rng.normal(0.0, 20.0, temperature_c.size)
        )
        truth = [26.0, -300.0, A3, 100.0] if degree == 3 else [26.0, FORK, 100.0]
        pulls.append([(p.value - t) / p.uncertainty for p, t in zip(fitted.parameters_, truth, strict=True)])
    # The standard deviation of 400 pulls is 1 within 3.5 %; 0.85 to 1.15 is beyond four times that on either side.
    spread = np.std(pulls, axis=0)
    assert np.all((spread > 0.85) & (spread < 1.15)), spread


def test_a_parameter_outside_the_handbooks_range_is_remarked() -> None:
    odd = (Parameter("turnover temperature", 48.0, 1.0, "degC"), Parameter("curvature", -35.0, 0.1, "ppb/degC^2"))
    remarks = handbook_remarks(odd, "tuning-fork")
    assert len(remarks) == 1
    assert remarks[0].startswith("turnover temperature 48 degC (u 1) is unusual")
    assert handbook_remarks(odd, "unknown") == ()


def test_an_uncertain_parameter_is_given_the_benefit_of_the_doubt() -> None:
    assert handbook_remarks((Parameter("turnover temperature", 40.0, 5.0, "degC"),), "tuning-fork") == ()


def test_the_crystals_form_stands_for_the_polynomial_of_its_degree() -> None:
    assert [c.name for c in candidates("auto", "AT")] == [
        "poly1", "poly2", "crystal", "poly4", "poly5", "poly6", "poly7", "poly8", "poly9", "spline",
    ]  # fmt: skip
    assert [c.name for c in candidates("auto", "unknown")] == [*(f"poly{degree}" for degree in range(1, 10)), "spline"]
    assert [c.name for c in candidates(("poly5", "crystal"), "BT")] == ["crystal", "poly5"]


def test_a_handbook_figure_with_its_sign_turned_round_asks_for_the_role() -> None:
    turned = handbook_remarks((Parameter("cubic coefficient", -A3, 1e-5, "ppb/degC^3"),), "AT")
    assert "with the sign turned round: is `role` right" in turned[0]
    (other,) = handbook_remarks((Parameter("cubic coefficient", 0.02, 1e-5, "ppb/degC^3"),), "AT")
    assert "is the cut right" in other
    assert "role" not in other


def test_a_handbook_figure_a_thousand_times_too_small_or_large_asks_for_the_unit() -> None:
    for times in (1e3, 1e-3):
        (result,) = handbook_remarks((Parameter("cubic coefficient", times * A3, times * 1e-5, "ppb/degC^3"),), "AT")
        assert "with ppm and ppb mixed up: is the unit of the column right?" in result
    (other,) = handbook_remarks((Parameter("cubic coefficient", 10.0 * A3, 1e-5, "ppb/degC^3"),), "AT")
    assert "mixed up" not in other
