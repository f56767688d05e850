"""Runs that contradict each other, on invented logs."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tcomp.errors import RunError
from tcomp.job import read_job_text
from tcomp.logs import PreparedRun, prepare_runs

START = 1_750_000_000


def write(
    path: Path,
    start_s: float,
    *,
    ppb: float = 0.0,
    nominal: float = 10e6,
    gap_after: int | None = None,
    hours: float = 1.0,
) -> None:
    rows = int(360 * hours)
    time_s = start_s + 10.0 * np.arange(rows)
    if gap_after is not None:
        time_s[gap_after:] += 7200.0
    temperature_c = np.linspace(0.0, 40.0, rows)
    # Noise of its own for each file: without any, two runs would be one.
    noise_ppb = np.random.default_rng(list(path.name.encode())).normal(size=rows) * 0.01
    frequency = nominal * (1 + (ppb - 50 * (temperature_c - 20) + noise_ppb) * 1e-9)
    lines = [f"{t:.0f},{c:.3f},{f:.6f}" for t, c, f in zip(time_s, temperature_c, frequency, strict=True)]
    path.write_text("t,c,f\n" + "\n".join(lines) + "\n")


def prepare(folder: Path, *logs: str, keys: str = "", column: str = 'frequency = "f"') -> tuple[PreparedRun, ...]:
    blocks = "".join(f'[[run]]\nfile = "{log}"\ntime = "t"\ntemperature = "c"\n{column}\n{keys}' for log in logs)
    return prepare_runs(
        read_job_text(f'[oscillator]\nname = "x"\nnominal_hz = 10_000_000\n{blocks}', folder / "job.toml")
    )


def test_two_runs_at_one_time_are_refused_by_name_and_time(tmp_path: Path) -> None:
    write(tmp_path / "a.csv", START)
    write(tmp_path / "b.csv", START + 1800)
    with pytest.raises(
        RunError,
        match=r"a\.csv and b\.csv overlap from 2025-06-15T15:36:40Z to 2025-06-15T16:06:30Z.*leave out the \[\[run\]\]",
    ):
        prepare(tmp_path, "a.csv", "b.csv")


def test_the_same_log_twice_is_refused(tmp_path: Path) -> None:
    write(tmp_path / "a.csv", START)
    with pytest.raises(RunError, match=r"a\.csv and a\.csv overlap"):
        prepare(tmp_path, "a.csv", "a.csv")


def test_runs_one_after_the_other_and_in_each_others_gaps_are_sound(tmp_path: Path) -> None:
    write(tmp_path / "a.csv", START, gap_after=180)
    write(tmp_path / "b.csv", START + 2400)
    write(tmp_path / "c.csv", START + 90_000)
    assert len(prepare(tmp_path, "a.csv", "b.csv", "c.csv")) == 3


def test_times_since_a_start_contradict_nothing(tmp_path: Path) -> None:
    write(tmp_path / "a.csv", 0)
    write(tmp_path / "b.csv", 0)
    assert len(prepare(tmp_path, "a.csv", "b.csv")) == 2


def test_a_run_of_another_nominal_is_named_with_the_nominal_that_fits(tmp_path: Path) -> None:
    write(tmp_path / "a.csv", START)
    write(tmp_path / "b.csv", START + 9000, nominal=10.005e6)
    with pytest.raises(
        RunError, match=r"b\.csv: its median offset is 500 ppm, that of a\.csv .*of a nominal of 10005000 Hz"
    ):
        prepare(tmp_path, "a.csv", "b.csv")


def test_of_three_runs_the_odd_one_is_named(tmp_path: Path) -> None:
    write(tmp_path / "a.csv", START, ppb=300e3)
    write(tmp_path / "b.csv", START + 9000, ppb=2e3)
    write(tmp_path / "c.csv", START + 18_000, ppb=290e3)
    with pytest.raises(RunError, match=r"b\.csv: its median offset is 2 ppm, that of [ac]\.csv"):
        prepare(tmp_path, "a.csv", "b.csv", "c.csv")


def test_a_timebase_with_another_trusted_frequency_is_told_which(tmp_path: Path) -> None:
    write(tmp_path / "a.csv", START)
    write(tmp_path / "b.csv", START + 9000, nominal=10.005e6)
    keys = 'role = "timebase"\nreference_hz = 10_000_000\n'
    with pytest.raises(RunError, match=r"b\.csv: .* its reference_hz is probably another: 10005000 would fit"):
        prepare(tmp_path, "a.csv", "b.csv", keys=keys)


def test_an_offset_in_another_unit_is_said(tmp_path: Path) -> None:
    write(tmp_path / "a.csv", START, nominal=1.0)
    (tmp_path / "b.csv").write_text(
        "t,c,f\n" + "".join(f"{START + 90_000 + 10 * i},{0.1 * i:.1f},{900 + i % 7}\n" for i in range(300))
    )
    with pytest.raises(RunError, match=r"b\.csv: its median offset is 903 ppm.* its unit is probably another"):
        prepare(tmp_path, "a.csv", "b.csv", column='offset = "f"\noffset_unit = "ppm"')


def test_a_pulled_crystal_within_200_ppm_is_sound(tmp_path: Path) -> None:
    write(tmp_path / "a.csv", START)
    write(tmp_path / "b.csv", START + 9000, ppb=190e3)
    assert len(prepare(tmp_path, "a.csv", "b.csv")) == 2


@pytest.mark.parametrize("noise_c", [0.02, 0.5])
def test_a_temperature_that_moves_by_its_noise_alone_is_refused(tmp_path: Path, noise_c: float) -> None:
    # Invented: twenty hours at 25 degC, of any noise; then the same noise on a sweep of twenty times as much, which is taken.
    rng = np.random.default_rng(8)
    noise = rng.normal(0.0, noise_c, 7200)

    def prepared(temperature_c: np.ndarray) -> None:
        rows = [f"{10 * i},{one:.4f},{1.5 + 0.1 * (i % 3)}" for i, one in enumerate(temperature_c)]
        (tmp_path / "a.csv").write_text("\n".join(["t,c,y", *rows, ""]))
        prepare_runs(
            read_job_text(
                '[oscillator]\nname = "x"\n[[run]]\nfile = "a.csv"\ntime = "t"\ntemperature = "c"\noffset = "y"\n'
                'offset_unit = "ppb"\n',
                tmp_path / "job.toml",
            )
        )

    with pytest.raises(
        RunError, match=r"a\.csv: the temperature stays within .* of 2[45][.0-9]* degC, no more than its sensor's noise"
    ):
        prepared(25.0 + noise)
    prepared(25.0 + noise + np.linspace(0.0, 20.0 * noise_c, 7200))
