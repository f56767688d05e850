"""A plan from a job to the terminal: three boards as a new user would plan them, and what cannot be planned."""

from __future__ import annotations

import csv
import io
import json
import re
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from tcomp import workflow
from tcomp.cli import main
from tcomp.cli.plan import plan_of_files
from tcomp.errors import JobError, TcompError
from tcomp.estimation.curve import curve_text
from tcomp.job import Job, read_job, read_job_text
from tcomp.planning.plan import PlanResult, plan
from tcomp.planning.requirements import PlanRequirements
from tcomp.planning.schedule import LAST
from tcomp.report.words import CAUTIONS, CHAMBER_CAUTIONS
from tcomp.results import Folder

RIVER = Path(__file__).parent.parent / "sample_runs" / "river_gauge" / "gauge07.toml"
GAUGE = """
[oscillator]
name = "river gauge"
nominal_hz = 12_800_000
cut = "AT"
[reference]
uncertainty_ppb = 0.5
noise_ppb = 10
[fit]
range_c = [-20, 60]
[use]
needed_ppb = 50
[chamber]
lowest_c = -25
highest_c = 70
[sensor]
resolution_c = 0.0625
[plan]
lag_s = 180
"""
STATION = """
[oscillator]
name = "garden station"
nominal_hz = 32768
cut = "tuning-fork"
[counter]
jitter_s = 2e-7
[fit]
range_c = [0, 40]
[use]
needed_ppb = 1000
"""
UNKNOWN = """
[oscillator]
name = "no name"
[fit]
range_c = [-10, 50]
models = ["poly1", "poly2", "poly3", "poly4", "poly5", "poly6", "poly7"]
"""
BOARDS = {"gauge": GAUGE, "station": STATION, "unknown": UNKNOWN}


def job(text: str) -> Job:
    return read_job_text(text, Path("gauge.toml"), runs_needed=False)


def planned(text: str, kind: str = "both") -> PlanResult:
    return plan(job(text + ("" if "[plan]" in text else "[plan]\n") + f'kind = "{kind}"\n'))


def command(*words: str | Path) -> Result:
    return CliRunner().invoke(main, ["plan", *(str(word) for word in words)], catch_exceptions=False)


@pytest.fixture
def gauge(tmp_path: Path) -> Path:
    path = tmp_path / "gauge.toml"
    path.write_text(GAUGE)
    return path


@pytest.mark.parametrize("kind", ["both", "soaks", "ramps"])
@pytest.mark.parametrize("board", BOARDS)
def test_a_schedule_gives_what_is_needed_and_tells_the_effects_apart(board: str, kind: str) -> None:
    found = planned(BOARDS[board], kind)
    assert found.prediction.worst_ppb <= found.budget.noise_ppb
    assert found.budget.u_ppb(found.prediction.worst_ppb) <= found.budget.needed_u_ppb
    assert all(one.identifiable for one in found.prediction.effects)
    words = " ".join(found.separation)
    assert all(effect in words for effect in ("lag:", "hysteresis:", "ageing:"))
    steps = found.schedule.steps
    low_c, high_c = found.range_c
    assert {low_c, high_c} <= {step.to_c for step in steps if step.what == "soak"}
    assert all(min(low_c, 20) <= step.to_c <= max(high_c, 20) for step in steps)
    assert next(step for step in steps if step.what == "soak").to_c == next(s for s in steps if LAST in s.why).to_c


def test_degree_range_and_lag_come_from_the_job() -> None:
    assert [planned(text).expected.degree for text in BOARDS.values()] == [3, 2, 7]
    assert planned(GAUGE).expected.lag_s == 180.0
    given = plan(job(GAUGE.replace("lag_s = 180", "") + "degree = 5\n[fit2]".replace("[fit2]", "")))
    assert (given.expected.degree, given.expected.lag_s) == (5, 120.0)
    assert any("assuming a lag of 120 s" in remark for remark in given.remarks)
    stated = plan(job(STATION.replace("range_c = [0, 40]", "range_c = [0, 40]\nlag = 45")))
    assert stated.expected.lag_s == 45.0
    alone = plan(job('[oscillator]\nname = "a"\n[chamber]\nlowest_c = 0\nhighest_c = 40\n'))
    assert alone.range_c == (0.0, 40.0)
    assert any("all that the chamber reaches" in remark for remark in alone.remarks)


def test_what_the_fit_does_not_estimate_costs_nothing() -> None:
    given = plan(job(GAUGE.replace("range_c = [-20, 60]", 'range_c = [-20, 60]\nlag = 180\nhysteresis = "none"')))
    assert [one.name for one in given.prediction.effects] == ["ageing"]
    assert given.prediction.worst_ppb < planned(GAUGE).prediction.worst_ppb


def test_a_gate_that_is_long_against_the_lag_is_remarked() -> None:
    long = plan(job(GAUGE + "[counter]\ngate_s = 60\n"))
    assert long.gate_s == 60.0
    assert any("gate_s = 60 s averages over what a lag of 180 s does" in remark for remark in long.remarks)
    assert not any("gate_s" in remark for remark in plan(job(GAUGE + "[counter]\ngate_s = 15\n")).remarks)


def test_a_smaller_need_takes_more_averaging_and_no_more_than_it_must() -> None:
    tight = plan(job(GAUGE + "curve_ppb = 2.5\nnoise_share = 0.1\n"))
    assert tight.averaging_s > planned(GAUGE).averaging_s
    asked = PlanRequirements.of(job(GAUGE + "curve_ppb = 2.5\nnoise_share = 0.1\n"))
    assert asked.worst_ppb(tight.averaging_s) <= tight.budget.noise_ppb < asked.worst_ppb(tight.averaging_s - 60)
    # The stated share: noise takes 0.1 of the needed standard uncertainty.
    assert tight.budget.noise_ppb == pytest.approx(0.1 * 2.5 / 2)


def test_the_need_is_half_of_the_overall_one_or_an_assumed_one() -> None:
    assert planned(GAUGE).budget.curve_ppb == 25.0
    assert any("assuming that the curve may be off by 20 ppb" in remark for remark in planned(UNKNOWN).remarks)


def test_settling_leaves_of_the_lag_what_was_asked() -> None:
    longer = plan(job(GAUGE + "lag_residual_ppb = 0.1\n"))
    soaks = [
        [step.settle_min for step in one.schedule.steps if step.what == "soak"] for one in (planned(GAUGE), longer)
    ]
    # Twelve and a half times less is left after ln 12.5 time constants of 180 s more: 7.6 min, in whole minutes.
    assert all(7 <= later - sooner <= 9 for sooner, later in zip(*soaks, strict=True))


LIMITS = {
    "no range": ('[oscillator]\nname = "a"\n', r"gauge.toml: a plan needs the range of the curve; give \[fit\] range_c"),
    "too warm a chamber": (
        GAUGE.replace("lowest_c = -25", "lowest_c = 0"),
        r"gauge.toml:14: \[chamber\] lowest_c = 0 does not reach down to the range of the curve, -20 to 60 degC",
    ),
    "too cold a chamber": (GAUGE.replace("highest_c = 70", "highest_c = 50"), r"highest_c = 50 does not reach up to the range"),
    "limits turned round": (
        GAUGE.replace("highest_c = 70", "highest_c = -40").replace("lowest_c = -25", "lowest_c = -25"),
        r"gauge.toml:14: \[chamber\] lowest_c = -25 is not below highest_c = -40; expected the colder end first",
    ),
    "no rate": (
        GAUGE.replace("highest_c = 70", "fastest_c_per_min = 0"), r"gauge.toml:15: \[chamber\] fastest_c_per_min = 0: .* above 0"
    ),
    "a negative rate": (GAUGE.replace("highest_c = 70", "fastest_c_per_min = -1"), "fastest_c_per_min = -1: expected 0 or more"),
    "rates that are alike": (GAUGE + "ramps_c_per_min = [0.5, 0.4]\n", r"gauge.toml:20: .* at least 1.5 times the slower"),
    "rates beyond the chamber": (GAUGE + "ramps_c_per_min = [2, 1]\n", r"expected at most \[chamber\] fastest_c_per_min = 1"),
    "one rate": (GAUGE + "ramps_c_per_min = [1]\n", "expected two rates above 0"),
    "an absurd lag": (GAUGE.replace("lag_s = 180", "lag_s = 1e5"), r"gauge.toml:19: \[plan\] lag_s = 100000: .* at most 7200"),
    "a gate of a day": (GAUGE + "[counter]\ngate_s = 86400\n", r"gauge.toml:21: \[counter\] gate_s = 86400: expected at most 1000"),
    "no noise at all": (
        GAUGE.replace("noise_ppb = 10", "") + "[counter]\nresolution_s = 0\n", r"gauge.toml:21: .*nothing to plan with; give the"
    ),
    "too much for noise": (GAUGE + "noise_share = 1.5\n", "noise_share = 1.5: expected at most 1"),
    "no degree": (GAUGE + "degree = 0\n", "degree = 0: expected 1 to 9"),
    "too many extra soaks": (GAUGE + "extra_soaks = 3\n", "extra_soaks = 3: expected 0 to 2"),
    "a kind that is none": (GAUGE + 'kind = "steps"\n', 'expected "both" or "soaks" or "ramps"'),
    "no earlier curve": (GAUGE + 'earlier = "none.json"\n', r"gauge.toml:20: \[plan\] earlier: there is no none.json"),
    "too short a day": (
        GAUGE.replace("highest_c = 70", "longest_hours = 3"),
        r"gauge.toml:15: \[chamber\] longest_hours = 3: the schedule takes 8.6 h, and 6.\d h however little is asked",
    ),
    "a reference that cannot": (
        GAUGE + "curve_ppb = 0.8\n", r"gauge.toml:20: the curve is to be within 0.8 ppb .* of 0.5 ppb, .*the nearest"
    ),
    "a floor that cannot": (
        GAUGE.replace("noise_ppb = 10", "noise_ppb = 10\nfloor_ppb = 20"), r"averaging leaves \d+ ppb of noise at best"
    ),
}  # fmt: skip


@pytest.mark.parametrize(("text", "message"), LIMITS.values(), ids=LIMITS)
def test_what_cannot_be_planned_is_said_with_its_place(text: str, message: str) -> None:
    with pytest.raises(JobError, match=message):
        plan(job(text))


@pytest.mark.parametrize(
    "text",
    [
        GAUGE + "curve_ppb = 0.8\n",
        GAUGE + "curve_ppb = 1\nlag_residual_ppb = 0.5\n",
        GAUGE.replace("noise_ppb = 10", "noise_ppb = 10\nfloor_ppb = 20"),
        GAUGE.replace("noise_ppb = 10", "noise_ppb = 300").replace("highest_c = 70", "longest_hours = 9") + "curve_ppb = 5\n",
    ],
)  # fmt: skip
def test_the_nearest_that_is_named_can_be_had_and_a_tenth_less_cannot(text: str) -> None:
    with pytest.raises(JobError, match="nearest") as refused:
        plan(job(text))
    nearest = float(re.search(r"curve_ppb = ([\d.]+)$", str(refused.value))[1])  # type: ignore[index]
    text = re.sub(r"curve_ppb = .*\n", "", text)
    assert plan(job(text + f"curve_ppb = {nearest}\n")).budget.curve_ppb == nearest
    # Rounded up to two digits, and what the lag may leave grows with the need.
    with pytest.raises(JobError, match="nearest"):
        plan(job(text + f"curve_ppb = {0.85 * nearest}\n"))


def test_the_table_the_csv_and_json_say_the_same(gauge: Path, tmp_path: Path) -> None:
    table, machine = tmp_path / "plan.csv", command(gauge, "--json", "--quiet")
    shown = command(gauge, "--csv", table, "--quiet")
    figures = json.loads(machine.stdout)
    rows = list(csv.DictReader(io.StringIO(table.read_text())))
    assert [float(row["to_c"]) for row in rows] == [step["to_c"] for step in figures["steps"]]
    assert [float(row["start_min"]) for row in rows] == pytest.approx(
        [s["start_min"] for s in figures["steps"]], abs=0.01
    )
    assert all(float(b["start_min"]) > float(a["start_min"]) for a, b in pairwise(rows))
    lines = [line for line in shown.stdout.splitlines() if re.match(r" +\d+  (ramp|soak)", line)]
    assert len(lines) == len(rows) == len(figures["steps"])
    for line, row in zip(lines, rows, strict=True):
        assert row["what"] in line
        assert row["start"] in line
        assert f"{float(row['to_c']):.1f}" in line
    assert figures["gives"]["holds"] is True
    assert "curve within" in shown.stdout
    assert figures["total_h"] == pytest.approx(sum(step["minutes"] for step in figures["steps"]) / 60)
    assert figures["readings"] == pytest.approx(figures["total_h"] * 3600 / figures["gate_s"], abs=1)


def test_the_same_job_gives_the_same_bytes(gauge: Path, tmp_path: Path) -> None:
    pictures = [tmp_path / "a.svg", tmp_path / "b.svg", tmp_path / "c.png"]
    outputs = [command(gauge, "--plot", path, "--quiet").stdout for path in pictures]
    assert outputs[0] == outputs[1] == outputs[2]
    assert pictures[0].read_bytes() == pictures[1].read_bytes()
    assert "averaging" in pictures[0].read_text()
    assert pictures[2].read_bytes().startswith(b"\x89PNG")


def test_every_schedule_ends_with_the_cautions(gauge: Path) -> None:
    shown = " ".join(command(gauge, "--quiet").stdout.split())
    for caution in CHAMBER_CAUTIONS:
        assert " ".join(caution.split()) in shown
    assert json.loads(command(gauge, "--json", "--quiet").stdout)["cautions"] == list(CHAMBER_CAUTIONS)
    assert shown.startswith("Schedule for river gauge, -20 to 60 degC")
    for word in (
        "independent thermal cut-out", "unattended", "suffocates", "burn", "collect water", "energised even when the front switch "
        "is off", "local codes", "licensed",
    ):  # fmt: skip
        assert word in shown
    assert CAUTIONS[: len(CHAMBER_CAUTIONS)] == CHAMBER_CAUTIONS


def test_a_wrong_job_is_one_sentence_and_exit_code_2(gauge: Path) -> None:
    gauge.write_text(GAUGE.replace("lowest_c = -25", "lowest_c = 0"))
    found = command(gauge)
    assert found.exit_code == 2
    assert found.stdout == ""
    assert found.stderr.startswith(f"Error: {gauge}:14: ")
    assert len(found.stderr.splitlines()) == 1


def test_remarks_go_to_stderr_and_can_be_silenced(gauge: Path) -> None:
    assert "assuming the slopes of a typical AT cut" in command(gauge).stderr
    assert command(gauge, "--quiet").stderr == ""


def test_how_long_to_average_to_set_the_oscillator(gauge: Path) -> None:
    # Worked by hand: marks of 10 ns / sqrt(12) and 10 ns / sqrt(3) (10 ppb at 1 s) make 6.455 ns; a reading over 10 s
    # scatters by sqrt(2) 6.455 / 10 = 0.9129 ppb; (0.9129 / 0.2)^2 = 20.8, so 21 readings; one gate: 45.6 s.
    figures = json.loads(command(gauge, "--set-within", "0.2", "--json", "--quiet").stdout)
    assert (figures["gate_s"], figures["averaging_s"]) == (10.0, 210.0)
    assert figures["one_gate_s"] == pytest.approx(45.64, abs=0.01)
    shown = command(gauge, "--set-within", "0.2").stdout
    assert "3.50 min of readings with a gate of 10 s; or one gate of 45.6 s" in shown
    assert "the reference itself is known to 0.500 ppb" in shown


def test_an_oscillator_cannot_be_set_below_the_floor(gauge: Path) -> None:
    gauge.write_text(GAUGE.replace("noise_ppb = 10", "noise_ppb = 10\nfloor_ppb = 0.3"))
    found = command(gauge, "--set-within", "0.2")
    assert found.exit_code == 2
    assert f"{gauge}:9: [reference] floor_ppb = 0.3 is not below the 0.2 ppb" in found.stderr


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What the river gauge's two runs gave."""
    folder, river = Folder(tmp_path_factory.mktemp("measured")), read_job(RIVER)
    workflow.fit(river, workflow.inspect_runs(river, folder, print), folder, print)
    return folder.path


def test_the_next_soaks_follow_from_a_folder_of_results_or_a_job_with_runs(gauge: Path, measured: Path) -> None:
    of_folder = command(gauge, "--after", measured, "--json", "--quiet")
    of_runs = command(gauge, "--after", RIVER, "--json", "--quiet")
    assert of_folder.stdout == of_runs.stdout
    figures = json.loads(of_folder.stdout)
    after, curve = figures["after"], Folder(measured).read_curve()
    assert figures["lag_s"] == pytest.approx(curve.effect("lag").value)  # measured goes before the guess of 180 s
    grid_c = np.array(after["along_range"]["c"])
    known = np.sqrt(curve.uncertainty_ppb(grid_c) ** 2 - curve.reference_u_ppb**2)
    assert after["along_range"]["now_u_ppb"] == pytest.approx(known.tolist())
    assert figures["gives"]["worst_noise_u_ppb"] < 0.8 * after["worst_u_now_ppb"]
    soaks = [step["to_c"] for step in figures["steps"] if step["what"] == "soak"]
    assert soaks[0] == soaks[-1]
    assert sorted({round(one, 1) for one in after["chosen_c"]}) == sorted(set(soaks))
    shown = command(gauge, "--after", measured).stdout
    assert "next soaks" in shown
    assert "enough already" in shown


def test_the_next_soaks_are_as_many_as_the_day_allows(gauge: Path, measured: Path) -> None:
    free = json.loads(command(gauge, "--after", measured, "--json", "--quiet").stdout)
    for hours, fits in ((free["total_h"] - 0.1, True), (2.0, False)):
        gauge.write_text(GAUGE.replace("highest_c = 70", f"longest_hours = {hours}"))
        found = command(gauge, "--after", measured, "--json", "--quiet")
        assert found.exit_code == (0 if fits else 2)
        if fits:
            assert json.loads(found.stdout)["total_h"] <= hours
            assert len(json.loads(found.stdout)["after"]["chosen_c"]) < len(free["after"]["chosen_c"])
        else:
            assert "longest_hours = 2: the 2 best soaks take" in found.stderr


def test_soaks_that_would_not_help_are_said_to_be_none(gauge: Path, measured: Path) -> None:
    gauge.write_text(GAUGE.replace("resolution_c = 0.0625", "resolution_c = 1"))
    assert "do not lower the worst uncertainty" in command(gauge, "--after", measured).stderr


def test_a_plan_says_what_soaks_that_stand_still_would_give(gauge: Path) -> None:
    said = " ".join(json.loads(command(gauge, "--json", "--quiet").stdout)["remarks"])
    assert (
        "the sensor's steps of 0.0625 degC average out only because the board is taken to vary by [chamber] hunting_c"
        in said
    )
    # Counted where the job says that nothing wanders: then the promise itself is as large, and nothing is left to say.
    still = GAUGE.replace("highest_c = 70", "highest_c = 70\nhunting_c = 0").replace(
        "needed_ppb = 50", "needed_ppb = 500"
    )
    gauge.write_text(still)
    found = json.loads(command(gauge, "--json", "--quiet").stdout)
    assert "average out only because" not in " ".join(found["remarks"])
    gauge.write_text(still.replace("hunting_c = 0", "hunting_c = 0.03"))
    wandering = json.loads(command(gauge, "--json", "--quiet").stdout)
    assert found["gives"]["worst_noise_u_ppb"] > 1.2 * wandering["gives"]["worst_noise_u_ppb"]


def test_what_is_not_measured_yet_is_said(gauge: Path, tmp_path: Path) -> None:
    found = command(gauge, "--after", tmp_path)
    assert found.exit_code == 2
    assert "curve.json: is not there yet; run `tcomp fit`" in found.stderr
    assert "none: is not there; expected a folder of results" in command(gauge, "--after", tmp_path / "none").stderr


def test_an_earlier_curve_gives_lag_and_slopes(measured: Path, tmp_path: Path) -> None:
    (tmp_path / "earlier.json").write_text(curve_text(Folder(measured).read_curve()))
    path = tmp_path / "gauge.toml"
    path.write_text(GAUGE.replace("lag_s = 180", 'earlier = "earlier.json"'))
    found = plan_of_files(path, None, None)
    curve = Folder(measured).read_curve()
    assert found.expected.lag_s == pytest.approx(curve.effect("lag").value)
    at_c = np.array([-15.0, 40.0])
    assert found.expected.slope_ppb_per_c(at_c) == pytest.approx(curve.slope_ppb_per_c(at_c))
    assert "lag of 170 s as measured" in found.remarks


def test_the_steepest_slope_can_be_stated() -> None:
    steep = plan(job(GAUGE + "slope_ppb_per_c = 900\n")).expected
    assert np.abs(steep.slope_ppb_per_c(np.linspace(-20, 60, 201))).max() == pytest.approx(900.0)
    flat = plan(job(UNKNOWN + "[plan]\nslope_ppb_per_c = 50\n")).expected
    assert flat.slope_ppb_per_c(np.array([0.0, 30.0])).tolist() == [50.0, 50.0]


def test_a_picture_of_another_kind_is_refused(gauge: Path, tmp_path: Path) -> None:
    found = command(gauge, "--plot", tmp_path / "plan.gif")
    assert found.exit_code == 2
    assert "expected a name that ends in .svg or .png" in found.stderr
    with pytest.raises(TcompError):
        plan_of_files(tmp_path / "none.toml", None, None)
