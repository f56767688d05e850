"""Every word that the tool prints is explained, once."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterable, Iterator
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner, Result
from lots import sound_logs, write_lot

from tcomp.cli import main
from tcomp.errors import TcompError
from tcomp.glossary import columns, explanations, plain, terms
from tcomp.glossary.columns import files
from tcomp.job import SECTIONS
from tcomp.logs.cleaning import REASONS
from tcomp.lot.lot_file import LOT_SECTIONS
from tcomp.report import layout
from tcomp.report.layout import Columns, Part
from tcomp.tables.layouts import LAYOUTS
from tcomp.upkeep.corrector import STATES

ROOT = Path(__file__).parent.parent
ALL_SECTIONS = SECTIONS | LOT_SECTIONS
LOGS = {"2026-03-02_slow.csv", "2026-03-03_fast.csv"}


def explained(word: str) -> bool:
    try:
        return bool(explanations(word, ALL_SECTIONS))
    except TcompError:
        return False


def labels_of(part: Part) -> Iterator[str]:
    """Names of rows, and the lines of the heads of columns without their units."""
    if isinstance(part, Columns):
        for head in part.head:
            joined = head.replace("-\n", "")
            without_unit = re.sub(r"\[[^\]]*\]", "", joined).strip()
            yield from [without_unit.replace("\n", " ")] if explained(without_unit) else without_unit.split("\n")
    elif not isinstance(part, str):
        yield from (name for name, _ in part)


@pytest.fixture(scope="module")
def here(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("here")
    for path in (ROOT / "sample_runs" / "river_gauge").iterdir():
        shutil.copy(path, folder)
    (folder / "lot").mkdir()
    logs = sound_logs(8)
    logs["g09"] = "utc,board_c\n1,2\n"  # one that fails
    write_lot(folder / "lot", logs)
    return folder


@pytest.fixture(scope="module")
def printed(here: Path) -> dict[str, set[str]]:
    """The labels that each command prints on the sample, taken where they are laid out."""
    found: dict[str, set[str]] = {}
    whole = layout.laid_out
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(here)

        def labelled(name: str, *words: str) -> Result:
            def recorded(parts: Iterable[Part], width: int | None = None) -> str:
                listed = [part if isinstance(part, str | Columns) else list(part) for part in parts]
                found.setdefault(name, set()).update(label for part in listed for label in labels_of(part))
                return whole(listed, width)

            patch.setattr(layout, "laid_out", recorded)
            return CliRunner().invoke(main, list(words), catch_exceptions=False)

        job, out = "gauge07.toml", "gauge07.out"
        labelled("build", "build", job)
        labelled("inspect", "inspect", job)
        labelled("fit", "fit", job)
        labelled("judge", "judge", job)
        labelled("plan", "plan", job)
        labelled("plan --after", "plan", job, "--after", out)
        labelled("plan --set-within", "plan", job, "--set-within", "0.5")
        labelled("check", "check", f"{out}/table.json", job)
        labelled("check of the curve", "check", f"{out}/curve.json", job)
        labelled("prove", "prove", job, "--target", "all")
        labelled("export", "export", job)
        labelled("apply", "apply", f"{out}/curve.json", "2026-03-02_slow.csv", "--frequency", "osc_hz")
        at = ("retrim", out, "--time", "2026-06-01T10:00Z", "--at")
        assert labelled("retrim refused", *at, "23.5 degC, 9000 ppb, 5 ppb").exit_code == 1
        assert labelled("retrim", *at, "23.5 degC, 1000 ppb, 5 ppb").exit_code == 0
        assert labelled("lot", "lot", "lot/lot.toml", "--into", "lot.out", "--workers", "1").exit_code == 1
    return found


def test_every_label_on_the_terminal_is_explained(printed: dict[str, set[str]]) -> None:
    assert len(set().union(*printed.values())) > 80
    for command, labels in printed.items():
        assert labels, command
        missing = {label for label in labels if label.strip() and label.strip() not in LOGS and not explained(label)}
        assert not missing, f"{command} prints words that tcomp/glossary/terms.toml does not hold: {sorted(missing)}"


def test_a_new_label_that_nobody_explained_is_found() -> None:
    part = [("lag", "170 s"), ("zzgloss", "1 ppb")]
    assert [label for label in labels_of(part) if not explained(label)] == ["zzgloss"]
    head = Columns(("option", "would meet\n[ppb]", "proba-\nbility", "zzgloss\n[W]"), ())
    assert [label for label in labels_of(head) if not explained(label)] == ["zzgloss"]


def test_words_that_stand_for_a_state_a_reason_or_a_form_are_explained() -> None:
    for word in (*(reason for reason in REASONS if reason), *STATES, *LAYOUTS):
        assert explained(word), word


TRADE = {
    "fractional frequency": "offset", "frequency error": "offset", "frequency deviation": "offset", "frequency stability": "noise",
    "worst": "worst error", "peak error": "worst error", "maximum error": "worst error",
    "temperature-compensated": "option", "TCXO": "option", "OCXO": "option", "oven-controlled": "option",
    "XO": "oscillator", "quartz": "oscillator", "resonator": "oscillator",
    "gross errors": "dropped", "gross error": "dropped", "outliers": "dropped",
    "ADEV": "noise", "f-T curve": "curve", "lookup table": "table", "look-up table": "table", "LUT": "table",
    "time base": "reference", "frequency standard": "reference", "calibration": "trim", "activity dips": "dip",
    "coverage factor": "expanded uncertainty", "cross-validation": "held out", "milli-hertz": "shown",
    "parts per trillion": "ppb", "1e-12": "ppb", "cut angle": "cut", "warm-up": "ready after",
    "aging rate": "ageing", "thermal time constant": "lag", "hysteresis loop": "hysteresis", "error budget": "budget",
    "uncertainty budget": "budget", "dwell": "soak", "temperature sweep": "sweep", "fit residual": "residual",
}  # fmt: skip
"""Words of the trade, from memory, and the term that each should lead to."""


@pytest.mark.parametrize(("word", "name"), TRADE.items(), ids=TRADE)
def test_a_word_of_the_trade_leads_to_its_term(word: str, name: str) -> None:
    assert name in [found.what for found in explanations(word, ALL_SECTIONS)]


def columns_in(path: Path) -> list[str]:
    if path.suffix == ".parquet":
        return list(pd.read_parquet(path).columns)
    lines = path.read_text(encoding="utf-8").splitlines()
    return list(pd.read_csv(path, skiprows=sum(line.startswith("#") for line in lines[:50]), nrows=0).columns)


def unexplained(path: Path, name: str) -> list[str]:
    own = [column for column in columns() if column.file == name]
    if name == "lot.csv":  # its figures are those of the units
        return [one for one in columns_in(path) if not (any(c.is_named(one) for c in own) or explained(one))]
    return [one for one in columns_in(path) if not any(column.is_named(one) for column in own)]


def test_every_column_of_every_file_is_explained(here: Path, printed: dict[str, set[str]]) -> None:
    out = here / "gauge07.out"
    CliRunner().invoke(
        main, ["plan", str(here / "gauge07.toml"), "--csv", str(here / "plan.csv")], catch_exceptions=False
    )
    written = {
        "clean.parquet": out / "clean.parquet",
        "fitted.parquet": out / "fitted.parquet",
        "validation.csv": out / "validation.csv",
        "legs.csv": out / "legs.csv",
        "lot.csv": here / "lot.out" / "lot.csv",
        "plan.csv": here / "plan.csv",
        "SYMBOL.csv": out / "gauge07.csv",
        "NAME.history.csv": here / "gauge07.history.csv",
    }
    for name, path in written.items():
        assert unexplained(path, name) == [], name
    from tcomp.report.explored import COLUMNS

    assert [column.name for column in columns() if column.file == "explored.csv"] == COLUMNS.split(",")
    assert set(files()) == {*written, "explored.csv"}


def test_a_column_that_nobody_explained_is_found(tmp_path: Path) -> None:
    path = tmp_path / "validation.csv"
    path.write_text("model,fold_3_rms_ppb,zz_ppb\n")
    assert unexplained(path, "validation.csv") == ["zz_ppb"]


def test_each_name_belongs_to_one_term() -> None:
    owners: dict[str, list[str]] = {}
    for term in terms():
        for name in {plain(name) for name in term.names}:
            owners.setdefault(name, []).append(term.name)
    two = {name: found for name, found in owners.items() if len(found) > 1}
    assert two == {"step": ["form", "schedule"]}  # a step of a schedule, and the form "steps" of a table


def test_each_term_has_one_to_four_sentences_a_source_and_neighbours_that_exist() -> None:
    names = {term.name for term in terms()}
    for term in terms():
        assert 1 <= len(re.findall(r"\.(?:\s|$)", term.text)) <= 4, term.name
        assert term.text.endswith("."), term.name
        assert term.source.strip(), term.name
        assert set(term.see) <= names - {term.name}, term.name


def test_the_vocabulary_of_contributors_uses_the_same_words() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = text[text.index("## Vocabulary") :].split("\n\n")[1]
    for row in table.splitlines()[2:]:
        for name in row.split("|")[1].split(","):
            assert explained(re.sub(r"\(.*\)|`", "", name).strip()), name


@pytest.mark.parametrize("word", ["Held out", "held-out", "HELD_OUT", "Lags", "Soaks", "inflections", "k = 2", "proof"])
def test_case_plural_and_hyphens_do_not_matter(word: str) -> None:
    assert explained(word)


def run(*words: str) -> Result:
    return CliRunner().invoke(main, ["explain", *words], catch_exceptions=False)


def test_a_word_is_explained_with_unit_source_and_neighbours() -> None:
    result = run("held", "out")  # no quotes are needed
    assert result.exit_code == 0
    assert re.search(
        r"^held out +Residuals on sweeps that the curve had not seen.* \[ppb\]$", result.stdout, re.MULTILINE
    )
    assert "source    common practice, no source" in result.stdout
    assert "see also  residual, sweep, model" in result.stdout


def test_a_key_of_the_job_has_the_text_of_build_explain() -> None:
    every = CliRunner().invoke(main, ["build", "--explain"]).stdout
    result = run("recalibrate_days")
    said = re.search(r"^\[use\] recalibrate_days  (.*)\. Default: ", result.stdout, re.MULTILINE)
    assert said is not None
    assert f"      {said[1]}\n" in every
    assert "[units] files" in run("files").stdout  # those of a lot, too


def test_a_key_of_json_is_found_with_its_places() -> None:
    assert "in    summary: residual.held_out_rms_ppb" in run("held_out_rms_ppb").stdout
    assert "column of validation.csv" in run("fold_2_rms_ppb").stdout


def test_a_word_that_is_not_known_names_the_nearest_and_is_exit_code_2() -> None:
    result = run("hysterisis")
    assert result.exit_code == 2
    assert "Error: 'hysterisis' is no word of this tool; the nearest are hysteresis" in result.stderr
    assert result.stdout == ""


def test_without_a_word_all_terms_are_listed() -> None:
    names = {line.split("  ")[0] for line in run().stdout.splitlines()}
    assert {term.name for term in terms()} <= names
