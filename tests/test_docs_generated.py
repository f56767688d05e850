"""Pages that are made from the package are as it makes them, and what they say of the table is what the lookup does."""

from __future__ import annotations

import importlib.util
import json
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from click.testing import CliRunner

from tcomp.cli import main
from tcomp.tables import read_table

ROOT = Path(__file__).parent.parent


@pytest.fixture(scope="module")
def generate() -> ModuleType:
    spec = importlib.util.spec_from_file_location("generate", ROOT / "docs" / "generate.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("name", ["glossary.md", "json.md"])
def test_a_page_is_as_the_package_makes_it(generate: ModuleType, name: str) -> None:
    text = (ROOT / "docs" / name).read_text(encoding="utf-8")
    assert text.count(generate.MARK) == 1
    assert text == generate.whole(name), "run `python docs/generate.py`"


def test_a_change_by_hand_below_the_mark_is_found(
    generate: ModuleType, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    text = (ROOT / "docs" / "glossary.md").read_text(encoding="utf-8")
    (tmp_path / "glossary.md").write_text(text.replace("## lag\n", "## lags\n"), encoding="utf-8")
    monkeypatch.setattr(generate, "DOCS", tmp_path)
    assert (tmp_path / "glossary.md").read_text(encoding="utf-8") != generate.whole("glossary.md")


def test_every_link_within_the_glossary_leads_to_a_heading(generate: ModuleType) -> None:
    text = (ROOT / "docs" / "glossary.md").read_text(encoding="utf-8")
    headings = {generate._anchor(line.lstrip("# ")) for line in text.splitlines() if line.startswith("#")}
    links = {part.split(")")[0] for part in text.split("](#")[1:]}
    assert links
    assert links <= headings


def test_the_steps_that_json_md_tells_are_those_of_the_lookup(tmp_path: Path) -> None:
    job = ROOT / "sample_runs" / "river_gauge" / "gauge07.toml"
    for stage in ("inspect", "fit", "table"):
        assert CliRunner().invoke(main, [stage, str(job), "--into", str(tmp_path), "--quiet"]).exit_code == 0
    path = tmp_path / "table.json"
    table, found = json.loads(path.read_text(encoding="utf-8")), []
    codes = range(-600, 1200)  # beyond both ends of the range, too
    for asked in codes:
        code = min(max(asked, table["low_code"]), table["high_code"])
        i = (code - table["first_code"]) >> table["step_log2"]
        part = code - table["first_code"] - (i << table["step_log2"])
        value = table["entries"][i]
        if part:
            risen = (table["entries"][i + 1] - value) * part
            value += (2 * risen + 2 ** table["step_log2"]) // 2 ** (table["step_log2"] + 1)  # to nearest, ties upwards
        found.append(value * 2 ** table["unit_log2_ppt"])
    assert found == read_table(path).offset_ppt(np.array(codes)).tolist()


def test_the_picture_of_the_rooms_is_that_of_the_imports() -> None:
    spec = importlib.util.spec_from_file_location("house", ROOT / "docs" / "house.py")
    assert spec is not None
    assert spec.loader is not None
    house = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(house)
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert house.page(text) == text
    assert house.page(text.replace("  job --> ", "  job --> bench & ")) == text  # an arrow that is missing is found
    assert len(text.splitlines()) <= 150
