"""A schedule is followed: by a driven chamber, and by a person who is told what to set."""

from __future__ import annotations

from pathlib import Path

import pytest

from tcomp.bench.schedule import Follower, ScheduleStep, SettledSoak, check_limits, read_steps
from tcomp.errors import BenchError
from tcomp.job import read_job_text
from tcomp.planning.figures import plan_document
from tcomp.planning.plan import plan
from tcomp.report.plan import steps_csv

STEPS = (
    ScheduleStep("ramp", 20.0, 40.0, 20.0, 0.0, "heating"),
    ScheduleStep("soak", 40.0, 40.0, 15.0, 5.0, "the first"),
)
YES, NO = SettledSoak(0.0, 0.0, 0.1, 1.0), SettledSoak(1.0, 5.0, 0.1, 1.0)


def test_the_steps_that_a_plan_writes_are_read_back(tmp_path: Path) -> None:
    """The schedule is that of `tcomp plan --csv`, made here of a job."""
    job = read_job_text(
        '[oscillator]\nname = "a"\nnominal_hz = 1e7\ncut = "AT"\n[fit]\nrange_c = [0, 40]\n[plan]\ncurve_ppb = 20\n',
        runs_needed=False,
    )
    planned = plan_document(plan(job), cautions=())
    path = tmp_path / "plan.csv"
    path.write_text(steps_csv(planned.steps))
    steps = read_steps(path)
    assert len(steps) == len(planned.steps)
    assert sum(step.minutes for step in steps) == pytest.approx(sum(step.minutes for step in planned.steps), rel=1e-4)
    assert {step.what for step in steps} == {"ramp", "soak"}
    soak = next(step for step in steps if step.what == "soak")
    assert soak.average_min > 0
    assert soak.settle_min > 0
    check_limits(steps, 0.0, 40.0, path)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("what,from_c,to_c,minutes,settle_min,average_min\n", "holds no steps"),
        ("a,b\n1,2\n", r"plan.csv:2: is not a step of a schedule .* as `tcomp plan --csv` writes them"),
        ("what,from_c,to_c,minutes,settle_min,average_min\nrest,1,2,3,4,5\n", "plan.csv:2: is not a step"),
        ("what,from_c,to_c,minutes,settle_min,average_min\nsoak,warm,2,3,4,5\n", "plan.csv:2: is not a step .*'warm'"),
    ],
)
def test_a_file_that_is_no_schedule_is_told_with_its_line(tmp_path: Path, text: str, why: str) -> None:
    (tmp_path / "plan.csv").write_text(text)
    with pytest.raises(BenchError, match=why):
        read_steps(tmp_path / "plan.csv")


def test_a_schedule_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(BenchError, match="cannot be read"):
        read_steps(tmp_path / "none.csv")


def test_a_ramp_moves_the_set_point_in_tenths_and_ends_where_it_should() -> None:
    follower = Follower(STEPS, driven=True)
    assert follower.set_point_c(0.0) is None
    result = list(follower.advance(0.0, 20.0, None))
    assert result == [("set", "step 1 of 2: go from 20.0 to 40.0 degC at 1 degC/min, 20 min: heating")]
    assert [follower.set_point_c(s) for s in (0.0, 63.0, 600.0, 1200.0)] == [20.0, 21.1, 30.0, 40.0]
    assert follower.left_s(600.0) == 600.0 + 15 * 60.0


def follow_to_soak(*, driven: bool) -> Follower:
    follower = Follower(STEPS, driven=driven)
    for now_s in (0.0, 1200.0):
        list(follower.advance(now_s, 20.0, None))
    assert follower.soak_since_s == 1200.0
    return follower


def test_a_soak_ends_when_settled_and_averaged_sooner_or_later_than_planned() -> None:
    follower = follow_to_soak(driven=True)
    assert list(follower.advance(1500.0, 40.2, NO)) == []
    assert list(follower.advance(1560.0, 40.2, YES)) == [("soak", "settled at 40.0 degC after 6 min (planned: 10)")]
    assert follower.left_s(1560.0) == 300.0
    assert list(follower.advance(1859.0, 40.2, NO)) == []
    assert not follower.done
    list(follower.advance(1860.0, 40.2, NO))
    assert follower.done


def test_what_is_settled_elsewhere_is_not_the_soak_that_was_asked_for() -> None:
    """A person has not set the chamber yet: the board is as still as can be, at the old temperature."""
    follower = follow_to_soak(driven=False)
    for now_s in (1500.0, 20_000.0, 90_000.0):
        assert list(follower.advance(now_s, 20.0, YES)) == []
    assert next(follower.advance(90_100.0, 39.0, YES))[0] == "soak"


def test_a_soak_that_does_not_settle_is_told_and_averaged_as_it_is() -> None:
    follower = follow_to_soak(driven=True)
    result = list(follower.advance(1200.0 + 36 * 60.0, 40.0, NO))
    assert result == [("fault", "not settled at 40.0 degC after 36 min; it is averaged as it is")]
    assert follower.unsettled == 1


def test_a_driven_chamber_that_does_not_come_near_is_given_up() -> None:
    follower = follow_to_soak(driven=True)
    assert list(follower.advance(1200.0 + 36 * 60.0, 30.0, YES)) == []
    assert follower.lost == "the chamber does not come near 40.0 degC within 36 min"
