"""Trusted times of a clock's events: counted on, sorted by lateness, cut at slips.

Invented clocks have known truth; the tower sensor is real (tests/data/tower_sensor, its notice beside it).
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from tcomp.errors import JobError, RunError
from tcomp.job import RunLog, read_job_text
from tcomp.job.sections import Oscillator
from tcomp.logs.events import EventRows, rows_of_events
from tcomp.logs.log_file import read_run

TOWER = Path(__file__).parent / "data" / "tower_sensor" / "frames.csv.gz"
PERIOD_S = 600.0
FIRST_S = 1_700_000_000.0


def beacon(seed: int = 1, ticks: int = 4000, scatter_s: float = 0.005) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """An invented tuning fork's beacon through days of 10 to 30 degC: tick, trusted time [s], temperature [degC]."""
    rng = np.random.default_rng(seed)
    tick = np.arange(ticks)
    temperature_c = 20.0 + 10.0 * np.sin(2 * np.pi * tick * PERIOD_S / 86_400.0)
    offset = 28e-6 - 34e-9 * (temperature_c - 28.0) ** 2
    # dt = period / (1 + y): the clock counts its period in less time when it is fast.
    time_s = FIRST_S + np.concatenate([[0.0], np.cumsum(PERIOD_S / (1 + (offset[1:] + offset[:-1]) / 2))])
    return tick, time_s + rng.normal(size=ticks) * scatter_s, temperature_c


def read(time_s: np.ndarray, temperature_c: np.ndarray, period_s: float = PERIOD_S) -> EventRows:
    return rows_of_events(time_s, temperature_c, np.arange(len(time_s)) + 2, period_s, Path("beacon.csv"))


def mean_ppb(rows: EventRows) -> float:
    return float(np.sum(rows.offset_ppb * rows.interval_s) / np.sum(rows.interval_s))


def true_mean_ppb() -> float:
    temperature_c = beacon()[2]
    return float(np.mean(28e3 - 34.0 * (temperature_c - 28.0) ** 2))


def test_a_worked_example_of_the_sign() -> None:
    """10 ppm fast: ticks of 600 s come each 599.994 s, so after 100 ticks 0.6 s early; by hand."""
    rows = read(FIRST_S + np.arange(101) * 599.994, np.full(101, 20.0))
    assert rows.offset_ppb == pytest.approx(10_000.1, abs=0.5)  # y = 600 / 599.994 - 1; times of 1.7e9 s have 2e-7 s


def test_missing_and_repeated_events() -> None:
    _, time_s, temperature_c = beacon()
    rng = np.random.default_rng(2)
    heard = np.sort(rng.choice(4000, 2500, replace=False))
    again = rng.choice(heard, 300, replace=False)
    every_s = np.concatenate([time_s[heard], time_s[again] + 197.5])
    every_c = np.concatenate([temperature_c[heard], temperature_c[again]])
    rows = read(every_s, every_c)
    assert len(rows.time_s) == 2499
    # 5 ms over 4000 ticks of 600 s are 3 ppb; interpolating temperature over missing events adds little.
    assert mean_ppb(rows) == pytest.approx(true_mean_ppb(), abs=20.0)
    result = " ".join(rows.remarks)
    assert "2500 of 2800 events stand on ticks" in result
    assert "missing ones were counted on" in result
    assert "300 events stand beside the ticks" in result


def test_classes_of_lateness_are_found_and_taken_off() -> None:
    _, time_s, temperature_c = beacon()
    rng = np.random.default_rng(3)
    late_s = rng.choice([0.0, 0.15, 0.3], size=4000, p=[0.7, 0.2, 0.1])
    rows = read(time_s + late_s, temperature_c)
    (classes,) = [one for one in rows.remarks if "classes of lateness" in one]
    assert re.search(
        r"\+(149|150|151) ms.*\+(29[89]|30[012]) ms", classes
    )  # 4000 events tell them to a fraction of a ms
    # Unsorted, they would scatter by 100 ms; sorted, by the beacon's own 5 ms.
    assert np.median(rows.start_u_ns) == pytest.approx(5e6, rel=0.2)
    assert np.sqrt(np.mean((np.diff(rows.offset_ppb) * 600.0) ** 2)) < 2.6 * 5e6


def test_a_slip_and_a_restart_begin_the_phase_anew() -> None:
    _, time_s, temperature_c = beacon()
    time_s[1500:] += 0.2  # part of a second: a slip
    time_s[2800:] += 123.4  # a restart
    rows = read(time_s, temperature_c)
    assert len(rows.time_s) == 3999 - 2
    assert mean_ppb(rows) == pytest.approx(true_mean_ppb(), abs=20.0)
    result = " ".join(rows.remarks)
    assert "1 steps of the ticks" in result
    assert "slipped 1 times" in result


def test_no_slip_is_seen_where_there_is_none() -> None:
    _, time_s, temperature_c = beacon(seed=5)
    assert "slipped" not in " ".join(read(time_s, temperature_c).remarks)


def test_a_wrong_period_is_refused_in_one_sentence() -> None:
    _, time_s, temperature_c = beacon()
    rng = np.random.default_rng(4)
    with pytest.raises(RunError, match=r"beside the ticks of period_s = 431; give the period .* between events is 6"):
        read(time_s + rng.uniform(0, 400, 4000), temperature_c, 431.0)


def test_few_events_are_refused() -> None:
    _, time_s, temperature_c = beacon()
    with pytest.raises(RunError, match=r"12 events .* too few"):
        read(time_s[:12], temperature_c[:12])


@pytest.mark.parametrize(
    ("keys", "outcome"),
    [
        ('event = "t"', "event and period_s together"),
        ("period_s = 600", "exactly one of"),
        ('event = "t"\nperiod_s = 600\noffset = "y"\noffset_unit = "ppb"', "exactly one of"),
        ('event = "t"\nperiod_s = 0', "period_s"),
        ('event = "t"\nperiod_s = 600\ntime = "other"', "leave out time"),
        ('event = "t"\nperiod_s = 600\ntemperature_file = "b.csv"\ntemperature_time = "t"', "in the same file"),
    ],
)
def test_keys_that_do_not_go_together(keys: str, outcome: str) -> None:
    with pytest.raises(JobError, match=outcome):
        read_job_text(f'[oscillator]\nname = "x"\n[[run]]\nfile = "a.csv"\ntemperature = "c"\n{keys}\n')


def test_the_tower_sensor_is_read_as_it_is() -> None:
    """Its README: repetitions some 200 s later; one frame in ten late, some months with three classes 150 ms apart."""
    log = RunLog(TOWER, "sensor_c", event="unix_s", period_s=600.0)
    raw = read_run(log, Oscillator("tower"))
    result = " ".join(raw.assumptions)
    assert "events stand beside the ticks" in result
    assert "classes of lateness" in result
    assert raw.frame["offset_ppb"].median() == pytest.approx(23_000, abs=6000)  # 2 degC to 35 degC of its own parabola
    assert np.median(raw.frame["start_u_ns"]) < 15e6  # README: 6 to 12 ms a frame in 2024
