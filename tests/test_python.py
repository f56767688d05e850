"""The use from Python: names that open when asked, frames as runs, stages without files, types."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Callable
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

import tcomp
from tcomp import workflow
from tcomp.errors import JobError, RunError
from tcomp.job import RunColumns, RunLog

ROOT = Path(__file__).parent.parent
RIVER = ROOT / "sample_runs" / "river_gauge"
TEXT = (
    '[table]\nform = "steps"\nmax_error_ppb = 5\n'  # all forms take seconds
    '[oscillator]\nname = "gauge 07"\nnominal_hz = 12_800_000\ncut = "AT"\n[sensor]\nresolution_c = 0.0625\n'
)
JOB = tcomp.read_job_text(TEXT, runs_needed=False)
COLUMNS: dict[str, Any] = {"time": "utc", "temperature": "board_c", "frequency": "osc_hz"}


@pytest.fixture(scope="module")
def slow() -> pd.DataFrame:
    return pd.read_csv(RIVER / "2026-03-02_slow.csv", comment="#")


@pytest.fixture(scope="module")
def fast() -> pd.DataFrame:
    return pd.read_csv(RIVER / "2026-03-03_fast.csv", comment="#")


def test_the_package_loads_nothing_before_it_is_asked() -> None:
    code = (
        "import sys, tcomp; dir(tcomp); tcomp.__version__; before = set(sys.modules); tcomp.read_curve; "
        "print(sorted({'numpy', 'pandas', 'scipy', 'sklearn', 'tcomp.estimation'} & before), 'numpy' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[] True\n"


def test_every_name_opens_and_is_explained() -> None:
    assert sorted(tcomp.__all__) == sorted(set(tcomp.__all__))
    assert set(tcomp.__all__) <= set(dir(tcomp))
    for name in tcomp.__all__:
        assert getattr(tcomp, name).__doc__, name
    with pytest.raises(AttributeError, match="No tcomp attribute learn_all"):
        tcomp.learn_all  # noqa: B018


def test_a_page_names_every_one() -> None:
    page = (ROOT / "docs" / "python.md").read_text(encoding="utf-8")
    assert [name for name in tcomp.__all__ if f"`{name}`" not in page] == []


# --- frames ----------------------------------------------------------------------------------------------------------


def test_a_frame_gets_the_checks_of_the_log_that_holds_the_same(slow: pd.DataFrame, fast: pd.DataFrame) -> None:
    from_files = tcomp.prepare_runs(tcomp.read_job(RIVER / "gauge07.toml"))
    from_frames = tcomp.prepare_frames(JOB, [fast, slow], **COLUMNS)  # put into the order of time, as logs are
    assert [one.run.name for one in from_frames] == ["frame 2", "frame 1"]
    for frame, file in zip(from_frames, from_files, strict=True):
        # Rows of a frame are counted from 1; a file has lines before them.
        pd.testing.assert_frame_equal(frame.run.frame.drop(columns="line"), file.run.frame.drop(columns="line"))
        assert frame.legs == file.legs
        assert frame.run.dropped_counts["outlier"] > 0


def test_a_frame_that_the_checks_should_change_is_changed(slow: pd.DataFrame) -> None:
    spoilt = slow.assign(osc_hz=slow.osc_hz.where(slow.index != 1000, slow.osc_hz + 50.0))
    (sound,), (found,) = (tcomp.prepare_frames(JOB, frame, **COLUMNS) for frame in (slow, spoilt))
    assert found.run.dropped_counts["outlier"] == sound.run.dropped_counts["outlier"] + 1


@pytest.mark.parametrize("form", ["moments with a zone", "index", "numbers", "text in categories", "wide index"])
def test_times_may_be_of_any_form(slow: pd.DataFrame, form: str) -> None:
    moments = pd.to_datetime(slow.utc, format="ISO8601", utc=True)
    frame = {
        "moments with a zone": lambda: slow.assign(utc=moments.dt.tz_convert("Asia/Kathmandu")),
        "index": lambda: slow.assign(utc=moments).set_index("utc"),
        "numbers": lambda: slow.assign(utc=(moments - pd.Timestamp(0, tz="UTC")).dt.total_seconds()),
        "text in categories": lambda: slow.assign(utc=slow.utc.astype("category")),
        "wide index": lambda: slow.set_index(["osc_hz", "board_c"], drop=False),
    }[form]()
    (expected,), (found,) = (tcomp.prepare_frames(JOB, one, **COLUMNS) for one in (slow, frame))
    pd.testing.assert_frame_equal(found.run.frame, expected.run.frame)


def test_a_frame_has_every_key_of_a_run_that_is_not_about_a_file() -> None:
    of_a_file = {"file", "separator", "decimal", "skip_lines", "temperature_file", "temperature_time"}
    of_a_file |= {"temperature_time_format", "clock_offset"}
    of_a_file |= {"regressors"}  # the [[regressor]] blocks of the job say them
    result = {item.name: item.type for item in fields(RunLog) if item.name not in of_a_file}
    assert {name: hint.__forward_arg__ for name, hint in RunColumns.__annotations__.items()} == result


def test_labels_that_are_numbers_are_labels(slow: pd.DataFrame) -> None:
    numbered = slow.set_axis([1, 2, 0], axis="columns")
    (found,) = tcomp.prepare_frames(JOB, numbered, time=1, temperature=2, frequency=0)
    assert found.run.samples_kept == 2920


COLUMN_FAULTS: dict[str, tuple[dict[str, Any], str]] = {
    "no such column": (
        COLUMNS | {"temperature": "board"},
        "frame: there is no column 'board'; the nearest is 'board_c'; the columns are utc, board_c, osc_hz",
    ),
    "no quantity": (
        {"time": "utc", "temperature": "board_c"},
        "exactly one of frequency, offset, phase, event, reading",
    ),
    "no temperature": ({"time": "utc", "frequency": "osc_hz"}, r"frame: \[\[run\]\] needs the key 'temperature'"),
    "unknown keyword": (
        COLUMNS | {"temprature": "board_c"},
        "frame: there is no keyword 'temprature' for a frame; the nearest is 'temperature'",
    ),
    "of a file": (COLUMNS | {"separator": ";"}, "frame: there is no keyword 'separator' for a frame"),
    "two quantities": (COLUMNS | {"phase": "osc_hz"}, "it has frequency, phase"),
    "text for numbers": (
        COLUMNS | {"temperature": "utc", "time": "board_c"},
        "frame: row 1: column 'utc' holds '2026-03-02T07:30:10Z', expected a number",
    ),
}


@pytest.mark.parametrize(("columns", "said"), COLUMN_FAULTS.values(), ids=COLUMN_FAULTS)
def test_wrong_columns_are_one_clear_sentence(slow: pd.DataFrame, columns: dict[str, Any], said: str) -> None:
    with pytest.raises(tcomp.TcompError, match=said) as refusal:
        tcomp.prepare_frames(JOB, slow, **columns)
    assert "\n" not in str(refusal.value)


Frames = Callable[[pd.DataFrame], Any]
FRAME_FAULTS: dict[str, tuple[Frames, str]] = {
    "an array": (
        lambda log: log.to_numpy(),
        "frame: is of the type ndarray; expected a pandas DataFrame, one row per sample",
    ),
    "no frame": (lambda log: [], "there is no frame; expected at least one"),
    "a list of names": (lambda log: ["utc"], "frame 1: is of the type str; expected a pandas DataFrame"),
    "columns as a mapping": (lambda log: {"utc": log.utc}, "utc: is of the type Series; expected a pandas DataFrame"),
    "no rows": (lambda log: log.head(0), "frame: holds no rows; expected one row for each sample"),
    "a column twice": (
        lambda log: pd.concat([log, log.board_c], axis="columns"),
        "frame: there are 2 columns 'board_c'; rename all but one",
    ),
    "spans of time": (
        lambda log: log.assign(utc=pd.to_timedelta(log.index, unit="s")),
        r"column 'utc' holds values of the type timedelta64\[.*s\]; expected numbers, timestamps or text",
    ),
    "moments for degC": (
        lambda log: log.assign(board_c=pd.Timestamp("2026-03-02")),
        r"column 'board_c' holds values of the type datetime64\[.*s\]; expected numbers",
    ),
    "complex numbers": (
        lambda log: log.assign(osc_hz=log.osc_hz + 1j),
        "column 'osc_hz' holds values of the type complex128; expected numbers",
    ),
    "lists": (
        lambda log: log.assign(osc_hz=[[1.0]] * len(log)),
        "column 'osc_hz' holds values of the type list; expected numbers",
    ),
    "a wrong nominal": (lambda log: log.assign(osc_hz=10e6), "frame: the median offset is -218750 ppm"),
    "twice the same": (lambda log: [log, log], "frame 1 and frame 2 overlap from 2026-03-02T07:30"),
    "another oscillator": (
        lambda log: {"a": log, "b": log.assign(utc=log.utc.str.replace("-03-", "-04-"), osc_hz=log.osc_hz * 1.0005)},
        "b: its median offset is .* it is probably of another oscillator",
    ),
}


@pytest.mark.parametrize(("frames", "said"), FRAME_FAULTS.values(), ids=FRAME_FAULTS)
def test_what_is_no_run_is_refused_in_words(slow: pd.DataFrame, frames: Frames, said: str) -> None:
    with pytest.raises(RunError, match=said):
        tcomp.prepare_frames(JOB, frames(slow), **COLUMNS)


def test_a_job_with_logs_of_its_own_takes_no_frames(slow: pd.DataFrame) -> None:
    with pytest.raises(JobError, match=r"gauge07.toml: names logs of its own \(2026-03-02_slow.csv\)"):
        tcomp.prepare_frames(tcomp.read_job(str(RIVER / "gauge07.toml")), slow, **COLUMNS)


def test_a_long_frame_is_learnt_of_in_cells() -> None:
    # Invented: 60 000 samples at 1 s, a straight line of -10 ppb/degC.
    time_s = np.arange(60_000.0)
    frame = pd.DataFrame({"t": time_s, "c": 20.0 + 20.0 * np.sin(time_s / 9000.0)})
    frame["ppb"] = -10.0 * frame.c + np.random.default_rng(3).normal(size=60_000)
    (found,) = tcomp.prepare_frames(JOB, frame, time="t", temperature="c", offset="ppb", offset_unit="ppb")
    assert found.run.has_cells
    assert found.run.samples_kept > 59_000


# --- stages without files --------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def walked(slow: pd.DataFrame, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """The stages on one frame, in a folder where nothing may appear."""
    empty = tmp_path_factory.mktemp("empty")
    before = Path.cwd()
    os.chdir(empty)
    try:
        runs = tcomp.prepare_frames(JOB, slow, **COLUMNS)
        fit_result = tcomp.workflow.fit(JOB, runs)
        table = tcomp.workflow.design(JOB, fit_result.curve)
        sources = tcomp.workflow.export(JOB, fit_result.curve, table)
        assert list(empty.iterdir()) == []
    finally:
        os.chdir(before)
    return {"runs": runs, "learnt": fit_result, "table": table, "sources": sources}


def test_the_stages_without_a_folder_are_those_with_one(walked: dict[str, Any], tmp_path: Path) -> None:
    said: list[str] = []
    folder = tcomp.Folder(tmp_path)
    fit_result = workflow.fit(JOB, walked["runs"], folder, said.append)
    assert fit_result.curve == walked["learnt"].curve == tcomp.read_curve(str(tmp_path / "curve.json"))
    pd.testing.assert_frame_equal(folder.read_fitted(), tcomp.samples_frame(walked["learnt"]))
    pd.testing.assert_frame_equal(folder.read_scores(), tcomp.scores_frame(walked["learnt"]), rtol=1e-12)
    assert workflow.design(JOB, fit_result.curve, folder, said.append) == walked["table"]
    workflow.export(JOB, fit_result.curve, walked["table"], folder, said.append)
    assert folder.read_sources("gauge_07").items() <= walked["sources"].items()


def test_the_frames_hold_what_the_objects_give(walked: dict[str, Any]) -> None:
    curve, table = walked["learnt"].curve, walked["table"]
    grid = tcomp.curve_frame(curve)
    assert (len(grid), grid.temperature_c.iloc[0], grid.temperature_c.iloc[-1]) == (201, curve.low_c, curve.high_c)
    at_c = np.array([0.0, 30.0])
    few = tcomp.curve_frame(curve, at_c)
    np.testing.assert_array_equal(few.offset_ppb, curve.offset_ppb(at_c))
    np.testing.assert_allclose(few.sample_u_ppb, np.hypot(few.u_ppb, curve.residual_sd_ppb), rtol=1e-12)
    codes = tcomp.table_frame(table)
    np.testing.assert_array_equal(
        codes.offset_ppt, [table.lookup(int(code)) << table.unit_log2_ppt for code in codes.code]
    )
    # The table is within its stated error of the curve at every code.
    error_ppb = codes.offset_ppb - curve.continued_ppb(codes.temperature_c.to_numpy())
    assert np.abs(error_ppb).max() == pytest.approx(table.max_error_ppb, rel=1e-6)


def test_the_firmwares_digest_tells_one_frame_from_another(walked: dict[str, Any], fast: pd.DataFrame) -> None:
    other = tcomp.workflow.fit(JOB, tcomp.prepare_frames(JOB, fast, **COLUMNS)).curve
    one_digest, other_digest = (workflow.input_digest(JOB, curve) for curve in (walked["learnt"].curve, other))
    assert one_digest != other_digest
    assert one_digest in walked["sources"]["gauge_07.h"]


def test_fresh_frames_are_held_against_the_curve_of_others(walked: dict[str, Any], fast: pd.DataFrame) -> None:
    fresh = tcomp.prepare_frames(JOB, fast, **COLUMNS)
    curve = walked["learnt"].curve
    assert tcomp.check(curve, JOB, runs=fresh).status == "holds"
    warmer = tcomp.prepare_frames(JOB, fast.assign(board_c=fast.board_c + 3.0), **COLUMNS)
    assert tcomp.check(curve, JOB, runs=warmer).status == "does not hold"


# --- a user's types ---------------------------------------------------------------------------------------------------


@pytest.fixture
def script(tmp_path: Path) -> Path:
    """The plain script of the page, beside the samples."""
    page = (ROOT / "docs" / "python.md").read_text(encoding="utf-8")
    text = re.findall(r"<!-- file: station.py -->\n```text\n(.*?)```", page, re.DOTALL)
    (tmp_path / "sample_runs").symlink_to(ROOT / "sample_runs", target_is_directory=True)
    (tmp_path / "station.py").write_text(text[0], encoding="utf-8")
    return tmp_path / "station.py"


def test_the_script_of_the_page_runs(script: Path) -> None:
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    done = subprocess.run(
        [sys.executable, script.name], cwd=script.parent, env=environment, capture_output=True, text=True, check=False
    )
    assert done.stderr == ""
    assert done.stdout.splitlines() == [
        "parabola about the turnover temperature: turnover at 24.0 degC",
        "station_clock.h", "station_clock.c", "station_clock_selftest.c", "station_clock.csv",
    ]  # fmt: skip
    assert (script.parent / "station_clock.c").is_file()


PLANTED_TYPES = {
    'tcomp.workflow.fit(job, "runs")': 'has incompatible type "str"',
    "curve.base_ppm": 'has no attribute "base_ppm"',
    'tcomp.prepare_frames(job, frame, temprature="degC")': 'Unexpected keyword argument "temprature"',
    "tcomp.fitt(job, runs)": 'Module has no attribute "fitt"',
    "tcomp.fit([0.0], [20.0], [1.0], None)": "Too many positional arguments",
    'curve.predict("25")': 'to "predict" of "Curve" has incompatible type "str"',
    'tcomp.CrystalRegressor(curve="3")': 'has incompatible type "Literal',
}


def test_a_typed_script_is_checked_and_planted_mistakes_are_found(script: Path) -> None:
    # All mistakes in one run: the checker takes seconds to begin.
    text = script.read_text(encoding="utf-8")
    lines = "".join(f"    {mistake}\n" for mistake in PLANTED_TYPES)
    wrong = script.with_name("wrong.py")
    wrong.write_text(text.replace("    table = tcomp", f"{lines}    table = tcomp"), encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "mypy", "--strict", "--config-file", os.devnull, "station.py", "wrong.py"],
        cwd=script.parent, env=os.environ | {"MYPYPATH": str(ROOT)}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    errors = [
        line for line in done.stdout.splitlines() if ": error: " in line and line.startswith(("station", "wrong"))
    ]
    assert [line for line in errors if line.startswith("station")] == [], done.stderr
    assert len(errors) == len(PLANTED_TYPES)
    for line, expected in zip(errors, PLANTED_TYPES.values(), strict=True):
        assert expected in line
