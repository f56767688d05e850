"""Coarse sensors: what their steps are worth is said, and whether they round or cut off is asked. Invented runs."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from tcomp.job import read_job_text
from tcomp.logs import prepare_runs

SLOPE_PPB_PER_C = 80.0
RAMP_C = np.concatenate([np.linspace(-20.0, 60.0, 1200), np.linspace(60.0, -20.0, 1200)])


def assumptions(tmp_path: Path, shown: Callable[[np.ndarray], np.ndarray], sensor: str = "") -> tuple[str, ...]:
    """What is said of a run up and down, its offset a straight line in the true temperature, as a sensor shows it."""
    noise_ppb = np.random.default_rng(1).normal(size=RAMP_C.size)
    rows = zip(10.0 * np.arange(RAMP_C.size), shown(RAMP_C), SLOPE_PPB_PER_C * RAMP_C + noise_ppb, strict=True)
    (tmp_path / "log.csv").write_text("t,T,y\n" + "".join(f"{t:g},{T:g},{y:.3f}\n" for t, T, y in rows))
    job = read_job_text(
        '[oscillator]\nname = "x"\n[[run]]\nfile = "log.csv"\ntime = "t"\ntemperature = "T"\noffset = "y"\n'
        f'offset_unit = "ppb"\n[sensor]\n{sensor}\n',
        tmp_path / "job.toml",
    )
    (prepared,) = prepare_runs(job)
    return tuple(said for said in prepared.run.assumptions if "coarse" in said or "towards zero" in said)


@pytest.mark.parametrize("shown", [np.round, np.floor])
def test_whole_degrees_are_said_with_their_worth_and_the_keys_for_a_sensor_that_cuts_off(
    tmp_path: Path, shown: Callable[[np.ndarray], np.ndarray]
) -> None:
    # Step times slope: 1 degC x 80 ppb/degC; a cell holds 75 samples of five steps, which tell the slope within 2 %.
    (said,) = assumptions(tmp_path, shown)
    assert any(f"coarse steps of 1 degC, each worth up to {worth} ppb where" in said for worth in (79, 80, 81))
    assert 'give rounding = "down", resolution_c = 1 in [sensor]' in said
    assert 'if it rounds, give rounding = "nearest"' in said


def test_values_cut_off_towards_zero_are_found_by_the_double_step_at_zero(tmp_path: Path) -> None:
    said = assumptions(tmp_path, np.trunc)
    assert len(said) == 2
    assert said[1].startswith("The temperature stays at 0 degC twice as long as at the steps next to it")


def test_steps_finer_than_half_a_degree_are_not_worth_a_word(tmp_path: Path) -> None:
    assert assumptions(tmp_path, lambda true_c: np.round(true_c * 4) / 4) == ()


def test_a_job_that_states_the_half_step_is_asked_no_more(tmp_path: Path) -> None:
    sensor = 'kind = "linear"\ndegc_per_count = 1\noffset_c = 0.5'
    assert assumptions(tmp_path, np.floor, sensor) == ()
    assert assumptions(tmp_path, np.round, 'rounding = "nearest"') == ()
    assert assumptions(tmp_path, np.floor, 'rounding = "down"\nresolution_c = 1') == ()
