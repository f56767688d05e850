"""Each reader on any bytes: an orderly refusal is a `TcompError`, anything else a finding."""

from __future__ import annotations

import atexit
import json
import shutil
import tempfile
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path

import numpy as np
from firmware_files import read_csv_text, read_image
from lots import JOB as LOT_JOB
from lots import LOT
from plain_curve import plain_curve
from tables import (
    chebyshev_table_of,
    even_table,
    patch_table,
    polynomial_table_of,
    segment_table,
    step_table,
)

from tcomp.bench.line import LineReader, UnusableError
from tcomp.bench.log_file import LogWriter
from tcomp.bench.schedule import read_steps
from tcomp.budget.history import COLUMNS, Entry, add_entry, read_history
from tcomp.errors import TcompError
from tcomp.estimation.basis import ChebyshevBasis
from tcomp.estimation.curve import curve_text, read_curve
from tcomp.estimation.prior import Prior, read_prior
from tcomp.firmware import csv_text, image_bytes
from tcomp.firmware.exporter import Stamp
from tcomp.job import Oscillator, RunLog, Source, read_job_text
from tcomp.logs.cleaning import clean_run
from tcomp.logs.log_file import read_run
from tcomp.lot.lot_file import read_lot
from tcomp.lot.units import units_of
from tcomp.starter import start_of
from tcomp.tables import CorrectionTable, TemperatureScale, read_table, table_text
from tcomp.tables.layouts.polynomial import Polynomial
from tcomp.upkeep.point import point_of_text, time_of_text

FOLDER = Path(tempfile.mkdtemp(prefix="fuzz"))
atexit.register(shutil.rmtree, FOLDER, ignore_errors=True)
SCALE = TemperatureScale(16.0)
COMMON = {"scale": SCALE, "low_code": 0, "unit_log2_ppt": 6, "max_error_ppb": 1.0, "rms_error_ppb": 0.5}
TABLES: tuple[CorrectionTable, ...] = (
    step_table(**COMMON, high_code=512, first_code=0, step_log2=8, entry_bits=16, interpolation="linear", entries=(-9, 0, 7)),
    even_table(
        **COMMON, high_code=100, first_code=0, codes_to_index_q16=1310, entry_bits=8, interpolation="quadratic",
        entries=(-9, 0, 7, 9, 11), polynomial=Polynomial(50, 8, (100, -7, 3)),
    ),
    segment_table(**COMMON, high_code=95, starts=(0, 32), step_log2s=(4, 6), entry_bits=16, entries=(-9, 0, 7, 1)),
    polynomial_table_of(**COMMON, high_code=100, middle_code=50, shift=8, entry_bits=16, entries=(100, -7, 3)),
    chebyshev_table_of(
        **COMMON, high_code=100, middle_code=50, codes_to_x=600, fine_bits=0, base=7, entry_bits=16, entries=(100, -7, 3)
    ),
    patch_table(
        **COMMON, high_code=100, middle_code=50, codes_to_x=600, fine_bits=0, base=7, factors=(100, -7), starts=(10, 50),
        counts=(2, 3), codes_to_index_q16s=(4000, 5000), entry_shift=1, entry_bits=8, entries=(1, -2, 3, 4, -5),
    ),
)  # fmt: skip
STAMP = Stamp("1", "0", "gauge", (("noise", 1.0),), "now")


def _kept(content: bytes, name: str) -> Path:
    path = FOLDER / name
    path.write_bytes(content)
    return path


def run(content: bytes) -> None:
    """A log; the first byte tells how its columns are named."""
    forms = (
        {"temperature": "t", "frequency": "f", "time": "utc"},
        {"temperature": 2, "frequency": 3, "time": 1},
        {"temperature": 1, "frequency": 2},
        {"temperature": "t", "phase": "f", "time": ("date", "time")},
        {"temperature": 2, "offset": 3, "offset_unit": "ppb", "time": 1, "time_format": "%d/%m/%Y %H:%M"},
        {"temperature": 2, "frequency": 3, "interval_s": 10.0, "missing": ("-999", "x")},
    )
    log = RunLog(_kept(content[1:], "log.csv"), **forms[(content[0] if content else 0) % len(forms)])
    try:
        raw = read_run(log, Oscillator("x", nominal_hz=10e6))
        clean_run(raw, None)
    except TcompError:
        return
    assert len(raw.frame)


def start(content: bytes) -> None:
    """A log for which a job is begun; what is written is a job, or says where it is none."""
    try:
        read_job_text(start_of(_kept(content, "start.csv")).text)
    except TcompError:
        return


def job(content: bytes) -> None:
    """A job file."""
    try:
        read_job_text(content.decode("utf-8", "replace"))
    except TcompError:
        return


def table(content: bytes) -> None:
    """``table.json``; what is read can be looked up everywhere and written again."""
    try:
        found = read_table(_kept(content, "table.json"))
    except TcompError:
        return
    assert np.abs(found.offset_ppt(found.all_codes)).max() < 2**31 + 1
    assert read_table(_kept(table_text(found).encode(), "again.json")) == found


def table_csv(content: bytes) -> None:
    """A table as CSV."""
    try:
        read_csv_text(content.decode("utf-8", "replace"))
    except TcompError:
        return


def image(content: bytes) -> None:
    """A binary image, with a CRC-32 that is right if the first byte is odd."""
    import zlib

    body = content[1:]
    if content[:1] and content[0] % 2:
        body = body[:-4] + zlib.crc32(body[:-4]).to_bytes(4, "little")
    try:
        found = read_image(body)
    except TcompError:
        return
    assert found.entries is not None


def curve(content: bytes) -> None:
    """``curve.json``; what is read can be evaluated and written again."""
    try:
        found = read_curve(_kept(content, "curve.json"))
    except TcompError:
        return
    at_c = np.linspace(found.low_c, found.high_c, 5)
    assert np.isfinite(found.offset_ppb(at_c)).all()
    assert np.isfinite(found.uncertainty_ppb(at_c)).all()
    assert found.base_words
    assert curve_text(found)


def history(content: bytes) -> None:
    """A history, with a CRC-32 that is right in lines that end in a comma."""
    import zlib

    lines = [
        line + f"{zlib.crc32(line[:-1]):08x}".encode() if line.endswith(b",") else line for line in content.split(b"\n")
    ]
    try:
        found = read_history(_kept(b"\n".join(lines), "x.history.csv"))
    except TcompError:
        return
    if found.entries:
        last = found.entries[-1]
        later = Entry(last.time_s + 1.0, "trim", 20.0, 25.0, 1.0, 1.0, 1.0, 1.0)
        try:
            add_entry(found, later)
        except TcompError:
            return
        assert read_history(found.path).entries == (*found.entries, later)


def point(content: bytes) -> None:
    """What ``--at`` and ``--time`` take."""
    text = content.decode("utf-8", "replace")
    try:
        found = point_of_text(text, plain_curve())
    except TcompError:
        found = None
    assert found is None or found.u_ppb > 0
    try:
        time_of_text(text, "--time")
    except TcompError:
        return


def lot(content: bytes) -> None:
    """A lot file with its job, and the units that it finds beside it."""
    (FOLDER / "logs").mkdir(exist_ok=True)
    _kept(ROWS, "logs/07.csv")
    try:
        found = units_of(read_lot(_kept(content, "lot.toml")))
    except TcompError:
        return
    assert found


def prior(content: bytes) -> None:
    """``lot.json``; the prior that is read can foretell."""
    try:
        found = read_prior(_kept(content, "lot.json"))
    except TcompError:
        return
    assert np.isfinite(found.predicted).all()
    assert found.words


def schedule(content: bytes) -> None:
    """What `tcomp plan --csv` writes; what is read can be followed."""
    try:
        steps = read_steps(_kept(content, "plan.csv"))
    except TcompError:
        return
    for step in steps:
        assert step.summary
        assert 0.0 < step.minutes < float("inf")


SOURCES = (
    Source("a", "serial", ("temperature", "frequency"), unit=("degC", "MHz"), port="p"),
    Source("b", "serial", ("frequency",), fields=("f",), unit=("Hz",), port="p"),
    Source("c", "serial", ("temperature",), pattern=r"T=(?P<temperature>\S+)", unit=("degF",), port="p"),
    Source("d", "serial", ("offset", "reference"), fields=(2, 1), unit=("ppm", ""), within=(0.0, 1.0), port="p"),
)


def line(content: bytes) -> None:
    """Lines of an instrument; the first byte tells of which."""
    reader = LineReader(SOURCES[(content[0] if content else 0) % len(SOURCES)])
    for text in content[1:].decode("utf-8", "replace").splitlines():
        try:
            values = reader.values(text)
        except UnusableError:
            continue
        assert values is None or all(isinstance(value, float) for value in values.values())


def recorded(content: bytes) -> None:
    """A log that `tcomp log` goes on with."""
    path = _kept(content, "recorded.csv")
    log = LogWriter(path, ["gauge 07"], "utc,t", 60.0)
    try:
        log.open()
    except TcompError:
        assert path.read_bytes() == content
        return
    log.close()
    assert path.read_bytes().endswith(b"\n")


OF_RESULTS = (table, table_csv, image, curve, history, prior)
OF_INPUTS = (run, start, job, lot, schedule, point, line, recorded)
READERS: dict[str, Callable[[bytes], None]] = {reader.__name__: reader for reader in (*OF_RESULTS, *OF_INPUTS)}
ROWS = b"utc,t,f\n" + b"".join(b"17000000%02d,2%d.5,10000000.%d\n" % (i, i % 9, i) for i in range(10, 30))
DATED = b"date;time;t;f\n2026-03-02;07:30:00;21,5;0,00001\n2026-03-02;07:30:10;21,6;0,00002\n"
JOB = b"""[oscillator]
name = "x"
nominal_hz = 12_800_000
cut = "AT"
[[run]]
file = "a.csv"
time = ["date", "time"]
temperature = 1
frequency = "f"
missing = ["-999"]
[sensor]
kind = "ntc"
r25_ohm = 10000
beta_k = 3435
divider = { series_ohm = 10000, adc_bits = 12, sensor_to = "ground" }
[fit]
range_c = [0, 50]
models = ["poly3"]
[table]
input = "adc"
temperature_weights = [{ c = 5, share = 1 }]
[firmware]
formats = ["c", "ihex"]
[use]
needed_ppb = 100
[[oven]]
name = "o"
"""
PRIOR = json.dumps(
    {"prior": asdict(Prior(ChebyshevBasis(1, 0.0, 50.0), (100.0, -7.0), ((4.0, 0.5), (0.5, 1.0)), 9, ("03",), 0.2))}
)
STEPS = b"""step,what,from_c,to_c,rate_c_per_min,minutes,settle_min,average_min,start_min,start,why
1,ramp,23,-20,0.5,86,0,0,0,0:00,to the cold end
2,soak,-20,-20,0,45,25,20,86,1:26,"a zero of (1 - x^2) P'_n"
"""
SEEDS: dict[str, list[bytes]] = {
    "run": [bytes([form]) + text for form in range(6) for text in (ROWS, DATED, b"#x\n" + ROWS.replace(b",", b"\t"))],
    "start": [ROWS, DATED, b"#x\n" + ROWS.replace(b",", b"\t")],
    "job": [
        JOB,
        b'[oscillator]\nname = "x"\n[[run]]\nfile = "a.parquet"\ntemperature = "t"\nphase = 1\ninterval_s = 1\n',
    ],
    "table": [table_text(one).encode() for one in TABLES],
    "table_csv": [csv_text(one, "gauge", STAMP).encode() for one in TABLES],
    "image": [b"\1" + image_bytes(TABLES[0]), b"\0" + image_bytes(TABLES[0])],
    "curve": [curve_text(plain_curve(lag_s=9.0, lag_u_s=1.0)).encode()],
    "history": [",".join(COLUMNS).encode() + b"\n2026-03-04T13:20:00Z,trim,23.5,25.0,120.0,5.0,119.5,4.9,\n"],
    "lot": [(LOT + LOT_JOB).encode(), LOT_JOB.encode() + b'[lot]\n[units]\nnames = ["07"]\n'],
    "prior": [PRIOR.encode()],
    "schedule": [STEPS],
    "line": [
        b"\x0021.5, 12.800001234\n70.7 degF; 12800001.2 Hz\n21,5 C\t1e7 Hz",
        b"\x01t,f\n1,2\nf = 1e7",
        b"\x02T=70.7",
        b"\x03ok 0.5 ppm",
    ],
    "recorded": [b"# tcomp log\n# gauge 07\nutc,t\n2026-03-02T07:30:00Z,21.5\n2026-03-02T07:30:10Z,21", b""],
    "point": [b"23.5 degC, 120 ppb, 5 ppb", b"23,5 C; +0,12 ppm; 5 ppb", b"2026-03-04T13:20Z"],
}
assert json.loads(SEEDS["table"][0])
