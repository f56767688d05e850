"""Tables of every form, held against each other: the file, the picture and the terminal tell the same."""

from __future__ import annotations

import csv
import json
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
from hostile_runs import refusal, tcomp
from plain_curve import plain_curve

from tcomp.current_results import CurrentResults
from tcomp.estimation.curve import curve_text

JOB = """
[oscillator]
name = "gauge 12"
nominal_hz = 10_000_000
[[run]]
file = "old.csv"
temperature = 1
frequency = 2
[table]
counts_per_c = 4
max_error_ppb = 40
"""


@pytest.fixture(scope="module")
def explored(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, object], str]:
    folder = tmp_path_factory.mktemp("explored")
    (folder / "job.toml").write_text(JOB)
    (folder / "out").mkdir()
    (folder / "out" / "curve.json").write_text(curve_text(plain_curve(slope_ppb_per_c=-40.0)))
    words = ("table", folder / "job.toml", "--into", folder / "out", "--explore")
    with pytest.MonkeyPatch.context() as patch:  # the curve is given; there is no log to make it from
        patch.setattr(CurrentResults, "curve", lambda results: results.folder.read_curve())
        as_json, as_text = tcomp(*words, "--json"), tcomp(*words)
    assert as_json.exit_code == as_text.exit_code == 0
    return folder / "out", json.loads(as_json.stdout), as_text.stdout


def rows_of(folder: Path) -> list[dict[str, str]]:
    return list(csv.DictReader((folder / "explored.csv").read_text().splitlines(), strict=True))


def test_exploring_designs_no_table_into_the_folder(explored: tuple[Path, dict[str, object], str]) -> None:
    assert {path.name for path in explored[0].iterdir()} == {"curve.json", "explored.csv", "explored.svg"}


def test_the_front_is_what_no_other_table_beats_in_both(explored: tuple[Path, dict[str, object], str]) -> None:
    # Pareto's definition, taken literally over all pairs.
    rows = [
        (float(row["table_bytes"]), float(row["max_error_ppb"]), row["on_front"] == "1") for row in rows_of(explored[0])
    ]
    assert any(front for *_, front in rows)
    assert not all(front for *_, front in rows)
    for size, error, front in rows:
        beaten = any(s <= size and e <= error and (s, e) != (size, error) for s, e, _ in rows)
        assert not (front and beaten)
        if not front:
            assert any(s <= size and e <= error for s, e, on_front in rows if on_front)


def test_a_straight_line_takes_two_coefficients_and_no_table_of_a_hundred(
    explored: tuple[Path, dict[str, object], str],
) -> None:
    # The curve is a straight line: what is cheapest within 40 ppb is a few bytes, by any reckoning.
    rows = rows_of(explored[0])
    within = [row for row in rows if float(row["max_error_ppb"]) <= 40.0]
    assert min(float(row["table_bytes"]) for row in within) <= 8
    assert len({row["form"] for row in rows}) >= 4


def test_the_terminal_lists_the_front_and_the_picture_is_sound(explored: tuple[Path, dict[str, object], str]) -> None:
    folder, figures, text = explored
    front = [row for row in rows_of(folder) if row["on_front"] == "1"]
    assert len(figures["front"]) == len(front)  # type: ignore[arg-type]
    listed = text.split("The smallest of each form")[0]
    assert sum(" entries of " in line for line in listed.splitlines()) == len(front)
    root = ET.parse(folder / "explored.svg").getroot()
    assert "".join(root.itertext()).count("worst error over every code [ppb]") == 1


def test_a_missing_log_is_one_sentence_here_too(tmp_path: Path) -> None:
    (tmp_path / "job.toml").write_text(JOB)
    (tmp_path / "out").mkdir()
    said = refusal("table", tmp_path / "job.toml", "--into", tmp_path / "out", "--explore")
    assert "old.csv: is not there" in said


def test_each_row_says_the_degree_of_the_polynomial_that_is_evaluated(
    explored: tuple[Path, dict[str, object], str],
) -> None:
    rows = rows_of(explored[0])
    of_form = {
        form: {row["polynomial_degree"] for row in rows if row["form"] == form}
        for form in ("steps", "segments", "even")
    }
    assert of_form["steps"] == of_form["segments"] == {""}
    # Entries alone, and entries on a square or a cubic.
    assert of_form["even"] <= {"", "2", "3"}
    assert of_form["even"] > {""}
    for row in rows:
        if row["form"] == "polynomial":
            assert int(row["polynomial_degree"]) == int(row["entries"]) - 1


def test_the_picture_marks_what_was_asked_what_was_chosen_and_the_curves_own_u(
    explored: tuple[Path, dict[str, object], str],
) -> None:
    text = (explored[0] / "explored.svg").read_text(encoding="utf-8")
    # Matplotlib names each text that it draws as outlines in a comment.
    for label in ("asked", "chosen", "u of the curve", "table and program on cortex-m0plus"):
        assert label in text, label
