"""Logs that are quantised, cyclic, constant, stepped or tiny end in a result or in one sentence, never in a traceback."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from odd_logs import CHOICES, OddLog, drawn_log, run_commands

PLAIN = OddLog(
    programme="up and down",
    oscillator="cubic",
    fault="none",
    rows=120,
    interval_s=10.0,
    temperature_step_c=0.0625,
    offset_step_ppb=0.0,
    noise_ppb=2.0,
    lag_samples=0,
    reading="frequency",
    time="stamped",
    lag="none",
    models=("poly3",),
    form="steps",
    seed=1,
)


@st.composite
def odd_logs(draw: st.DrawFn) -> OddLog:
    """A log of any of the ingredients, with a curve of few coefficients, so that thousands are fast."""
    drawn = {name: draw(st.sampled_from(among), label=name) for name, among in CHOICES.items()}
    fast = {"models": ("poly1",), "lag": "none", "form": "steps", "rows": min(drawn["rows"], 90)}
    return OddLog(seed=draw(st.integers(0, 2**16), label="seed"), **(drawn | fast))


@settings(
    derandomize=True, max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(odd_logs())
def test_an_odd_log_ends_in_a_result_or_in_one_sentence(tmp_path: Path, log: OddLog) -> None:
    run_commands(log, tmp_path)


@pytest.mark.parametrize("seed", [3, 4, 8, 35, 119, 161, 204])
def test_an_odd_log_with_every_effect_ends_so_too(tmp_path: Path, seed: int) -> None:
    # The full walk, with lag, drift and all curves; thousands of seeds: benchmarks/odd_logs.py
    run_commands(drawn_log(seed), tmp_path)


def test_a_plain_log_gives_a_table(tmp_path: Path) -> None:
    assert run_commands(PLAIN, tmp_path) == ""


def test_a_constant_frequency_is_told_as_a_counter_on_its_own_reference(tmp_path: Path) -> None:
    said = run_commands(replace(PLAIN, oscillator="constant", noise_ppb=0.0), tmp_path)
    assert said.startswith("inspect: log.csv: all ")
    assert "the counter probably runs on the oscillator that it measures" in said


@pytest.mark.parametrize(
    "name", ["tcomp.logs.prepared.cut_legs", "tcomp.workflow.learn_curve", "tcomp.workflow.cheapest_table"]
)
def test_a_planted_traceback_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    def fault(*_: object, **__: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(name, fault)
    with pytest.raises(ZeroDivisionError):
        run_commands(PLAIN, tmp_path)
