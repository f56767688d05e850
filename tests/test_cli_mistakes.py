"""Typical mistakes of a newcomer: one sentence each, with the place and what to do, exit code 2, and nothing written."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from tcomp.cli import main

RIVER = Path(__file__).parent.parent / "sample_runs" / "river_gauge"
SLOW = "2026-03-02_slow.csv"


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for path in RIVER.iterdir():
        shutil.copy(path, tmp_path)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run(*words: str) -> Result:
    return CliRunner().invoke(main, list(words), catch_exceptions=False)


def sentence(result: Result) -> str:
    """The one sentence that says what is wrong."""
    assert result.exit_code == 2, result.stdout
    assert result.stdout == ""
    said = [line for line in result.stderr.splitlines() if line.startswith("Error: ")]
    assert len(said) == 1, result.stderr
    return said[0].removeprefix("Error: ")


IN_THE_JOB = {
    "wrong column": ('"board_c"', '"board_t"', rf"{SLOW}:3: there is no column 'board_t'; the nearest is 'board_c'"),
    "missing run": (SLOW, "2026-03-02_slo.csv", f"2026-03-02_slo.csv: is not there; the nearest there is '{SLOW}'; give the path"),
    "folder as a log": (f'"{SLOW}"', '"."', r"\.: cannot be read .*; give the path of a log"),
    "wrong key": ("max_error_ppb = 5", "max_eror_ppb = 5", r"gauge07.toml:38: \[table\] has no key .*nearest is 'max_error_ppb'"),
    "wrong section": ("\n[table]", "\n[tabel]", r"gauge07.toml:33: there is no section \[tabel\]; the nearest is 'table'"),
    "nominal in MHz": ("12_800_000", "12.8", "nominal_hz = 12.8 is probably wrong; nominal_hz = 12800000 would fit"),
    "nominal in kHz": ("12_800_000", "12_800", "nominal_hz = 12800 is probably wrong; nominal_hz = 12800000 would fit"),
    "a unit beside a number": ("12_800_000", "12.8 MHz", "gauge07.toml:5: is not TOML: .*a number is written without its unit"),
    "a unit in quotes": ("12_800_000", '"12.8 MHz"', r"gauge07.toml:5: \[oscillator\] nominal_hz = .* without a unit"),
    "commas in a number": ("12_800_000", "12,800,000", "gauge07.toml:5: is not TOML: .*a decimal point and no commas"),
    "decimal comma": ("reference_c = 25", "reference_c = 25,5", "gauge07.toml:31: is not TOML: .*a decimal point and no commas"),
    "no quotes": ('cut = "AT"', "cut = AT", "gauge07.toml:6: is not TOML: .*a text is written in double quotes"),
    "backslashes": (f'"{SLOW}"', f'"C:\\logs\\{SLOW}"', "gauge07.toml:13: is not TOML: .*write / in paths"),
    "one bracket": ("[[run]]", "[run]", r"gauge07.toml:19: is not TOML: .*two brackets: \[\[run\]\]"),
    "a word in capitals": ('"oscillator"', '"Oscillator"', r'gauge07.toml:17: \[\[run\]\] role = "Oscillator": expected "osc'),
    "an unknown form": ('"steps"', '"step"', r'gauge07.toml:36: \[table\] form = "step": expected "auto" or "steps"'),
    "not an identifier": ('"gauge07"', '"gauge-07"', r'gauge07.toml:41: \[firmware\] symbol.*"gauge_07" would do'),
    "a device's name": ('"gauge07"', '"AUX"', r'gauge07.toml:41: .*"AUX" is a device on Windows.*; "AUX_table" would do'),
    "hertz as ppb": (
        'frequency = "osc_hz"', 'offset = "osc_hz"\noffset_unit = "ppb"',
        'offset_unit = "ppb" is probably wrong; .*if the column holds frequencies, name it as frequency',
    ),
    "both quantities": (
        'frequency = "osc_hz"', 'frequency = "osc_hz"\noffset = "osc_hz"', r"gauge07.toml:12: \[\[run\]\] needs exactly one of",
    ),
}  # fmt: skip


@pytest.mark.parametrize(("right", "wrong", "outcome"), IN_THE_JOB.values(), ids=IN_THE_JOB)
def test_a_mistake_in_the_job_names_its_line(here: Path, right: str, wrong: str, outcome: str) -> None:
    job = here / "gauge07.toml"
    job.write_text(job.read_text().replace(right, wrong))
    assert re.search(outcome, sentence(run("build", "gauge07.toml")))
    assert not list(here.glob("*.out/*"))


def in_khz(text: str) -> str:
    rows = text.splitlines()
    return "\n".join([*rows[:3], *(re.sub(r"[\d.]+$", lambda m: f"{float(m[0]) / 1e3:.9f}", row) for row in rows[3:])])


IN_THE_LOG: dict[str, tuple[Callable[[str], str], str]] = {
    "kilohertz": (in_khz, f'{SLOW}: .*frequency_unit = "Hz" is probably wrong; frequency_unit = "kHz" would fit'),
    "decimal commas between commas": (
        lambda text: text.replace(".", ","),
        f"{SLOW}:4: the row has 5 fields.*another separator",
    ),
    "empty": (lambda _: "", f"{SLOW}: is empty"),
    "text among numbers": (lambda text: text.replace("12799996.7995", "OVLD"), rf"{SLOW}:\d+: .*OVLD"),
}


@pytest.mark.parametrize(("change", "outcome"), IN_THE_LOG.values(), ids=IN_THE_LOG)
def test_a_mistake_in_the_log_names_the_log(here: Path, change: Callable[[str], str], outcome: str) -> None:
    log = here / SLOW
    log.write_text(change(log.read_text()))
    assert re.search(outcome, sentence(run("build", "gauge07.toml")))


AT = ("--at", "23 degC, 1 ppb, 1 ppb", "--time", "2026-06-01T10:00Z")
ON_THE_LINE = {
    "job in another folder": (("build", "sub/gauge07.toml"), rf"sub/{SLOW}: is not there; .*relative to the job file"),
    "no such job": (("build", "none.toml"), "none.toml: cannot be read .*give the path of a job file, or write one"),
    "folder for a job": (("build", "sub"), "sub: cannot be read .*give the path of a job file"),
    "log for a job": (
        ("build", SLOW),
        f"{SLOW}: is a log, not a job file; `tcomp start {SLOW}` writes a job file for it",
    ),
    "job for results": (
        ("check", "gauge07.toml", "gauge07.toml"),
        "gauge07.toml: is no JSON text; expected a curve.json or table",
    ),
    "folder for results": (
        ("check", "sub", "gauge07.toml"),
        "sub: is a folder; give the file in it: sub/table.json or",
    ),
    "log for a fresh run": (("check", "t.json", SLOW), "a log alone does not say what its columns are; .*`tcomp start"),
    "job to apply": (
        ("apply", "gauge07.toml", SLOW),
        "gauge07.toml: is no JSON text; expected a curve.json or table.json",
    ),
    "job to trim": (
        ("retrim", "gauge07.toml", *AT),
        "gauge07.toml: is a file; give a folder of results, such as gauge07.out",
    ),
    "nothing to trim": (
        ("retrim", "none.out", *AT),
        "none.out: is not a folder of results; expected one that `tcomp build`",
    ),
    "results into a file": (
        ("build", "gauge07.toml", "--into", "truth.json"),
        "truth.json: is a file; give a folder of results",
    ),
    "a folder of no job": (
        ("report", "sub"),
        r"sub: the job of these results is not next to them",
    ),
    "a picture of no kind": (
        ("inspect", "gauge07.toml", "--plot", "x.pdf"),
        "x.pdf: .*expected a name that ends in .svg or .png",
    ),
    "job for a prior": (("plan", "gauge07.toml", "--prior", "gauge07.toml"), "holds no prior; expected the lot.json"),
    "job for a lot": (("lot", "gauge07.toml"), r"gauge07.toml: \[units\] needs exactly one of files, names, columns"),
    "no such command": (("bild", "gauge07.toml"), "No such command 'bild'. Did you mean 'build'"),
    "no job": (("build",), "Missing argument 'JOB.toml'"),
    "a word that is none": (
        ("explain", "hysterisis"),
        "'hysterisis' is no word of this tool; the nearest are hysteresis",
    ),
}


@pytest.mark.parametrize(("words", "outcome"), ON_THE_LINE.values(), ids=ON_THE_LINE)
def test_a_mistake_on_the_command_line_is_one_sentence(here: Path, words: tuple[str, ...], outcome: str) -> None:
    (here / "sub").mkdir()
    shutil.copy(here / "gauge07.toml", here / "sub")
    (here / "t.json").write_text("{}")
    assert re.search(outcome, sentence(run(*words)))


def test_degrees_fahrenheit_are_remarked_with_the_keys_that_turn_them(here: Path) -> None:
    log = here / SLOW
    rows = log.read_text().splitlines()
    turned = [re.sub(r",(-?[\d.]+),", lambda m: f",{float(m[1]) * 1.8 + 32:.2f},", row) for row in rows[3:]]
    log.write_text("\n".join([*rows[:3], *turned]) + "\n")
    result = run("inspect", "gauge07.toml", "--quiet")
    assert result.exit_code == 0
    assert re.search(
        r"warning .*look like degF; .*degc_per_count = 0.5555556, offset_c = -17.77778 in \[sensor\]", result.stdout
    )


def test_ppm_that_are_said_to_be_ppb_are_remarked_by_the_handbook(here: Path) -> None:
    for log in here.glob("2026*.csv"):
        rows = log.read_text().splitlines()
        turned = [re.sub(r"[\d.]+$", lambda m: f"{(float(m[0]) - 12.8e6) / 12.8:.6f}", row) for row in rows[3:]]
        log.write_text("\n".join([*rows[:3], *turned]) + "\n")
    job = here / "gauge07.toml"
    job.write_text(job.read_text().replace('frequency = "osc_hz"', 'offset = "osc_hz"\noffset_unit = "ppb"'))
    result = run("build", "gauge07.toml")
    assert result.exit_code == 0, result.stderr
    assert "this is their figure with ppm and ppb mixed up: is the unit of the column right?" in result.stdout
