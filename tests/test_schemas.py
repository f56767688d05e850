"""All JSON that the tool prints or writes, held against its schema by an independent validator (jsonschema)."""

from __future__ import annotations

import copy
import json
import re
import shutil
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from jsonschema import Draft202012Validator
from lots import sound_logs, write_lot
from test_proof_bit_exact import PATCHES

from tcomp.cli import main
from tcomp.documents.schemas import read_schema, schema_keys, schema_names
from tcomp.tables import table_text

RUNS = Path(__file__).parent.parent / "sample_runs"
Document = dict[str, Any]


UNORDERED = """
[oscillator]
name = "fork"
cut = "tuning-fork"
[[run]]
file = "unordered.csv"
temperature = 1
offset = 2
offset_unit = "ppm"
[sensor]
kind = "ntc"
r25_ohm = 10_000
beta_k = 3435
divider = { series_ohm = 10_000, adc_bits = 12, sensor_to = "ground" }
[fit]
models = ["spline"]
[table]
input = "adc"
form = "steps"
max_bytes = 64
[firmware]
formats = ["c", "bin"]
[use]
needed_ppb = 3000
[[oven]]
name = "any oven"
"""


def unordered_log() -> str:
    """ADC codes of a thermistor, and the offset of a tuning fork of -35 ppb/degC^2, in no order; invented."""
    rng = np.random.default_rng(2)
    temperature_c = rng.permutation(np.linspace(-10.0, 50.0, 120))
    ohm = 10e3 * np.exp(3435.0 * (1 / (temperature_c + 273.15) - 1 / 298.15))
    code = np.round(4096 * ohm / (ohm + 10e3))
    offset_ppm = -0.035 * (temperature_c - 25.0) ** 2 + rng.normal(0.0, 0.02, 120)
    return "".join(f"{one:.0f};{y:.5f}\n" for one, y in zip(code, offset_ppm, strict=True))


def faults(name: str, document: Document) -> list[str]:
    return [f"{list(error.absolute_path)}: {error.message[:200]}" for error in validator(name).iter_errors(document)]


def validator(name: str) -> Draft202012Validator:
    return Draft202012Validator(read_schema(name))


@dataclass
class Collected:
    """What the commands print and write in a folder, by the name of its schema."""

    folder: Path
    found: dict[str, list[Document]] = field(default_factory=dict)

    def taken(self, name: str, *words: str, codes: tuple[int, ...] = (0,)) -> None:
        """What a command prints."""
        result = CliRunner().invoke(main, [*words, "--json", "--quiet"], catch_exceptions=False)
        assert result.exit_code in codes, result.stderr
        self.found.setdefault(name, []).append(json.loads(result.stdout))

    def read(self, name: str, *parts: str) -> None:
        """What a file holds."""
        text = self.folder.joinpath(*parts).read_text(encoding="utf-8")
        self.found.setdefault(name, []).append(json.loads(text))

    def write(self, name: str, text: str) -> None:
        """A file of the user's."""
        (self.folder / name).write_text(text, encoding="utf-8")


@pytest.fixture(scope="module")
def documents(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[Document]]:
    """Of all samples and all commands."""
    collected = Collected(tmp_path_factory.mktemp("json"))
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(collected.folder)
        samples(collected)
        stages(collected)
        between_the_runs(collected)
        unordered(collected)
        lot_and_bench(collected)
        forms(collected)  # last, as it designs the gauge's table anew
    return collected.found


def samples(of: Collected) -> None:
    for sample in ("river_gauge", "weather_station", "air_bath"):
        for path in (RUNS / sample).iterdir():
            shutil.copy(path, of.folder)
    for stem in ("gauge07", "station_clock", "bath_channel"):
        of.taken("summary", "build", f"{stem}.toml")
        of.taken("inspect", "inspect", f"{stem}.toml")
        for name in ("summary", "curve", "table", "proof"):
            of.read(name, f"{stem}.out", f"{name}.json")


def stages(of: Collected) -> None:
    job, out = "gauge07.toml", "gauge07.out"
    of.read("verdict", out, "verdict.json")
    of.read("made_from", out, "made_from.json")
    of.read("table", out, "gauge07.json")
    of.taken("fit", "fit", job)
    of.taken("design", "table", job)
    of.taken("explored", "table", "station_clock.toml", "--explore")
    of.taken("export", "export", job)
    of.taken("summary", "report", job)
    of.taken("proof", "prove", job, "--target", "all")
    of.taken("verdict", "judge", job)


def between_the_runs(of: Collected) -> None:
    job, out = "gauge07.toml", "gauge07.out"
    of.taken("check", "check", f"{out}/table.json", job)
    of.taken("check", "check", f"{out}/curve.json", job)
    of.taken("plan", "plan", job)
    of.taken("plan", "plan", job, "--after", out)
    of.taken("setting", "plan", job, "--set-within", "0.5")
    of.taken("apply", "apply", f"{out}/curve.json", "2026-03-02_slow.csv", "--frequency", "osc_hz")
    of.taken("apply", "apply", f"{out}/table.json", "2026-03-02_slow.csv", "--frequency", "osc_hz")
    at = ("retrim", out, "--time", "2026-06-01T10:00Z", "--at")
    of.taken("retrim", *at, "23.5 degC, 9000 ppb, 5 ppb", codes=(1,))
    of.taken("retrim", *at, "23.5 degC, 1000 ppb, 5 ppb")
    of.read("curve", out, "curve.json")


def unordered(of: Collected) -> None:
    of.write("unordered.csv", unordered_log())
    of.write("unordered.toml", UNORDERED)
    of.taken("summary", "build", "unordered.toml")
    of.taken("inspect", "inspect", "unordered.toml")
    of.taken("check", "check", "unordered.out/curve.json", "unordered.toml", codes=(0, 2))
    for name in ("curve", "table", "proof", "verdict"):
        of.read(name, "unordered.out", f"{name}.json")
    of.write("no_c.toml", UNORDERED.replace('["c", "bin"]', '["csv"]'))
    of.taken("summary", "build", "no_c.toml")


def lot_and_bench(of: Collected) -> None:
    of.write("bench.toml", CliRunner().invoke(main, ["log", "--example"]).stdout)
    of.taken("log", "log", "bench.toml", "--for", "10min")
    of.taken("demo", "demo", "weather_station")
    (of.folder / "lot").mkdir()
    write_lot(of.folder / "lot", sound_logs(8) | {"bad": "utc,board_c\n1,2\n"})
    of.taken("lot", "lot", "lot/lot.toml", "--into", "lot.out", "--workers", "1", codes=(1,))
    of.read("lot", "lot.out", "lot.json")
    of.read("unit", "lot.out", "g01", "unit.json")


def forms(of: Collected) -> None:
    text = (of.folder / "gauge07.toml").read_text(encoding="utf-8")
    for form in ("even", "segments", "polynomial", "chebyshev"):
        free = text.replace('interpolation = "linear"\n', "")  # a polynomial has none
        of.write(f"{form}.toml", free.replace('form = "steps"', f'form = "{form}"'))
        made = CliRunner().invoke(main, ["table", f"{form}.toml", "--into", "gauge07.out"], catch_exceptions=False)
        assert made.exit_code == 0, made.stderr
        of.read("table", "gauge07.out", "table.json")


def test_each_schema_is_sound_and_each_document_has_one(documents: dict[str, list[Document]]) -> None:
    assert set(documents) == set(schema_names())
    for name in schema_names():
        Draft202012Validator.check_schema(read_schema(name))


def test_every_document_holds_to_its_schema(documents: dict[str, list[Document]]) -> None:
    for name, found in documents.items():
        for document in found:
            assert faults(name, document) == [], name


def test_what_is_seldom_is_among_them(documents: dict[str, list[Document]]) -> None:
    assert {table["scale"]["input"] for table in documents["table"]} == {"temperature", "adc"}
    assert {proof["holds"] for proof in documents["proof"]} == {True}
    assert any("image" in proof for proof in documents["proof"])
    assert {summary["proof"]["holds"] for summary in documents["summary"]} == {True, None}
    assert any("knots" in curve["basis"] for curve in documents["curve"])
    assert any(summary["effects"]["lag"]["u"] is None for summary in documents["summary"])


def test_every_form_of_table_is_among_them(documents: dict[str, list[Document]]) -> None:
    assert {table["form"] for table in documents["table"]} == {"steps", "even", "segments", "polynomial", "chebyshev"}


def test_a_table_with_patches_holds_to_its_schema() -> None:
    # No sample has a dip.
    content = json.loads(table_text(PATCHES))
    validator = Draft202012Validator(read_schema("table"))
    assert validator.is_valid(content)
    assert not validator.is_valid(content | {"shift": 3})
    assert not validator.is_valid({key: value for key, value in content.items() if key != "counts"})


def objects(document: Any) -> list[Document]:
    """All objects within, the outermost first."""
    if isinstance(document, list):
        return [found for one in document for found in objects(one)]
    if not isinstance(document, dict):
        return []
    return [document, *(found for one in document.values() for found in objects(one))]


def test_a_key_that_is_missing_or_renamed_is_found_wherever_it_stands(documents: dict[str, list[Document]]) -> None:
    for name, found in documents.items():
        required = {key.name for key in schema_keys(name) if not key.optional}
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
        (("schema",), 1),
        (("curve", "range_c"), [20.0]),
        (("curve", "base_ppb"), "651 ppb"),
        (("table", "bytes"), 161.5),
        (("table", "crc32"), "0x04659760"),
        (("effects", "lag", "status"), "maybe"),
        (("error_budget", 0, "share"), "all"),
        (("proof", "holds"), "yes"),
    ):
        damaged = copy.deepcopy(summary)
        part: Any = damaged
        for key in path[:-1]:
            part = part[key]
        part[path[-1]] = value
        assert faults("summary", damaged), path


UNITS = {
    "_ppb2_s": "ppb^2 s", "_ppb2_per_s": "ppb^2/s",
    "_ppb": "ppb", "_ppt": "ppt", "_ppb2": "ppb^2", "_c": "degC", "_s": "s", "_days": "day", "_h": "h", "_min": "min",
    "_c_per_min": "degC/min", "_ppb_per_c": "ppb/degC", "_per_c": "1/degC", "_ppb_per_day": "ppb/day",
    "_s_per_day": "s/day", "_watts": "W", "_bytes": "bytes", "_bits": "bit",
}  # fmt: skip


def test_every_key_has_a_meaning_and_its_unit_stands_in_it() -> None:
    found = list(schema_keys())
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
    assert not [one for one in objects(schema) if "$ref" in one]
    assert re.fullmatch(r"urn:tcomp:schema:fit:\d+", schema["$id"])


def test_a_schema_that_is_not_there_is_exit_code_2_and_names_all() -> None:
    result = CliRunner().invoke(main, ["explain", "--schema", "sumary"])
    assert result.exit_code == 2
    assert "there is no schema 'sumary'; the nearest is 'summary'; expected one of apply, check, curve" in result.stderr
