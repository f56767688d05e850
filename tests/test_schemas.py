"""All JSON that the tool prints or writes, held against its schema by an independent validator (jsonschema)."""

from __future__ import annotations

import copy
import json
import re
import shutil
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from jsonschema import Draft202012Validator
from lots import sound_logs, write_lot

from tcomp.cli import main
from tcomp.schemas import bundled, keys, keys_of, schema_names

RUNS = Path(__file__).parent.parent / "sample_runs"
Document = dict[str, Any]


def faults(name: str, document: Document) -> list[str]:
    return [f"{list(error.absolute_path)}: {error.message[:200]}" for error in validator(name).iter_errors(document)]


def validator(name: str) -> Draft202012Validator:
    return Draft202012Validator(bundled(name))


@pytest.fixture(scope="module")
def documents(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[Document]]:
    """What the commands print and write on all samples, by the name of its schema."""
    folder = tmp_path_factory.mktemp("json")
    found: dict[str, list[Document]] = {}
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)

        def taken(name: str, *words: str, codes: tuple[int, ...] = (0,)) -> None:
            result = CliRunner().invoke(main, [*words, "--json", "--quiet"], catch_exceptions=False)
            assert result.exit_code in codes, result.stderr
            found.setdefault(name, []).append(json.loads(result.stdout))

        def read(name: str, path: Path) -> None:
            found.setdefault(name, []).append(json.loads(path.read_text(encoding="utf-8")))

        for sample in ("river_gauge", "weather_station", "air_bath"):
            for path in (RUNS / sample).iterdir():
                shutil.copy(path, folder)
        for stem in ("gauge07", "station_clock", "bath_channel"):
            taken("summary", "build", f"{stem}.toml")
            taken("inspect", "inspect", f"{stem}.toml")
            for name in ("summary", "curve", "table", "proof"):
                read(name, folder / f"{stem}.out" / f"{name}.json")
        job, out = "gauge07.toml", "gauge07.out"
        read("verdict", folder / out / "verdict.json")
        read("table", folder / out / "gauge07.json")
        taken("fit", "fit", job)
        taken("design", "table", job)
        taken("explored", "table", "station_clock.toml", "--explore")
        taken("export", "export", job)
        taken("summary", "report", job)
        taken("proof", "prove", job, "--target", "all")
        taken("verdict", "judge", job)
        taken("check", "check", f"{out}/table.json", job)
        taken("check", "check", f"{out}/curve.json", job)
        taken("plan", "plan", job)
        taken("plan", "plan", job, "--after", out)
        taken("setting", "plan", job, "--set-within", "0.5")
        taken("apply", "apply", f"{out}/curve.json", "2026-03-02_slow.csv", "--frequency", "osc_hz")
        taken("apply", "apply", f"{out}/table.json", "2026-03-02_slow.csv", "--frequency", "osc_hz")
        at = ("retrim", out, "--time", "2026-06-01T10:00Z", "--at")
        taken("retrim", *at, "23.5 degC, 9000 ppb, 5 ppb", codes=(1,))
        taken("retrim", *at, "23.5 degC, 1000 ppb, 5 ppb")
        read("curve", folder / out / "curve.json")
        (folder / "bench.toml").write_text(CliRunner().invoke(main, ["log", "--example"]).stdout, encoding="utf-8")
        taken("log", "log", "bench.toml", "--for", "10min")
        taken("demo", "demo", "weather_station")
        (folder / "lot").mkdir()
        write_lot(folder / "lot", sound_logs(8) | {"bad": "utc,board_c\n1,2\n"})
        taken("lot", "lot", "lot/lot.toml", "--into", "lot.out", "--jobs", "1", codes=(1,))
        read("lot", folder / "lot.out" / "lot.json")
        read("unit", folder / "lot.out" / "g01" / "unit.json")
        for form in ("even", "segments", "breakpoints", "polynomial"):
            text = (folder / job).read_text(encoding="utf-8").replace('form = "steps"', f'form = "{form}"')
            (folder / f"{form}.toml").write_text(text, encoding="utf-8")
            CliRunner().invoke(main, ["table", f"{form}.toml", "--into", out], catch_exceptions=False)
            read("table", folder / out / "table.json")
    return found


def test_each_schema_is_sound_and_each_document_has_one(documents: dict[str, list[Document]]) -> None:
    assert set(documents) == set(schema_names())
    for name in schema_names():
        Draft202012Validator.check_schema(bundled(name))


def test_every_document_holds_to_its_schema(documents: dict[str, list[Document]]) -> None:
    for name, found in documents.items():
        for document in found:
            assert faults(name, document) == [], name


def test_every_form_of_table_is_among_them(documents: dict[str, list[Document]]) -> None:
    assert {table["form"] for table in documents["table"]} == {"steps", "even", "segments", "breakpoints", "polynomial"}


def objects(document: Any) -> list[Document]:
    """All objects within, the outermost first."""
    if isinstance(document, list):
        return [found for one in document for found in objects(one)]
    if not isinstance(document, dict):
        return []
    return [document, *(found for one in document.values() for found in objects(one))]


def test_a_key_that_is_missing_or_renamed_is_found_wherever_it_stands(documents: dict[str, list[Document]]) -> None:
    for name, found in documents.items():
        required = {key.name for key in keys_of(name, everywhere=True) if not key.optional}
        planted = 0
        for place, part in enumerate(objects(found[0])):
            key = next((key for key in part if key in required and ".NAME" not in key), None)
            if key is None:
                continue
            damaged = copy.deepcopy(found[0])
            own = objects(damaged)[place]
            own[f"{key.removesuffix('_ppb')}_ppm"] = own.pop(key)  # as by a change of unit
            assert faults(name, damaged), f"{name}: {key}"
            planted += 1
            if planted == 5:
                break
        assert planted, name


def test_a_value_of_another_kind_or_of_another_version_is_found(documents: dict[str, list[Document]]) -> None:
    summary = documents["summary"][0]
    for path, value in (
        (("schema",), 2),
        (("curve", "range_c"), [20.0]),
        (("curve", "base_ppb"), "651 ppb"),
        (("table", "bytes"), 161.5),
        (("table", "crc32"), "0x04659760"),
        (("effects", "lag", "status"), "maybe"),
        (("proof", "holds"), None),
    ):
        damaged = copy.deepcopy(summary)
        part = damaged
        for key in path[:-1]:
            part = part[key]
        part[path[-1]] = value
        assert faults("summary", damaged), path


UNITS = {
    "_ppb": "ppb", "_ppt": "ppt", "_ppb2": "ppb^2", "_c": "degC", "_s": "s", "_days": "day", "_h": "h", "_min": "min",
    "_c_per_min": "degC/min", "_ppb_per_c": "ppb/degC", "_per_c": "1/degC", "_ppb_per_day": "ppb/day",
    "_s_per_day": "s/day", "_watts": "W", "_bytes": "bytes", "_bits": "bit",
}  # fmt: skip


def test_every_key_has_a_meaning_and_its_unit_stands_in_it() -> None:
    found = list(keys())
    assert len(found) > 400
    for key in found:
        assert key.meaning.strip(), key
        ends = [end for end in UNITS if key.name.endswith(end) and {"number", "integer", "array"} & set(key.kinds)]
        if "_log2_" in key.name:  # a power of two of the unit
            continue
        if ends:
            assert f"[{UNITS[max(ends, key=len)]}]" in key.meaning, key


def test_a_schema_is_printed_whole_and_needs_no_other_file() -> None:
    result = CliRunner().invoke(main, ["explain", "--schema", "fit"])
    schema = json.loads(result.stdout)
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    own = {one["$id"] for one in objects(schema) if "$id" in one}
    referred = {one["$ref"].split("#")[0] for one in objects(schema) if "$ref" in one} - {""}
    assert referred <= own
    assert re.fullmatch(r"urn:tcomp:schema:fit:\d+", schema["$id"])


def test_a_schema_that_is_not_there_is_exit_code_2_and_names_all() -> None:
    result = CliRunner().invoke(main, ["explain", "--schema", "sumary"])
    assert result.exit_code == 2
    assert "there is no schema 'sumary'; the nearest is 'summary'; expected one of apply, check, curve" in result.stderr
