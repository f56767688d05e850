"""Effects as a family: composed, removed and added without a fit that knows one by name. All data is invented."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import ClassVar, Self

import numpy as np
import pytest
from recovery import prepared

import tcomp.estimation.effects.lag
import tcomp.estimation.estimate
import tcomp.estimation.held_out
import tcomp.estimation.joint_fit
import tcomp.estimation.learn
from tcomp.estimation.basis import ChebyshevBasis
from tcomp.estimation.effects import (
    FAMILY,
    Ageing,
    BasePerRun,
    Effect,
    Effects,
    Exposure,
    Finding,
    Hysteresis,
    Lag,
    Status,
    effects_of,
)
from tcomp.estimation.joint_fit import Fitter, JointFit, Model
from tcomp.estimation.samples import Samples, samples_of
from tcomp.estimation.sensor_smoothing import sensor_log
from tcomp.estimation.thermal_lag import SensorLog
from tcomp.files import typed
from tcomp.simulation import simulate
from tcomp.simulation.cases import cases
from tcomp.units import SECONDS_PER_DAY

LOOP_PPB, PERIOD_S, SWING_PPB = 30.0, 9000.0, 20.0


@dataclass(frozen=True)
class Swing(Effect):
    """An effect that no fit has heard of: a periodic pull, say of a supply, whose period is a nonlinear parameter."""

    name: ClassVar[str] = "swing"
    unit: ClassVar[str] = "s"

    period_s: float = 8500.0
    free: bool = True

    @property
    def size(self) -> int:
        return 2

    @property
    def reported(self) -> tuple[str, ...]:
        return "swing, sine", "swing, cosine"

    def columns(self, exposure: Exposure, crystal_c: np.ndarray) -> np.ndarray:
        phase = 2 * np.pi * (exposure.time_s - exposure.time_s[0]) / self.period_s
        return np.column_stack([np.sin(phase), np.cos(phase)])

    @property
    def parameters(self) -> tuple[str, ...]:
        return ("swing, period",) if self.free else ()

    @property
    def values(self) -> tuple[float, ...]:
        return (self.period_s,) if self.free else ()

    def with_values(self, values: Sequence[float]) -> Self:
        return replace(self, period_s=values[0])

    def held(self) -> Self:
        return replace(self, free=False)

    def jacobian(
        self, exposure: Exposure, sensor: SensorLog, crystal_c: np.ndarray, slope: np.ndarray, coef: np.ndarray
    ) -> np.ndarray:
        phase = 2 * np.pi * (exposure.time_s - exposure.time_s[0]) / self.period_s
        return ((-phase / self.period_s) * (coef[0] * np.cos(phase) - coef[1] * np.sin(phase)))[:, None]


@pytest.fixture(scope="module")
def samples() -> Samples:
    """Soaks and ramps of a crystal with a loop of 30 ppb and play, and a periodic pull of 20 ppb."""
    scenario = cases(3)["soaks with 30 ppb hysteresis"].scenario
    found = samples_of(prepared(scenario, simulate(scenario)))
    pull_ppb = SWING_PPB * np.sin(2 * np.pi * (found.time_s - found.time_s[0]) / PERIOD_S)
    return replace(found, offset_ppb=found.offset_ppb + pull_ppb)


def fitted(samples: Samples, *effects: Effect) -> JointFit:
    sensor, _ = sensor_log(samples)
    low_c, high_c = float(samples.temperature_c.min()), float(samples.temperature_c.max())
    fitter = Fitter(samples, sensor, low_c, high_c)
    model = Model(ChebyshevBasis(5, low_c, high_c), Effects(effects))
    weight = np.ones(samples.time_s.size)
    return fitter.fit(fitter.searched(model, weight), weight)


def test_a_new_effect_is_composed_and_drops_no_other(samples: Samples) -> None:
    base = BasePerRun(samples.run)
    fit = fitted(samples, base, Lag(), Ageing(), Swing(), Hysteresis((2.0,)))
    found = {finding.name: finding for finding in fit.findings}
    assert list(found) == ["ageing", "swing, sine", "swing, cosine", "hysteresis", "lag", "swing, period"]
    # Within what the readings' noise of about 1 ppb leaves of thousands of samples, and the play of the simulation.
    assert found["hysteresis"].value == pytest.approx(LOOP_PPB, abs=1.0)
    assert found["swing, period"].value == pytest.approx(PERIOD_S, abs=5 * found["swing, period"].uncertainty)
    assert found["swing, sine"].value == pytest.approx(SWING_PPB, abs=0.5)
    # The pull is taken off before curves are compared, the loop is not.
    without_pull = fitted(samples, base, Lag(), Ageing(), Hysteresis((2.0,)))
    assert np.std(fit.residual_ppb) < 0.3 * np.std(without_pull.residual_ppb)
    pull_ppb = fit.effect_coef["swing"] @ fit.model.effects.of(Swing).columns(samples, fit.crystal_c).T
    ageing_ppb = fit.effect_coef["ageing"] @ Ageing().columns(samples, fit.crystal_c).T
    np.testing.assert_allclose(samples.offset_ppb - fit.corrected_ppb, pull_ppb + ageing_ppb, atol=1e-9)


def test_the_order_of_effects_changes_nothing(samples: Samples) -> None:
    base = BasePerRun(samples.run)
    one = fitted(samples, base, Lag(), Ageing(), Hysteresis((2.0,)), Swing())
    other = fitted(samples, Swing(), Hysteresis((2.0,)), Ageing(), Lag(), base)
    for finding in one.findings:
        again = other.finding(finding.name)
        assert again is not None
        # Round-off of normal equations in another order; Gauss-Newton stops at 1e-3 ppb.
        assert again.value == pytest.approx(finding.value, rel=1e-4, abs=1e-6)
        assert again.uncertainty == pytest.approx(finding.uncertainty, rel=1e-3)
    np.testing.assert_allclose(one.corrected_ppb, other.corrected_ppb, atol=1e-3)


def test_the_jacobian_of_every_effect_is_the_derivative_of_its_offset(samples: Samples) -> None:
    sensor, _ = sensor_log(samples)
    slope = np.full(samples.time_s.size, 100.0)
    for effect in (Lag((120.0,)), Lag((120.0, -30.0)), Swing()):
        coef = np.array([3.0, -2.0])[: effect.size]
        jacobian = effect.jacobian(samples, sensor, samples.temperature_c, slope, coef)
        assert jacobian.shape == (samples.time_s.size, len(effect.parameters))
        for which in range(len(effect.parameters)):
            ends = []
            for sign in (1, -1):
                values = list(effect.values)
                values[which] += sign * 0.5
                moved = effect.with_values(values)
                offset = 100.0 * moved.crystal_c(sensor, sensor.temperature_c)
                ends.append(offset + moved.columns(samples, samples.temperature_c) @ coef)
            # Central differences of other widths differ by their third derivative: far below the readings' noise.
            np.testing.assert_allclose(jacobian[:, which], ends[0] - ends[1], atol=0.02)


def test_effects_are_found_and_removed_by_name() -> None:
    effects = Effects((BasePerRun(np.array([0, 0, 1, 2])), Lag((60.0,)), Ageing(), Hysteresis()))
    layout = effects.layout(curve_size=4, starts=2)
    assert layout.effects["base"] == slice(0, 2)
    assert layout.effects["hysteresis"] == slice(3, 4)
    assert (layout.curve, layout.starts, layout.parameters["lag"]) == (slice(4, 8), slice(8, 10), slice(10, 11))
    assert effects.without("ageing").layout(4, 2).effects["hysteresis"] == slice(2, 3)
    assert [one.name for one in effects.without("lag")] == ["base", "ageing", "hysteresis"]
    with pytest.raises(KeyError, match="ageing"):
        effects.without("ageing").of(Ageing)


def test_findings_become_effects_that_can_be_applied() -> None:
    found = (
        Finding("lag", "s", Status.FOUND, 170.0, 0.5),
        Finding("second lag", "s", Status.FOUND, -12.0, 0.5),
        Finding("ageing", "ppb/day", Status.NONE_SEEN, 0.0, 4.0),
        Finding("hysteresis", "ppb", Status.OFF),
    )
    known = effects_of(found)
    assert [one.name for one in known] == ["lag"]
    assert known.time_constants_s == (170.0, -12.0)
    # By hand: hypot(0.5, 0.5) / 158 of a difference of 2 degC.
    assert known.of(Lag).temperature_u_c(found, np.array([2.0]))[0] == pytest.approx(2 * 0.5 * 2**0.5 / 158)


def test_a_status_is_written_and_read_as_its_word() -> None:
    finding = Finding("lag", "s", Status.GIVEN, 60.0, 0.0, "given in the job")
    written = json.loads(json.dumps(asdict(finding)))
    assert written["status"] == "given"
    assert typed(written, Finding) == finding
    assert isinstance(typed(written, Finding).status, Status)
    with pytest.raises(ValueError, match="sometimes"):
        typed(written | {"status": "sometimes"}, Finding)


def test_ageing_counts_days_back_from_the_end_on_either_clock() -> None:
    @dataclass(frozen=True)
    class Times:
        time_s: np.ndarray
        run: np.ndarray
        direction: np.ndarray

    times = Times(SECONDS_PER_DAY * np.array([0.0, 1.0, 2.0]), np.zeros(3, dtype=np.int64), np.zeros(3))
    assert Ageing().columns(times, np.zeros(3))[:, 0].tolist() == [-2.0, -1.0, 0.0]
    # By hand: (ln(1 + 1) - ln(1 + 2)) (1 + 2), whose slope at the end is 1.
    assert Ageing(1.0).columns(times, np.zeros(3))[1, 0] == pytest.approx(3 * np.log(2 / 3))


NAMES = [f'"{name}"' for effect in FAMILY for name in effect.finding_names]


@pytest.mark.parametrize(
    "module", [tcomp.estimation.joint_fit, tcomp.estimation.estimate, tcomp.estimation.learn, tcomp.estimation.held_out]
)
def test_no_fit_knows_an_effect_by_name(module: object) -> None:
    source = Path(module.__file__).read_text(encoding="utf-8")
    assert [name for name in NAMES if name in source] == []
    assert 'unit == "s"' not in source
    lag = Path(tcomp.estimation.effects.lag.__file__).read_text(encoding="utf-8")
    assert [name for name in NAMES if name in lag], "a planted name is found"
