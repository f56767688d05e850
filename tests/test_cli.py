"""The command line: exit codes, one sentence per mistake, nothing half-written."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from tcomp.cli import main
from tcomp.job import read_job

ROOT = Path(__file__).parent.parent
STATION = ROOT / "sample_runs" / "weather_station" / "station_clock.toml"
JOB = """
[oscillator]
name = "board"
nominal_hz = 10_000_000
[[run]]
file = "log.csv"
time = "utc"
temperature = "t"
frequency = "f"
"""

TABLE = '[table]\nform = "steps"\nmax_error_ppb = 5\n'
"""One form is enough for what is no test of the table: all of them take seconds."""


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words], catch_exceptions=False)


def log_text(temperature_c: np.ndarray, offset_ppb: np.ndarray) -> str:
    """A log of 10 s samples of a 10 MHz board; invented."""
    rows = [
        f"{1_700_000_000 + 10 * i},{t:.4f},{1e7 * (1 + y * 1e-9):.6f}"
        for i, (t, y) in enumerate(zip(temperature_c, offset_ppb, strict=True))
    ]
    return "utc,t,f\n" + "\n".join(rows) + "\n"


def sweep(rows: int = 400) -> tuple[np.ndarray, np.ndarray]:
    up = np.linspace(0.0, 50.0, rows)
    temperature_c = np.concatenate([up, up[::-1]])
    noise = np.random.default_rng(8).normal(0.0, 2.0, temperature_c.size)
    return temperature_c, -100.0 * (temperature_c - 25.0) + noise


def bench(folder: Path, job: str = JOB + TABLE, log: str | None = None) -> Path:
    (folder / "log.csv").write_text(log_text(*sweep()) if log is None else log)
    (folder / "job.toml").write_text(job)
    return folder / "job.toml"


def test_a_build_prints_one_screen_and_leaves_the_report(tmp_path: Path) -> None:
    result = run("build", STATION, "--into", tmp_path / "out")
    assert result.exit_code == 0
    lines = result.stdout.splitlines()
    assert len(lines) < 28  # the four answers stand before the figures
    assert [line.split()[0] for line in lines[:4]] == ["Now", "Table", "Oven?", "Next"]
    assert lines[4].strip().startswith("tcomp ")  # tests/test_input_mistakes.py runs it
    assert lines[6].startswith("oscillator ")
    assert re.search(r"^proof of the C +holds at 65536 codes", result.stdout, re.MULTILINE)
    assert lines[-1].strip() == "u: standard uncertainty. `tcomp explain WORD` defines any term."
    assert "Numbers are written with a decimal comma" in result.stderr
    assert "three_sweeps.csv: 4795 samples kept, dropped: 5 not a number" in result.stderr
    assert (tmp_path / "out" / "report.html").is_file()


def test_json_is_the_summary_and_quiet_is_quiet(tmp_path: Path) -> None:
    result = run("build", STATION, "--into", tmp_path, "--json", "--quiet")
    assert result.stderr == ""
    assert json.loads(result.stdout) == json.loads((tmp_path / "summary.json").read_text())


def test_every_stage_runs_alone_in_turn(tmp_path: Path) -> None:
    job, into = bench(tmp_path), tmp_path / "out"
    for stage in ("inspect", "fit", "table", "export", "prove", "report"):
        result = run(stage, job, "--into", into)
        assert result.exit_code == 0, result.stderr
        assert result.stdout.strip()


@pytest.mark.parametrize("stage", ["fit", "table", "export", "prove", "report"])
def test_a_stage_makes_what_is_missing_before_it_and_says_so(stage: str, tmp_path: Path) -> None:
    result = run(stage, bench(tmp_path), "--into", tmp_path / "out")
    assert result.exit_code == 0
    assert "clean.parquet is not there yet: it is made first" in result.stderr


def test_start_writes_a_job_and_does_not_overwrite_it(tmp_path: Path) -> None:
    bench(tmp_path)
    into = tmp_path / "mine.toml"
    assert run("start", tmp_path / "log.csv", "--into", into).exit_code == 0
    first = into.read_text()
    result = run("start", tmp_path / "log.csv", "--into", into)
    assert (result.exit_code, into.read_text()) == (2, first)
    assert "is there already" in result.stderr
    assert run("start", "--into", into, "--force").exit_code == 0
    assert into.read_text() != first


def test_a_started_job_builds_as_it_is(tmp_path: Path) -> None:
    bench(tmp_path)
    job = tmp_path / "mine.toml"
    result = run("start", tmp_path / "log.csv", "--into", job)
    assert "nominal_hz = 10000000 is the round value nearest" in result.stderr
    assert f"then: tcomp inspect {job}" in result.stderr
    assert run("build", job, "--into", tmp_path / "out").exit_code == 0


def test_a_started_job_finds_its_log_from_where_it_lies(tmp_path: Path) -> None:
    (tmp_path / "logs").mkdir()
    (tmp_path / "jobs").mkdir()
    bench(tmp_path / "logs")
    run("start", tmp_path / "logs" / "log.csv", "--into", tmp_path / "mine.toml")
    assert 'file = "logs/log.csv"' in (tmp_path / "mine.toml").read_text()
    run("start", tmp_path / "logs" / "log.csv", "--into", tmp_path / "jobs" / "mine.toml")
    assert read_job(tmp_path / "jobs" / "mine.toml").runs[0].file == (tmp_path / "logs" / "log.csv").resolve()


def test_explain_prints_every_key_without_a_job() -> None:
    result = run("build", "--explain")
    assert result.exit_code == 0
    assert "  max_error_ppb = (left out)" in result.stdout


def test_help_of_each_command_has_an_example() -> None:
    assert "tcomp demo" in run("--help").stdout
    for name in main.commands:
        assert "Example:  tcomp" in run(name, "--help").stdout, name


def test_help_loads_no_heavy_library() -> None:
    heavy = "{'numpy', 'pandas', 'scipy', 'sklearn', 'matplotlib', 'pyarrow', 'jinja2'}"
    code = f"import sys, tcomp.cli; print(sorted({heavy} & set(sys.modules)))"
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout == "[]\n"


def hot() -> str:
    return log_text(np.full(200, 25.0), np.random.default_rng(1).normal(0, 2, 200))


def with_text() -> str:
    lines = log_text(*sweep()).splitlines()
    lines[300] = lines[300].rsplit(",", 1)[0] + ",OVLD"
    return "\n".join(lines) + "\n"


MISTAKES = {
    "no such log": (JOB.replace("log.csv", "none.csv"), None, r"none.csv"),
    "no such column": (JOB.replace('"t"', '"temp"'), None, "there is no column 'temp'"),
    "empty log": (JOB, "", "log.csv"),
    "header only": (JOB, "utc,t,f\n", "log.csv"),
    "one temperature": (JOB, hot(), "25 degC"),
    "fewer points than parameters": (
        JOB + '[fit]\nmodels = ["poly9"]\n',
        "utc,t,f\n1700000000,1,10000000\n1700000010,2,10000001\n1700000020,3,10000003\n",
        "too few",
    ),
    "all dropped": (JOB, "utc,t,f\n1700000000,nan,1e7\n1700000010,nan,1e7\n", "not a number"),
    "wrong nominal": (JOB.replace("10_000_000", "10_100_000"), None, "10000000|1e\\+07|10 000 000"),
    "range outside": (JOB + "[fit]\nrange_c = [-20, 50]\n", None, r"reaches outside what was measured, 0 to 50 degC"),
    "a lag longer than the run": (JOB + "[fit]\nlag = 90000\n", None, "more than half of the longest run, 7990 s"),
    "not an identifier": (JOB + '[firmware]\nsymbol = "7up"\n', None, r"job.toml:11: \[firmware\] symbol"),
    "a C keyword": (JOB + '[firmware]\nsymbol = "switch"\n', None, r"\[firmware\] symbol.*keeps to itself"),
    "unknown key": (JOB + "[table]\nmax_eror_ppb = 5\n", None, "the nearest is 'max_error_ppb'"),
    "text among numbers": (JOB, with_text(), r"log.csv:301.*OVLD"),
    "no table can": (
        JOB + "[table]\nmax_bytes = 1\n",
        None,
        "max_bytes is 1; no table of two entries or coefficients fits in it",
    ),
}


@pytest.mark.parametrize(("job", "log", "message"), MISTAKES.values(), ids=MISTAKES)
def test_a_mistake_is_one_sentence_exit_code_2_and_no_table(
    job: str, log: str | None, message: str, tmp_path: Path
) -> None:
    result = run("build", bench(tmp_path, job, log), "--into", tmp_path / "out")
    assert result.exit_code == 2
    errors = [line for line in result.stderr.splitlines() if line.startswith("Error: ")]
    assert len(errors) == 1
    assert re.search(message, errors[0]), errors[0]
    assert "Traceback" not in result.stderr
    assert not list((tmp_path / "out").glob("*.h"))
    assert not list((tmp_path / "out").glob(".*"))  # no temporary file is left


def test_a_proof_that_does_not_hold_is_exit_code_1(tmp_path: Path) -> None:
    job, into = bench(tmp_path), tmp_path / "out"
    assert run("build", job, "--into", into).exit_code == 0
    source = into / "board.c"
    source.write_text(source.read_text().replace("* BOARD_UNIT_PPT", "* (BOARD_UNIT_PPT + 1)", 1))
    result = run("prove", job, "--into", into)
    assert result.exit_code == 1
    assert "DOES NOT HOLD" in result.stdout


def test_a_proof_on_every_target_tells_what_a_lookup_costs_or_what_is_lacking(tmp_path: Path) -> None:
    job, into = bench(tmp_path), tmp_path / "out"
    assert run("build", job, "--into", into).exit_code == 0
    result = run("prove", job, "--into", into, "--target", "all")
    assert result.exit_code == 0, result.stderr
    for target in ("cortex-m0plus", "cortex-m4", "rv32imc", "avr"):
        line = next(line for line in result.stdout.splitlines() if line.startswith(f"on {target} "))
        assert re.search(r"holds at 65536 codes .* bytes of code and \d+ of table|NOT RUN: .* get it by: ", line)
    recorded = json.loads((into / "proof.json").read_text())
    assert [target["target"] for target in recorded["targets"]] == ["cortex-m0plus", "cortex-m4", "rv32imc", "avr"]
    assert (recorded["holds"], recorded["codes"]) == (True, 65536)


def test_a_difference_on_a_target_alone_is_exit_code_1(tmp_path: Path) -> None:
    job, into = bench(tmp_path), tmp_path / "out"
    assert run("build", job, "--into", into).exit_code == 0
    source = into / "board.c"
    # __riscv is defined by every compiler for that processor (RISC-V C API).
    planted = "#ifdef __riscv\n    code = (int16_t)(code ^ 1);\n#endif\n    return (int32_t)board_lookup"
    source.write_text(source.read_text().replace("return (int32_t)board_lookup", planted, 1))
    assert run("prove", job, "--into", into).exit_code == 0
    result = run("prove", job, "--into", into, "--target", "rv32imc")
    assert result.exit_code == 1
    assert re.search(r"proof of the C +holds", result.stdout)
    assert re.search(r"on rv32imc +DOES NOT HOLD: offset_ppt\(", result.stdout)
    assert "the C DIFFERS from its specification" in result.stderr


def test_a_target_that_does_not_exist_is_exit_code_2(tmp_path: Path) -> None:
    job, into = bench(tmp_path), tmp_path / "out"
    assert run("build", job, "--into", into).exit_code == 0
    result = run("prove", job, "--into", into, "--target", "m7")
    assert result.exit_code == 2
    assert 'target "m7" is unknown; expected host, cortex-m0plus' in result.stderr


def test_a_folder_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file, not a folder")
    result = run("build", bench(tmp_path), "--into", tmp_path / "out" / "deeper")
    assert result.exit_code == 2
    assert "cannot be written" in result.stderr


def test_an_unordered_table_is_built_with_lag_and_ageing_undetermined(tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    temperature_c = rng.permutation(np.linspace(-10.0, 50.0, 120))
    rows = [f"{t:.3f};{-35.0 * (t - 25) ** 2 / 1000 + rng.normal(0, 0.02):.5f}" for t in temperature_c]
    job = '[oscillator]\nname = "fork"\ncut = "tuning-fork"\n'
    job += '[[run]]\nfile = "log.csv"\ntemperature = 1\noffset = 2\noffset_unit = "ppm"\n'
    result = run("build", bench(tmp_path, job, "\n".join(rows) + "\n"), "--into", tmp_path / "out", "--json")
    figures = json.loads(result.stdout)
    assert {figures["effects"][name]["status"] for name in ("lag", "ageing", "hysteresis")} == {"undetermined"}
    assert "temperature blocks" in figures["residual"]["validation"]
    # Invented, with -35 ppb/degC^2 about 25 degC; at k = 3.
    curvature = figures["curve"]["parameters"]["curvature"]
    assert abs(curvature["value"] + 35.0) < 3 * curvature["u"]
