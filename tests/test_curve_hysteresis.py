"""A loop between heating and cooling of one play or several, recovered from invented runs by an independent simulator."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from independent import Floats, at_cubic, chamber_c, dragged, simulate
from recovery import learn_logs

from tcomp import following
from tcomp.estimation.curve import curve_text, read_curve
from tcomp.estimation.effects import Finding, Hysteresis, PlayLoop, Status, effects_of, follow_terms
from tcomp.estimation.effects.hysteresis import play
from tcomp.estimation.fit_result import FitResult
from tcomp.job import read_job
from tcomp.tables import CorrectionTable, StepLayout, TemperatureScale

Parts = tuple[tuple[float, float], ...]
"""Heights [ppb] and plays [degC] of a loop."""
ONE: Parts = ((200.0, 5.0),)
TWO: Parts = ((80.0, 1.0), (120.0, 6.0))
THREE: Parts = ((60.0, 1.0), (80.0, 4.0), (60.0, 12.0))
LOOPS = {"one": ONE, "two": TWO, "three": THREE}


def minor_loops() -> Floats:
    """Reversals of 3 to 80 degC, which tell plays from each other, each second. Invented."""
    return chamber_c(
        [
            (25, 20), (-20, 60), (-20, 20), (20, 60), (20, 15), (14, 15), (26, 15), (17, 15), (35, 20), (60, 45), (60, 20),
            (40, 25), (45, 10), (30, 20), (33, 10), (0, 50), (5, 10), (-5, 15), (-20, 20), (25, 60),
        ],
        25.0,
    )  # fmt: skip


def learnt(parts: Parts, seed: int, chamber: Floats | None = None) -> FitResult:
    """The truth is a sum of play operators in their recursive form (see ``independent.dragged``)."""
    return learn_logs(
        simulate(
            seed,
            chamber=minor_loops() if chamber is None else chamber,
            besides_ppb=lambda _time_s, crystal_c, _rng: sum(
                (height * dragged(crystal_c, width) for height, width in parts), np.zeros(crystal_c.size)
            ),
        )
    )


def error_and_u_ppb(fit_result: FitResult) -> tuple[Floats, Floats]:
    curve = fit_result.curve
    at_c = np.linspace(curve.low_c, curve.high_c, 101)
    error_ppb = curve.offset_ppb(at_c) - at_cubic(at_c)
    return error_ppb - error_ppb.mean(), curve.uncertainty_ppb(at_c)


@pytest.mark.parametrize("name", LOOPS)
def test_heights_and_plays_are_recovered_and_the_curve_beside_them(name: str) -> None:
    parts = LOOPS[name]
    fit_result = learnt(parts, 1)
    found = fit_result.curve.effect("hysteresis")
    assert found.status == Status.FOUND
    assert found.value == pytest.approx(200.0, abs=4 * found.uncertainty)
    # A hundredth of the loop and a twentieth of the play: several times what noise of 1.5 ppb leaves of some 3000 rows.
    assert [one.height_ppb for one in found.plays] == pytest.approx([height for height, _ in parts], abs=2.0)
    assert [one.play_c for one in found.plays] == pytest.approx([width for _, width in parts], rel=0.05)
    error_ppb, u_ppb = error_and_u_ppb(fit_result)
    assert np.abs(error_ppb).max() < 1.0
    assert np.sqrt(np.mean((error_ppb / u_ppb) ** 2)) < 1.5


def near_the_ends() -> Floats:
    """Soaks that lie nearer to the turning points than a play of 5 degC, at 1 degC/min, each second. Invented."""
    soaks_c = (-10.0, -7.0, 20.0, 50.0, 47.0, 20.0, -10.0, 20.0)
    legs, now_c = [], 20.0
    for soak_c in soaks_c:
        legs += [(soak_c, abs(soak_c - now_c)), (soak_c, 25.0)]
        now_c = soak_c
    return chamber_c(legs, 20.0)


def test_soaks_within_the_play_do_not_bend_the_curve(monkeypatch: pytest.MonkeyPatch) -> None:
    error_ppb, u_ppb = error_and_u_ppb(learnt(ONE, 1, near_the_ends()))
    assert np.abs(error_ppb).max() < 15.0  # asked
    assert np.sqrt(np.mean((error_ppb / u_ppb) ** 2)) < 1.5
    # The fault that free plays take away: the better of two that are near.
    coarse = (Hysteresis((4.0,)), Hysteresis((8.0,)))
    monkeypatch.setattr(Hysteresis, "finer", lambda self: () if self.plays_c else coarse)
    error_ppb, _ = error_and_u_ppb(learnt(ONE, 1, near_the_ends()))
    assert np.abs(error_ppb).max() > 15.0


def test_no_loop_has_no_play() -> None:
    found = learnt((), 2).curve.effect("hysteresis")
    assert found.status == Status.NONE_SEEN
    assert found.plays == ()


def test_the_document_keeps_all_plays(tmp_path: Path) -> None:
    curve = learnt(TWO, 3).curve
    path = tmp_path / "curve.json"
    path.write_text(curve_text(curve), encoding="utf-8")
    again = read_curve(path)
    assert again.effect("hysteresis") == curve.effect("hysteresis")
    assert follow_terms(again.effects)[-2:] == curve.effect("hysteresis").plays
    held = effects_of(again.effects).of(Hysteresis)
    assert len(held.plays_c) == 2
    assert not held.parameters


def test_the_derivative_by_a_play_is_that_of_the_operator() -> None:
    # Invented way; a difference of the independent operator over a hundredth of a degree.
    crystal_c = minor_loops()[::60]
    exposure: Any = SimpleNamespace(run=np.zeros(crystal_c.size, dtype=np.int64))
    sensor: Any = None
    found = Hysteresis((5.0,), free=True).jacobian(exposure, sensor, crystal_c, crystal_c, np.array([200.0]))[:, 0]
    expected = 200.0 * (dragged(crystal_c, 5.005) - dragged(crystal_c, 4.995)) / 0.01
    np.testing.assert_allclose(found, expected, atol=1e-6 * 200)
    np.testing.assert_allclose(play(exposure.run, crystal_c, 5.0), dragged(crystal_c, 5.0), atol=1e-12)


def test_firmware_follows_several_plays_with_one_and_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    job = read_job(Path(__file__).parent.parent / "sample_runs" / "river_gauge" / "gauge07.toml")
    table = CorrectionTable(
        layout=StepLayout(count=81, first_code=-320, step_log2=4, interpolation="linear"), scale=TemperatureScale(16),
        low_code=-320, high_code=960, entry_bits=16, unit_log2_ppt=6, entries=(0,) * 81, max_error_ppb=0.0, rms_error_ppb=0.0,
    )  # fmt: skip
    curve: Any = SimpleNamespace(effects=(), low_c=-20.0, high_c=60.0)
    loops = tuple(PlayLoop(height_ppb=height, play_c=width) for height, width in THREE)
    monkeypatch.setattr(following, "follow_terms", lambda effects: loops)
    found = following.following(job, curve, table).filter
    assert "The loop has plays of 1, 4, 12 degC, for which the filter keeps one" in found.words
    assert found.state_bytes <= 16
    there_c = chamber_c([(60.0, 40.0), (-20.0, 80.0), (60.0, 80.0)], 20.0)[::10]
    truth_ppb = sum((height * dragged(there_c, width) for height, width in THREE), np.zeros(there_c.size))
    followed_ppb = found.followed_ppt(np.round(there_c * 16).astype(int)) / 1000.0
    # Behind the longest play of 12 degC all agree: 200 ppb, to the filter's rounding of the play to a 32nd of a degree.
    away = np.abs(truth_ppb) > 99.9
    assert away.sum() > there_c.size / 2
    assert np.abs(followed_ppb - truth_ppb)[away].max() < 1.0
    # In between it errs, by less than a quarter of the loop here; one play of 1 degC alone would by 78 ppb.
    assert 10.0 < np.abs(followed_ppb - truth_ppb).max() < 50.0
    last = slice(
        240, None
    )  # down and up once, the loop's area by the trapezoidal rule: sum of height times (80 - play)
    area = np.trapezoid(followed_ppb[last], there_c[last])
    assert abs(area) == pytest.approx(sum(height * (80.0 - width) for height, width in THREE), rel=0.01)


def test_two_plays_that_are_one_are_refused() -> None:
    assert Hysteresis((4.0, 5.0)).degenerate
    assert not Hysteresis((1.0, 5.0)).degenerate
    assert all(not one.degenerate for one in Hysteresis((2.1,), free=True).finer())


def test_a_loop_in_words_has_its_parts() -> None:
    plays = (PlayLoop(height_ppb=80.0, play_c=1.0), PlayLoop(height_ppb=120.0, play_c=6.0))
    finding = Finding("hysteresis", "ppb", Status.FOUND, 200.0, 0.1, plays=plays)
    assert follow_terms((finding,)) == plays
    assert follow_terms((Finding("hysteresis", "ppb", Status.FOUND, 200.0, 0.1),)) == (
        PlayLoop(height_ppb=200.0, play_c=0.0),
    )
