"""The stamps of a clock corrected since a mark. The clock and its truth are invented; the curve is a known line."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from plain_curve import BASE_TIME_S, plain_curve

from tcomp.cli import main
from tcomp.estimation.curve import Curve, curve_text
from tcomp.logs.clock_noise import ClockNoise
from tcomp.upkeep.time_error import wandered_s

JOB = """
[oscillator]
name = "clock"
cut = "tuning-fork"
[[run]]
file = "log.csv"
time = "stamp"
temperature = "air_c"
offset = "y"
offset_unit = "ppb"
"""


def line() -> Curve:
    return plain_curve(base_ppb=25_000.0, slope_ppb_per_c=-300.0, u_ppb=100.0)


def ran(*words: str | Path) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words], catch_exceptions=False)


def stamped(curve: Curve, hours: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """True times each 10 min, what a clock shows then, and the temperature of a daily cycle; the clock is right at the start.

    The clock's error is summed in steps of 1 s by the trapezoid rule, apart from the code that is tested.
    """
    fine_s = np.arange(0.0, hours * 3600.0 + 0.5)
    fine_c = 20.0 + 8.0 * np.sin(2 * np.pi * fine_s / 86_400)
    y = curve.offset_ppb(fine_c) * 1e-9
    error_s = np.concatenate([[0.0], np.cumsum((y[1:] + y[:-1]) / 2)])
    return BASE_TIME_S + fine_s[::600], BASE_TIME_S + (fine_s + error_s)[::600], fine_c[::600]


@pytest.fixture
def here(tmp_path: Path) -> Path:
    curve = line()
    (tmp_path / "curve.json").write_text(curve_text(curve), encoding="utf-8")
    (tmp_path / "job.toml").write_text(JOB, encoding="utf-8")
    return tmp_path


def corrected(here: Path, rows: str, *more: str) -> list[list[str]]:
    (here / "log.csv").write_text("stamp,air_c\n" + rows, encoding="utf-8")
    result = ran("apply", here / "curve.json", here / "log.csv", "--times", "stamp", "--job", here / "job.toml", *more,
               "--into", here / "true.csv")  # fmt: skip
    assert result.exit_code == 0, result.output
    return [line.split(",") for line in (here / "true.csv").read_text(encoding="utf-8").splitlines()]


def rows_of(stamps: np.ndarray, air_c: np.ndarray) -> str:
    return "".join(f"{stamp:.6f},{at:.4f}\n" for stamp, at in zip(stamps, air_c, strict=True))


def test_stamps_come_back_to_the_true_time(here: Path) -> None:
    """Within 1 ms after two days in which the clock gains some 4.5 s; the trapezoid over 10 min of a daily cycle errs by less.
    The planted fault: a curve with its sign turned leaves twice the error."""
    true_s, stamps, air_c = stamped(line(), 48)
    assert stamps[-1] - true_s[-1] > 4.0
    head, *rows = corrected(here, rows_of(stamps, air_c))
    assert head == ["stamp", "air_c", "stamp_true", "stamp_u", "state"]
    found = np.array([float(row[2]) for row in rows])
    assert np.abs(found - true_s).max() < 1e-3
    turned = replace(line(), coef=tuple(-one for one in line().coef))
    (here / "curve.json").write_text(curve_text(turned), encoding="utf-8")
    wrong = np.array([float(row[2]) for row in corrected(here, rows_of(stamps, air_c))[1:]])
    assert wrong[-1] - true_s[-1] > 8.0


def test_the_uncertainty_is_the_curves_times_the_time_and_the_noise_of_the_frequency(here: Path) -> None:
    """After two days: 100 ppb of the base make 17.3 ms, and what the curve leaves, 1 ppb that is held for a day, hardly adds."""
    without_drift = replace(line(), base_time_s=None)
    (here / "curve.json").write_text(curve_text(without_drift), encoding="utf-8")
    _, stamps, air_c = stamped(line(), 48)
    rows = corrected(here, rows_of(stamps, air_c))[1:]
    assert float(rows[0][3]) == 0.0
    assert float(rows[-1][3]) == pytest.approx(0.0173, rel=0.01)
    noise = ClockNoise(
        phase=1.0, white_ppb2_s=0.0, walk_ppb2_per_s=0.0, memory_s=1.0, slow_ppb=500.0, slow_memory_s=1e12
    )
    (here / "curve.json").write_text(curve_text(replace(without_drift, clock_noise=noise)), encoding="utf-8")
    noisy = corrected(here, rows_of(stamps, air_c))[1:]
    # A wander that does not return within two days is an offset of 500 ppb: 86 ms.
    assert float(noisy[-1][3]) == pytest.approx(np.hypot(0.0173, 0.0864), rel=0.02)


def test_a_wander_that_forgets_grows_as_the_root_of_the_time() -> None:
    """The variance of an integrated Gauss-Markov process far beyond its memory is 2 sd^2 memory t (textbook result)."""
    noise = ClockNoise(phase=0.0, white_ppb2_s=0.0, walk_ppb2_per_s=2 * 300.0**2 / 3600.0, memory_s=3600.0)
    months = np.array([30 * 86_400.0, 120 * 86_400.0])
    expected = 1e-9 * np.sqrt(2 * 300.0**2 * 3600.0 * months)
    np.testing.assert_allclose(wandered_s(noise, months), expected, rtol=2e-3)


def test_dates_stay_dates(here: Path) -> None:
    true_s, stamps, air_c = stamped(line(), 24)
    dates = [datetime.fromtimestamp(one, UTC).isoformat().replace("+00:00", "Z") for one in stamps]
    text = "".join(f"{date},{at:.4f}\n" for date, at in zip(dates, air_c, strict=True))
    rows = corrected(here, text)[1:]
    found = np.array([datetime.fromisoformat(row[2]).timestamp() for row in rows])
    assert rows[-1][2].endswith("Z")
    assert np.abs(found - true_s).max() < 1e-3


def test_time_is_counted_from_the_mark(here: Path) -> None:
    true_s, stamps, air_c = stamped(line(), 24)
    at = 60
    rows = corrected(here, rows_of(stamps, air_c), "--mark", f"{stamps[at]:.6f}")[1:]
    assert {row[4] for row in rows[:at]} == {"before the mark"}
    assert rows[at - 1][2:4] == ["", ""]
    since_s = np.array([float(row[2]) for row in rows[at:]]) - stamps[at]
    assert np.abs(since_s - (true_s[at:] - true_s[at])).max() < 1e-3


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (("--frequency", "air_c"), "several are given"),
        (("--mark", "noon"), "is no stamp; expected one as in the log"),
    ],
)
def test_mistakes_are_named(here: Path, more: tuple[str, ...], words: str) -> None:
    (here / "log.csv").write_text("stamp,air_c\n0,20\n600,20\n", encoding="utf-8")
    result = ran("apply", here / "curve.json", here / "log.csv", "--times", "stamp", "--job", here / "job.toml", *more)
    assert result.exit_code == 2
    assert words in result.output.replace("\n", " ")


def test_a_clock_in_service_is_carried_on_by_its_own_drift(here: Path) -> None:
    """1.8 ppb/day (0.3) from the base on: after 100 days 180 ppb (30), which is 15.6 ms a day more."""
    noise = ClockNoise(phase=1.0, white_ppb2_s=0.0, walk_ppb2_per_s=0.0, memory_s=1.0)
    curve = replace(plain_curve(base_ppb=0.0, ageing_ppb_per_day=1.8, ageing_u=0.3), clock_noise=noise)
    (here / "curve.json").write_text(curve_text(curve), encoding="utf-8")
    stamps = BASE_TIME_S + 100 * 86_400.0 + np.arange(0.0, 86_401.0, 600.0)
    last = corrected(here, rows_of(stamps, np.full(stamps.size, 25.0)))[-1]
    assert stamps[-1] - float(last[2]) == pytest.approx(0.0156, rel=0.02)
    assert float(last[3]) == pytest.approx(0.0156 / 6, rel=0.02)
