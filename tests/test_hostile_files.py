"""Files that are too large, too deep, of the wrong kind or damaged: one sentence each, and little memory."""

from __future__ import annotations

import gzip
import io
import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow
import pyarrow.parquet
import pytest
from hostile_runs import job_of, refusal, sweep_log, tcomp

from tcomp.errors import CurveError, RunError, TableError, TcompError
from tcomp.estimation.curve import read_curve
from tcomp.files import read_json
from tcomp.job import read_job
from tcomp.logs import frames as log_frames
from tcomp.logs import text as log_text
from tcomp.logs.text import LONGEST_LINE, read_text, text_chunks
from tcomp.tables import read_table

LOG = sweep_log()


def said_of(folder: Path, content: bytes, file: str = "log.csv", **keys: str) -> str:
    (folder / file).write_bytes(content)
    return refusal("inspect", job_of(folder, file=file, **keys), "--into", folder / "out")


def kept(folder: Path, content: bytes) -> int:
    """Samples that are kept of a log."""
    (folder / "log.csv").write_bytes(content)
    result = tcomp("inspect", job_of(folder), "--into", folder / "out", "--json", "--quiet")
    assert result.exit_code == 0, result.output
    return int(json.loads(result.stdout)["runs"][0]["samples_kept"])


def columns_log(count: int) -> bytes:
    names = ",".join(["utc", "t", "y", *(f"c{i}" for i in range(count))])
    rows = [",".join([*row.split(",")[:3], *"1" * count]) for row in LOG.splitlines()[1:]]
    return "\n".join([names, *rows]).encode()


@pytest.mark.parametrize(
    ("content", "line"),
    [
        (b"a" * 3_000_000, 1),
        (b"utc,t,y\n" + b"1," * 1_000_000 + b"\n", 2),
        (b"utc,t,y," + b"z" * 200_000 + b"\n1,2,3,4\n", 1),
        (b"utc,t,y\n1,2," + b"3" * 200_000 + b"\n", 2),
        (b" " * 200_000 + b"\n" + LOG.encode(), 1),
        (columns_log(0) + b"\n" + b"1," * 100_000, 402),
        (b"utc,t,y" + b",c" * 1_000_000 + b"\n1,2,3\n", 1),
    ],
    ids=[
        "no newline",
        "a million fields",
        "a long name",
        "a long field",
        "blanks",
        "a long row behind",
        "a million columns",
    ],
)
def test_a_line_longer_than_any_row_is_refused(tmp_path: Path, content: bytes, line: int) -> None:
    said = said_of(tmp_path, content)
    assert f"log.csv: line {line} has" in said
    assert "expected a row in each line, of 128 KiB at most" in said


def test_thousands_of_columns_are_read(tmp_path: Path) -> None:
    assert kept(tmp_path, columns_log(10_000)) == 400


def test_a_missing_column_among_thousands_is_named_in_one_line(tmp_path: Path) -> None:
    said = said_of(tmp_path, columns_log(10_000).replace(b",y,", b",z,", 1))
    assert "there is no column 'y'; " in said
    assert said.endswith("and 9953 more")


def test_a_line_without_end_is_refused_while_it_is_streamed(tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_bytes(b"utc,t,y\n" + b"1" * 500_000)
    with pytest.raises(RunError, match="a line has more than 131072 bytes"):
        list(text_chunks(tmp_path / "log.csv", 10_000))


def bomb(path: Path, mib: int, row: bytes) -> None:
    """A .gz of a few kilobytes that unpacks to so many MiB, in members that are all alike."""
    member = gzip.compress(row * ((1 << 20) // len(row)), mtime=0)
    path.write_bytes(gzip.compress(b"utc,t,y\n", mtime=0) + member * mib)


def test_a_gzip_bomb_is_refused_at_the_limit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    bomb(tmp_path / "log.csv.gz", 64, b"1700000000,2,3\n")
    assert (tmp_path / "log.csv.gz").stat().st_size < 400_000
    monkeypatch.setattr(log_text, "LARGEST_LOG", 16 << 20)
    said = refusal("inspect", job_of(tmp_path, file="log.csv.gz"), "--into", tmp_path / "out")
    assert "log.csv.gz: holds more than 16 MiB of text; split it at a pause" in said


def test_a_gzip_bomb_does_not_take_the_memory_that_it_would_unpack_to(tmp_path: Path) -> None:
    # One line of 8 GiB; a process that may have 3 GiB (for libraries and the limit of 1 GiB) refuses it in a sentence.
    bomb(tmp_path / "log.csv.gz", 8192, b"0" * 1024)
    job = job_of(tmp_path, file="log.csv.gz")
    program = "import resource; resource.setrlimit(resource.RLIMIT_AS, (3 << 30, 3 << 30)); from tcomp.cli import main; main()"
    done = subprocess.run(
        [sys.executable, "-c", program, "inspect", str(job), "--into", str(tmp_path / "out")],
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == 2, done.stderr
    assert "log.csv.gz: holds more than 1024 MiB of text" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.skipif(not Path("/dev/zero").exists(), reason="there is no /dev/zero")
def test_a_file_without_end_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(log_text, "LARGEST_LOG", 1 << 20)
    assert "holds more than 1 MiB" in refusal("inspect", job_of(tmp_path, file="/dev/zero"))
    assert "is larger than 1 MiB, so it is no job file" in refusal("inspect", "/dev/zero")
    with pytest.raises(TableError, match="it is larger than 16 MiB"):
        read_table("/dev/zero")


@pytest.mark.parametrize(
    ("content", "count"),
    [
        (b"\xef\xbb\xbf" + LOG.encode(), 400),
        (LOG.encode("utf-16"), 400),
        (LOG.replace("\n", "\r\n").encode(), 400),
        (LOG.replace("\n", "\r").encode(), 400),
        (LOG.replace("\n", "\r\n", 100).encode(), 400),
        (b"\0" * 1000 + LOG.encode() + b"\0" * 300_000, 400),
        (LOG.encode() + "# °C in another encoding\n".encode("cp1252"), 400),
        (LOG.replace(",", ";").replace(".", ",").encode(), 400),
        (LOG.encode() + LOG.splitlines()[0].encode(), 400),
    ],
    ids=["BOM", "UTF-16", "CRLF", "CR", "CRLF and LF", "NUL", "mixed", "decimal comma", "header again"],
)
def test_what_loggers_really_do_is_read(tmp_path: Path, content: bytes, count: int) -> None:
    assert kept(tmp_path, content) == count


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"", "is empty"),
        (b"\0" * 5000, "ends before the header"),
        (b'utc,t,y\n1,2,"3\n4,5,6\n', "a quoted field is not closed; remove the surplus quote"),
        (b'utc,t,y\n1,2,3\n4,"5,6\n7,8,9\n', "quote"),
        (b"\xff\xfe" + LOG.encode("utf-16-le") + b"a", "log.csv:402: column 'utc' holds"),
        (LOG.replace(".", ",").encode(), "a decimal comma looks like a comma between fields"),
        (LOG.replace(",", ";").encode() + b"1700000000;1,5;2\n", "the log has another decimal mark"),
        (b"utc,t,y\n1e308,1e308,1e308\n9e307,-1e308,0\n", "expected -100 to 200 degC"),
        (b"\x1f\x8b" + b"junk" * 100, "the gzip data are damaged"),
        (gzip.compress(LOG.encode())[:-20], "the gzip data are damaged or cut short"),
        (b"PAR1" + b"x" * 100, "is not a text log but a Parquet file"),
        (bytes(range(256)) * 50, "is not text but binary data"),
    ],
)  # fmt: skip
def test_what_cannot_be_read_is_one_sentence(tmp_path: Path, content: bytes, sentence: str) -> None:
    assert sentence in said_of(tmp_path, content)


@pytest.mark.parametrize("mark", ["\u066b", "\u00b7", "'", " ", "_", "\u2019"])
def test_a_decimal_mark_that_is_none_of_ours_is_never_guessed(tmp_path: Path, mark: str) -> None:
    # 5 * 10^-1 or 5 * 10^1: a digit group and a decimal look alike.
    said = said_of(tmp_path, LOG.replace(".", mark).encode())
    assert f"log.csv:3: column 't' holds '0{mark}2513', expected a number" in said


@pytest.mark.parametrize("field", ["0x10", "1.0D1", "1_0.0", "\u22125.0", "1e", "5 C", "--5"])
def test_what_only_looks_like_a_number_is_told_with_its_line(tmp_path: Path, field: str) -> None:
    rows = LOG.splitlines()
    rows[9] = f"{rows[9].split(',')[0]},{field},1.0"
    said = said_of(tmp_path, "\n".join(rows).encode())
    assert f"log.csv:10: column 't' holds '{field}'" in said


def test_nul_bytes_within_rows_are_no_part_of_them(tmp_path: Path) -> None:
    assert kept(tmp_path, LOG.encode().replace(b",", b",\0")) == 400


@pytest.mark.parametrize("form", ["%Q", "%", "%d%d", "%Y-%m-%d %H:%M:%S %Z%z%z"])
def test_a_time_format_that_is_none_is_one_sentence(tmp_path: Path, form: str) -> None:
    assert "time_format" in said_of(tmp_path, LOG.encode(), run=f'time_format = "{form}"')


DEEP = 200_000


@pytest.mark.parametrize(
    ("more", "sentence"),
    [
        ("a = " + "[" * DEEP, "is nested too deeply; expected sections of keys"),
        ("a = " + "{a = " * DEEP, "is nested too deeply; expected sections of keys"),
        ("oscillator.name" + ".a" * 5000 + " = 1", "is nested too deeply|is not TOML|expected text"),
        ("a = 1" + "0" * 5000, "is not TOML"),
        ("[fit]\nreference_c = 1" + "0" * 400, "reference_c = 1000.*: expected a number$"),
        ("[table]\nmax_bytes = 1" + "0" * 40, "max_bytes = 1000.*: expected a whole number$"),
        ("[table]\ncounts_per_c = inf", "counts_per_c = inf: expected a number"),
        ("[table]\ncounts_per_c = nan", "counts_per_c = nan: expected a number"),
        ("#" * (2 << 20), "is larger than 1 MiB, so it is no job file"),
    ],
)  # fmt: skip
def test_a_job_that_is_a_bomb_is_one_sentence(tmp_path: Path, more: str, sentence: str) -> None:
    (tmp_path / "log.csv").write_text(LOG)
    assert re.search(sentence, refusal("inspect", job_of(tmp_path, more=more)))


@pytest.mark.parametrize("keys", ["[fit]\nrange_c = [-1e300, 1e300]", "[table]\ncounts_per_c = 1e308"])
def test_codes_beyond_all_integers_are_one_sentence(tmp_path: Path, keys: str) -> None:
    (tmp_path / "log.csv").write_text(LOG)
    assert "counts_per_c" in refusal("build", job_of(tmp_path, run=keys), "--into", tmp_path / "out")


DAMAGE: dict[str, bytes] = {
    "empty": b"", "text": b"hello", "deep": b"[" * DEEP, "list": b"[]", "null": b"null", "object": b"{}",
    "nan": b'{"a": NaN}', "infinity": b'{"entries": [Infinity]}', "bytes": bytes(range(256)), "digits": b"1" * 5000,
    "surrogate": b'{"schema": "\\ud800", "kind": "\\ud800"}',
}  # fmt: skip


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("results")
    (folder / "log.csv").write_text(LOG)
    job = job_of(folder, run="[use]\nneeded_ppb = 100.0")
    assert tcomp("build", job, "--into", folder / "out", "--quiet").exit_code == 0
    return folder


READERS = {
    "clean.parquet": ("fit",), "curve.json": ("table", "export", "judge", "report"), "validation.csv": ("report",),
    "fitted.parquet": ("report",), "table.json": ("export", "prove", "report"), "proof.json": ("report",),
}  # fmt: skip


@pytest.mark.parametrize("damage", DAMAGE)
@pytest.mark.parametrize("file", READERS)
def test_a_damaged_result_is_one_sentence(results: Path, tmp_path: Path, file: str, damage: str) -> None:
    for name in ("job.toml", "log.csv"):  # the same job and log: nothing is stale
        (tmp_path / name).symlink_to(results / name)
    (tmp_path / "out").mkdir()
    for one in (results / "out").iterdir():
        (tmp_path / "out" / one.name).symlink_to(one)
    (tmp_path / "out" / file).unlink()
    (tmp_path / "out" / file).write_bytes(DAMAGE[damage])
    for command in READERS[file]:
        assert file in refusal(command, tmp_path / "job.toml", "--into", tmp_path / "out")


@pytest.mark.parametrize("damage", DAMAGE)
def test_a_damaged_curve_table_or_prior_given_by_name_is_one_sentence(
    results: Path, tmp_path: Path, damage: str
) -> None:
    odd, job = tmp_path / "odd.json", results / "job.toml"
    odd.write_bytes(DAMAGE[damage])
    assert "odd.json" in refusal("check", odd, job)
    assert "odd.json" in refusal("apply", odd, results / "log.csv", "--frequency", "y", "--job", job)
    assert "odd.json" in refusal("fit", job, "--into", results / "out", "--prior", odd)


def parts_of(document: Any, before: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Where each value of a document stands, the first of each list alone."""
    inner = document.items() if isinstance(document, dict) else enumerate(document[:1])
    found: list[tuple[Any, ...]] = []
    for name, value in inner:
        found.append((*before, name))
        found += parts_of(value, (*before, name)) if isinstance(value, dict | list) else []
    return found


@pytest.mark.parametrize("file", ["curve.json", "table.json"])
def test_a_value_of_the_wrong_kind_in_a_result_is_refused_or_harmless(results: Path, tmp_path: Path, file: str) -> None:
    document = json.loads((results / "out" / file).read_text())
    odd, refused = tmp_path / file, 0
    read: Any = read_curve if file == "curve.json" else read_table
    for place in parts_of(document):
        for value in (None, "x", -1, 1e308, float("nan"), [], {}, [1], True, 10**400):
            changed = json.loads(json.dumps(document))
            inner = changed
            for name in place[:-1]:
                inner = inner[name]
            inner[place[-1]] = value
            odd.write_text(json.dumps(changed))
            try:
                found = read(odd)
            except (CurveError, TableError):
                refused += 1
                continue
            if file == "curve.json":
                at_c = np.linspace(found.low_c, found.high_c, 5)
                assert np.isfinite(found.offset_ppb(at_c)).all()
                assert np.isfinite(found.uncertainty_ppb(at_c)).all()
            else:
                assert found.lookup(found.codes).size == found.codes.size
    assert refused > 100


def test_json_that_is_too_deep_or_too_large_is_a_value_error(tmp_path: Path) -> None:
    path = tmp_path / "x.json"
    path.write_bytes(b"[" * DEEP + b"]" * DEEP)
    with pytest.raises(ValueError, match="nested too deeply"):
        read_json(path)
    path.write_bytes(b" " * ((16 << 20) + 1))
    with pytest.raises(ValueError, match="larger than 16 MiB"):
        read_json(path)


def frame_with(column: str, values: Any) -> pd.DataFrame:
    frame = pd.DataFrame({"utc": np.arange(4.0) * 10, "t": [20.0, 21.0, 22.0, 23.0], "y": [1.0, 2.0, 3.0, 4.0]})
    frame[column] = values
    return frame


ODD_COLUMNS: dict[str, Any] = {
    "lists": [[1.0], [2.0], [3.0], []],
    "dictionaries": [{"a": 1}] * 4,
    "bytes": [b"\xff\xfe"] * 4,
    "truths": [True, False, True, False],
    "moments": pd.to_datetime(["2026-01-01", "2026-01-02", "2026-01-03", None]),
    "spans": pd.to_timedelta([1, 2, 3, 4], unit="s"),
    "categories": pd.Categorical(["a", "b", "a", "b"]),
    "text": ["1.0", "x", "", None],
    "large": [2**63, 2**64 - 1, 0, 1],
    "nothing": [None] * 4,
}


@pytest.mark.parametrize("column", ["utc", "t", "y"])
@pytest.mark.parametrize("kind", ODD_COLUMNS)
def test_a_parquet_column_of_any_type_is_read_or_refused(tmp_path: Path, column: str, kind: str) -> None:
    frame_with(column, ODD_COLUMNS[kind]).to_parquet(tmp_path / "log.parquet")
    result = tcomp("inspect", job_of(tmp_path, file="log.parquet"), "--into", tmp_path / "out")
    assert result.exit_code in (0, 2), result.output
    if kind in ("lists", "dictionaries", "bytes", "text") and column != "utc":
        assert result.exit_code == 2
        assert "log.parquet" in result.stderr


@pytest.mark.parametrize("content", [b"", b"PAR1", b"PAR1" + b"\xff" * 200 + b"PAR1", b"hello"])
def test_a_damaged_parquet_file_is_one_sentence(tmp_path: Path, content: bytes) -> None:
    assert "log.parquet" in said_of(tmp_path, content, "log.parquet")


def test_every_refusal_leaves_a_folder_of_results_alone(tmp_path: Path) -> None:
    said_of(tmp_path, b"a" * 1_000_000)
    assert not (tmp_path / "out").exists()


def test_the_limits_are_those_that_the_docs_state() -> None:
    assert (LONGEST_LINE, log_text.LARGEST_LOG) == (128 << 10, 1 << 30)
    text = (Path(__file__).parent.parent / "docs" / "promises.md").read_text(encoding="utf-8")
    assert "128 KiB" in text
    assert "1 GiB" in text


def test_a_read_of_ordinary_text_is_not_changed_by_the_limits(tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_bytes(b"a,b\n" + b"x" * LONGEST_LINE + b"\n")
    assert read_text(tmp_path / "log.csv").line_count == 2
    (tmp_path / "log.csv").write_bytes(b"a,b\n" + b"x" * (LONGEST_LINE + 1) + b"\n")
    with pytest.raises(RunError, match="line 2 has 131073 bytes"):
        read_text(tmp_path / "log.csv")


def test_a_job_is_the_same_with_other_line_ends_and_a_byte_order_mark(tmp_path: Path) -> None:
    job = job_of(tmp_path)
    plain, text = read_job(job), job.read_bytes()
    for end in (b"\r\n", b"\r"):
        job.write_bytes(b"\xef\xbb\xbf" + text.replace(b"\n", end))
        assert read_job(job) == plain
    job.write_bytes(text.replace(b'"gauge"', b'"g\xe4uge"'))
    with pytest.raises(TcompError, match="is not UTF-8 text; save the job file as UTF-8"):
        read_job(job)


def limited(words: list[str]) -> subprocess.CompletedProcess[str]:
    """A command that may have 3 GiB of addresses, as in the test of the gzip bomb."""
    program = "import resource; resource.setrlimit(resource.RLIMIT_AS, (3 << 30, 3 << 30)); from tcomp.cli import main; main()"
    environment = os.environ | {"OPENBLAS_NUM_THREADS": "1"}
    return subprocess.run(
        [sys.executable, "-c", program, *words],
        capture_output=True,
        text=True,
        check=False,
        env=environment,
        timeout=120,
    )


def words_bomb(path: Path, rows: int = 100_000) -> None:
    """One word of 200 kB, used in 100 000 rows: 20 GB of text."""
    word = pyarrow.DictionaryArray.from_arrays(np.zeros(rows, dtype=np.int32), ["1." + "0" * 200_000])
    table = pyarrow.table({"utc": 1.7e9 + np.arange(rows), "t": np.full(rows, 25.0), "y": word})
    pyarrow.parquet.write_table(table, path, store_schema=False)  # so that it is read as plain text


def test_a_parquet_bomb_is_refused_before_it_is_unpacked(tmp_path: Path) -> None:
    words_bomb(tmp_path / "log.parquet")
    assert (tmp_path / "log.parquet").stat().st_size < 1 << 20
    done = limited(["inspect", str(job_of(tmp_path, file="log.parquet")), "--into", str(tmp_path / "out")])
    assert done.returncode == 2, done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert "rows would hold more than 1024 MiB in the columns that are read; split it at a pause" in done.stderr


def test_the_rows_of_a_parquet_file_are_counted_before_any_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # 24 bytes a row; the true limit takes 44 million rows.
    pd.read_csv(io.StringIO(LOG)).to_parquet(tmp_path / "log.parquet")
    job = job_of(tmp_path, file="log.parquet")
    monkeypatch.setattr(log_frames, "LARGEST_LOG", 400 * 24)
    assert tcomp("inspect", job, "--into", tmp_path / "out").exit_code == 0
    monkeypatch.setattr(log_frames, "LARGEST_LOG", 400 * 24 - 1)
    monkeypatch.setattr(log_frames, "_joined", lambda *_: pytest.fail("it was read"))
    assert "its 400 rows would hold more than" in refusal("inspect", job, "--into", tmp_path / "out")


def test_columns_that_are_not_read_may_be_of_any_size_in_parquet(tmp_path: Path) -> None:
    rows = 20_000  # 4 GB of notes, where 3 GiB are allowed
    words_bomb(tmp_path / "big.parquet", rows)
    big = pyarrow.parquet.read_table(tmp_path / "big.parquet", read_dictionary=["y"])
    swept = pyarrow.array(25.0 + 25.0 * np.sin(np.arange(rows) / 1_000.0))
    log = pyarrow.table({"utc": big["utc"], "t": swept, "y": swept, "note": big["y"]})
    pyarrow.parquet.write_table(log, tmp_path / "log.parquet", store_schema=False)
    done = limited(["inspect", str(job_of(tmp_path, file="log.parquet")), "--into", str(tmp_path / "out"), "--json"])
    assert done.returncode == 0, done.stderr


def test_text_and_categories_in_parquet_are_read_as_before(tmp_path: Path) -> None:
    frame = pd.read_csv(io.StringIO(LOG))
    as_text = frame.astype({"t": str, "y": str}).astype({"y": "category"})
    for name, one in (("numbers", frame), ("texts", as_text)):
        one.to_parquet(tmp_path / "log.parquet")
        job = job_of(tmp_path, file="log.parquet")
        assert tcomp("inspect", job, "--into", tmp_path / name).exit_code == 0
    read = [pd.read_parquet(tmp_path / name / "clean.parquet") for name in ("numbers", "texts")]
    pd.testing.assert_frame_equal(*read)


@pytest.mark.parametrize("command", ["build", "export"])
def test_a_pipe_as_a_log_is_refused_before_it_is_read(results: Path, tmp_path: Path, command: str) -> None:
    os.mkfifo(tmp_path / "log.csv")
    shutil.copytree(results / "out", tmp_path / "out")
    said = refusal(command, job_of(tmp_path), "--into", tmp_path / "out")
    assert "log.csv is a pipe or a device, which can be read only once" in said
    assert said.endswith("save it as a file first, and name that")


def test_a_pipe_as_a_log_can_be_inspected(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "log.csv")
    (tmp_path / "saved.csv").write_text(LOG)
    with subprocess.Popen(["sh", "-c", 'cat "$0/saved.csv" > "$0/log.csv"', str(tmp_path)]) as writer:
        try:
            assert tcomp("inspect", job_of(tmp_path), "--into", tmp_path / "out").exit_code == 0
        finally:
            writer.kill()
