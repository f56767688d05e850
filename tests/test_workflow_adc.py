"""A run logged in raw codes, the whole way to a table of raw codes: truth recovered at every code of the range."""

from __future__ import annotations

import html
import json
from pathlib import Path

import bincopy
import numpy as np
import pytest
from click.testing import CliRunner
from firmware_files import read_image
from tables import changed

from tcomp import workflow
from tcomp.cli import main
from tcomp.firmware.exporters.image import Image
from tcomp.job import read_job
from tcomp.job.sensors import thermistor_ohm
from tcomp.report.layout import aligned
from tcomp.report.text import summary_rows
from tcomp.simulation import river_gauge, simulate, true_offset_ppb, truth_of
from tcomp.summary import table_shares
from tcomp.tables.code_scale import AdcScale

# Coefficients of Kaw, Kalu and Nguyen's example (tests/data/sensors/ntc.json); the divider and the run are invented.
PUBLISHED = json.loads((Path(__file__).parent / "data" / "sensors" / "ntc.json").read_text())["steinhart_hart"]
SH = (PUBLISHED["A"], PUBLISHED["B"], PUBLISHED["C"])
SERIES_OHM, BITS = 20e3, 14
JOB = f"""
[oscillator]
name = "gauge 07"
nominal_hz = 12_800_000
cut = "AT"
[reference]
uncertainty_ppb = 0.5
[[run]]
file = "slow.csv"
time = "t"
temperature = "adc"
frequency = "hz"
[[run]]
file = "fast.csv"
time = "t"
temperature = "adc"
frequency = "hz"
[sensor]
kind = "ntc"
steinhart_hart = {list(SH)}
divider = {{ series_ohm = {SERIES_OHM}, adc_bits = {BITS}, sensor_to = "SIDE" }}
[table]
input = "adc"
max_error_ppb = 5
[firmware]
symbol = "gauge07"
formats = ["c", "csv", "ihex", "bin"]
image_address = 0x0800F000
"""


@pytest.fixture(scope="module", params=["ground", "supply"])
def built(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> workflow.BuildResult:
    """The river gauge's board, its sensor replaced by a thermistor whose raw codes are logged; invented."""
    folder, board = tmp_path_factory.mktemp("adc"), river_gauge()
    scenario = changed(board, sensor=changed(board.sensor, quantum_c=0.0))
    runs = simulate(scenario)
    for file, run in zip(("slow.csv", "fast.csv"), runs, strict=True):
        ohm = thermistor_ohm(run.log["temperature_c"].to_numpy(), *SH)
        share = ohm / (ohm + SERIES_OHM)
        codes = np.rint(2**BITS * (share if request.param == "ground" else 1 - share))
        frame = run.log.assign(adc=codes)[["time_s", "adc", "reading_hz"]].dropna()
        frame.columns = ["t", "adc", "hz"]
        frame["t"] += 1_770_000_000  # Unix time of a start, invented.
        frame.to_csv(folder / file, index=False, float_format="%.10g")
    (folder / "truth.json").write_text(json.dumps(truth_of(scenario, runs)))
    (folder / "job.toml").write_text(JOB.replace("SIDE", request.param))
    return workflow.build(read_job(folder / "job.toml"), folder / "out")


def test_the_exported_integers_are_within_the_stated_error_of_the_truth(built: workflow.BuildResult) -> None:
    table = built.folder.read_table()
    assert isinstance(table.scale, AdcScale)
    truth_ppb = true_offset_ppb(built.folder.path.parent / "truth.json", table.temperature_of(table.codes))
    error_ppb = np.abs(table.offset_ppt(table.codes) / 1000.0 - truth_ppb)
    # What is stated: the table's own largest error at every code, and the curve's uncertainty at k = 3.
    worst_u = built.summary.curve.worst_u_ppb
    assert worst_u < 1.0
    assert error_ppb.max() < table.max_error_ppb + 3 * worst_u
    assert table.max_error_ppb <= 5.0


def test_the_range_is_the_one_of_the_run_through_the_sensor(built: workflow.BuildResult) -> None:
    table = built.folder.read_table()
    low_c, high_c = sorted(table.temperature_of([table.low_code, table.high_code]))
    assert low_c == pytest.approx(built.summary.curve.range_c[0], abs=0.05)
    assert high_c == pytest.approx(built.summary.curve.range_c[1], abs=0.05)
    assert table.in_range([0, 2**BITS - 1, 65535]).tolist() == [False, False, False]


def test_the_c_is_proven_at_every_raw_code(built: workflow.BuildResult) -> None:
    proof = built.summary.proof
    assert built.holds
    assert (proof.codes, proof.mismatches) == (65_536, 0)
    assert "gauge07_lookup(uint16_t code)" in (built.folder.path / "gauge07.h").read_text()


def test_the_budget_takes_the_local_size_of_a_count(built: workflow.BuildResult) -> None:
    table, curve = built.folder.read_table(), built.folder.read_curve()
    sensor = table.scale.sensor
    line = next(one.error_ppb for one in table_shares(sensor, curve, table) if "local degC per count" in one.words)
    # Apart from the program: what half a count up or down changes of the curve, at the worst code.
    at_c = table.temperature_of(np.stack([table.codes - 0.5, table.codes + 0.5]))
    changes_ppb = np.abs(np.diff(curve.continued_ppb(at_c), axis=0)) / 2
    assert line == pytest.approx(changes_ppb.max(), rel=0.02)


def test_report_and_summary_say_raw_codes(built: workflow.BuildResult) -> None:
    assert built.summary.table.input == "adc"
    assert "looked up by the sensor's raw code" in aligned(summary_rows(built.summary))
    assert "looked up by the sensor's raw code" in html.unescape((built.folder.path / "report.html").read_text())


def test_a_fresh_run_checks_the_table(built: workflow.BuildResult) -> None:
    folder = built.folder.path
    found = CliRunner().invoke(main, ["check", str(folder / "table.json"), str(folder.parent / "job.toml"), "--json"])
    assert json.loads(found.stdout)["status"] == "holds"


def test_image_and_hex_hold_the_table_and_its_reader_is_proven(built: workflow.BuildResult) -> None:
    folder, table = built.folder.path, built.folder.read_table()
    image = (folder / "gauge07.bin").read_bytes()
    assert read_image(image) == Image.of(table)
    read = bincopy.BinFile(str(folder / "gauge07.hex"))
    assert (read.minimum_address, bytes(read.as_binary())) == (0x0800F000, image)
    reader = built.summary.proof.image
    assert (reader.holds, reader.codes, reader.mismatches) == (True, 65_536, 0)
    assert "of the image's reader too" in aligned(summary_rows(built.summary))


def test_a_fault_in_the_reader_is_found_by_the_proof(built: workflow.BuildResult, tmp_path: Path) -> None:
    for path in built.folder.path.iterdir():
        (tmp_path / path.name).write_bytes(path.read_bytes())
    reader = tmp_path / "gauge07_image.c"
    text = reader.read_text()
    assert text.count("asked >= image->low_code") == 1
    reader.write_text(text.replace("asked >= image->low_code", "asked > image->low_code"))
    job = read_job(built.folder.path.parent / "job.toml")
    found = workflow.prove_sources(job, built.folder.read_table(), workflow.Folder(tmp_path), lambda _: None)
    assert found.holds is False
    assert "image_in_range(" in " ".join(found.first_mismatches)
