"""A full disk, a folder that may not be written, a kill in the middle, two at once: nothing is half-written or mixed."""

from __future__ import annotations

import errno
import json
import multiprocessing
import os
import random
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

import pytest
from hostile_runs import job_of, refusal, sweep_log, tcomp

from tcomp import files, workflow
from tcomp.budget.history import Entry, History, add_entry, read_history
from tcomp.errors import HistoryError, TcompError
from tcomp.files import held, whole_file, write_text
from tcomp.job import read_job

KILLS = 12


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A job and its results, as an undisturbed build leaves them."""
    folder = tmp_path_factory.mktemp("results")
    (folder / "log.csv").write_text(sweep_log())
    job = job_of(folder, run="[use]\nneeded_ppb = 100.0")
    assert tcomp("build", job, "--into", folder / "out", "--quiet").exit_code == 0
    return folder


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


class Full:
    """A file on a disk that becomes full after so many bytes."""

    def __init__(self, file: IO[bytes], room: int) -> None:
        self._file, self._room = file, room

    def __enter__(self) -> Full:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    def write(self, content: bytes) -> int:
        self._file.write(content[: self._room])
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def disk_full_at(monkeypatch: pytest.MonkeyPatch, which: int, room: int) -> None:
    """Let the disk become full in the file that is written as number ``which``."""
    opened = iter(range(10**6))
    real = os.fdopen

    def fdopen(handle: int, mode: str) -> Any:
        file = real(handle, mode)
        return Full(file, room) if next(opened) == which else file

    monkeypatch.setattr(files.os, "fdopen", fdopen)


@pytest.mark.parametrize("room", [0, 7])
@pytest.mark.parametrize(
    ("command", "count"),
    [("inspect", 3), ("fit", 4), ("table", 2), ("export", 5), ("prove", 2), ("judge", 2), ("report", 2)],
)
def test_a_full_disk_leaves_what_was_there(
    results: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: str, count: int, room: int
) -> None:
    out = tmp_path / "out"
    out.mkdir()
    for name, content in contents(results / "out").items():
        (out / name).write_bytes(content)
    before = contents(out)
    for which in range(count):
        with monkeypatch.context() as patch:
            disk_full_at(patch, which, room)
            said = refusal(command, results / "job.toml", "--into", out)
        assert "cannot be written (No space left on device); choose another folder with --into" in said
        assert contents(out) == before
    with monkeypatch.context() as patch:
        disk_full_at(patch, count, room)  # the planted fault was met each time: beyond the last file it is not
        assert tcomp(command, results / "job.toml", "--into", out, "--quiet").exit_code == 0


def test_a_trim_on_a_full_disk_is_not_recorded_and_can_be_given_again(
    results: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("job.toml", "log.csv"):
        (tmp_path / name).write_bytes((results / name).read_bytes())
    shutil.copytree(results / "out", tmp_path / "job.out")
    words = (
        "retrim",
        tmp_path / "job.out",
        "--at",
        "23.5 degC, 20 ppb, 5 ppb",
        "--time",
        "2026-03-01T00:00Z",
        "--accept",
    )
    for which in (0, 1, 4, 6):  # curve, table, firmware, proof
        with monkeypatch.context() as patch:
            disk_full_at(patch, which, 7)
            assert "cannot be written (No space left on device)" in refusal(*words)
        assert read_history(tmp_path / "job.history.csv").entries[1:] == ()
    assert tcomp(*words, "--quiet").exit_code == 0
    once, history = contents(tmp_path / "job.out"), (tmp_path / "job.history.csv").read_bytes()
    (tmp_path / "job.history.csv").unlink()
    shutil.rmtree(tmp_path / "job.out")
    shutil.copytree(results / "out", tmp_path / "job.out")
    assert tcomp(*words, "--quiet").exit_code == 0
    assert contents(tmp_path / "job.out") == once
    assert (tmp_path / "job.history.csv").read_bytes() == history


@pytest.mark.parametrize("command", ["start", "plan", "apply"])
def test_a_single_file_on_a_full_disk_is_one_sentence(
    results: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: str
) -> None:
    (tmp_path / "there").write_text("before")
    words: dict[str, tuple[object, ...]] = {
        "start": ("start", results / "log.csv", "--force", "--into", tmp_path / "there"),
        "plan": ("plan", results / "job.toml", "--after", results / "out", "--csv", tmp_path / "there"),
        "apply": (
            "apply", results / "out" / "curve.json", results / "log.csv", "--job", results / "job.toml", "--frequency", "y",
            "--into", tmp_path / "there",
        ),
    }  # fmt: skip
    disk_full_at(monkeypatch, 0, 7)
    assert "there: cannot be written (No space left on device)" in refusal(*words[command])
    assert contents(tmp_path) == {"there": b"before"}


def test_a_file_larger_than_the_system_allows_is_one_sentence(results: Path, tmp_path: Path) -> None:
    # A real fault in a process of its own: no file may have more than 4 kB (POSIX, setrlimit).
    program = (
        "import resource; resource.setrlimit(resource.RLIMIT_FSIZE, (4096, 4096)); from tcomp.cli import main; main()"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, "inspect", str(results / "job.toml"), "--into", str(tmp_path / "out")],
        capture_output=True, text=True, timeout=60, check=False,
        env={name: value for name, value in os.environ.items() if not name.startswith("COVERAGE")},  # its file is larger
    )  # fmt: skip
    assert done.returncode == 2
    assert done.stderr.splitlines()[-1].endswith(
        "cannot be written (File too large); choose another folder with --into"
    )
    assert not (tmp_path / "out").exists()


def test_a_folder_that_may_not_be_written_is_one_sentence(
    results: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))

    monkeypatch.setattr(files.tempfile, "mkstemp", refuse)  # chmod does not stop an administrator
    assert "(Permission denied); choose another folder" in refusal("inspect", results / "job.toml", "--into", tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_inputs_are_only_read(results: Path, tmp_path: Path) -> None:
    for name in ("log.csv", "job.toml"):
        (tmp_path / name).write_bytes((results / name).read_bytes())
        (tmp_path / name).chmod(0o444)
    before = {path: (path.read_bytes(), path.stat().st_mtime_ns) for path in tmp_path.iterdir()}
    assert tcomp("build", tmp_path / "job.toml", "--into", tmp_path / "out", "--quiet").exit_code == 0
    assert {path: (path.read_bytes(), path.stat().st_mtime_ns) for path in before} == before


def test_results_may_be_read_only(results: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    for name, content in contents(results / "out").items():
        (out / name).write_bytes(content)
        (out / name).chmod(0o444)
    assert tcomp("export", results / "job.toml", "--into", out, "--quiet").exit_code == 0
    assert contents(out) == contents(results / "out")


def killed_at(job: Path, out: Path, journal: Path, which: int, moment: str) -> None:
    """Build, and end as by a power cut while the file of that number is written: at its beginning, middle or end.

    The journal has a line when the writing of a file begins, and one when the file has its name.
    """
    written = iter(range(10**6))
    real = whole_file
    lines = os.open(journal, os.O_WRONLY | os.O_CREAT | os.O_APPEND)

    def note(what: str, path: Path) -> None:
        os.write(lines, f"{what} {path.name}\n".encode())

    def end() -> None:
        os.kill(os.getpid(), signal.SIGKILL)

    @contextmanager
    def cut(path: Path, **keys: Any) -> Iterator[Any]:
        mine = next(written) == which
        note("killed" if mine and moment != "after" else "begun", path)
        with real(path, **keys) as file:
            if mine and moment == "beginning":
                end()
            yield Cut(file, end) if mine and moment == "middle" else file
            if mine and moment == "end":
                end()
        note("named", path)
        if mine:
            end()

    files.whole_file = cut
    workflow.build(read_job(job), out)


class Cut:
    """A file in which half of the content arrives."""

    def __init__(self, file: IO[bytes], end: Callable[[], None]) -> None:
        self._file, self._end = file, end

    def write(self, content: bytes) -> None:
        self._file.write(content[: len(content) // 2])
        self._file.flush()
        self._end()


def test_a_kill_in_the_middle_leaves_every_output_whole_or_absent(results: Path, tmp_path: Path) -> None:
    whole = contents(results / "out")
    records = json.loads(whole["made_from.json"])["files"]
    writes = len(whole) - 1 + len(records)  # made_from.json is written again for each stage
    context = multiprocessing.get_context("forkserver")  # children that need not load the libraries anew
    context.set_forkserver_preload(["tcomp.workflow", "tcomp.logs.log_file", "pandas", "sklearn", "pyarrow.parquet"])
    draw = random.Random(8)
    left = set()
    for kill in range(KILLS):
        out, journal = tmp_path / str(kill), tmp_path / f"{kill}.txt"
        which, moment = draw.randrange(writes), draw.choice(["beginning", "middle", "end", "after"])
        child = context.Process(target=killed_at, args=(results / "job.toml", out, journal, which, moment))
        child.start()
        child.join(60)
        assert child.exitcode == -signal.SIGKILL, (which, moment)
        found = {name: content for name, content in contents(out).items() if not name.startswith(".")}
        lines = [line.split() for line in journal.read_text().splitlines()]
        named = {name for what, name in lines if what == "named"}
        # Proof and verdict are written by two threads: a file of the other one may have its name and no line yet.
        assert named <= found.keys() <= named | {name for what, name in lines if what == "begun"}, (which, moment)
        made_from = json.loads(found.pop("made_from.json", b'{"files": {}}'))["files"]
        assert made_from.items() <= records.items(), (which, moment)
        assert found == {name: whole[name] for name in found}, (which, moment)
        left.add(len(found))
    assert len(left) > 4  # kills early and late
    # What a kill leaves of hidden files is in nobody's way.
    assert tcomp("build", results / "job.toml", "--into", out, "--quiet").exit_code == 0
    assert contents(out).items() >= whole.items()


def test_two_builds_into_one_folder_do_not_mix(results: Path, tmp_path: Path) -> None:
    with held(tmp_path / "out"):
        said = refusal("build", results / "job.toml", "--into", tmp_path / "out")
        assert "another tcomp is at work in this folder; wait for it, or choose another folder with --into" in said
        assert list((tmp_path / "out").iterdir()) == []
    assert not (tmp_path / "out").exists()
    command = [
        sys.executable,
        "-m",
        "tcomp",
        "build",
        str(results / "job.toml"),
        "--into",
        str(tmp_path / "out"),
        "--json",
    ]
    both = [subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) for _ in range(2)]
    ends = [(one.communicate(timeout=120), one.returncode) for one in both]
    assert sorted(code for _, code in ends) in ([0, 0], [0, 2])  # one after the other, or one refused
    for (stdout, stderr), code in ends:
        assert "Traceback" not in stderr
        assert code == 0 or "another tcomp is at work" in stderr
        assert code == 2 or json.loads(stdout)
    assert contents(tmp_path / "out") == contents(results / "out")


@pytest.mark.parametrize("command", ["inspect", "fit", "table", "export", "prove", "judge", "report"])
def test_a_stage_keeps_out_of_a_folder_that_is_being_built(results: Path, command: str) -> None:
    before = contents(results / "out")
    with held(results / "out"):
        said = refusal(command, results / "job.toml", "--into", results / "out")
    assert "another tcomp is at work in this folder" in said
    assert contents(results / "out") == before


def test_a_folder_that_is_taken_away_meanwhile_is_told(results: Path, tmp_path: Path) -> None:
    def notify(text: str) -> None:
        if text.startswith("table"):
            shutil.rmtree(tmp_path / "out")

    with pytest.raises(TcompError, match="is not there yet"):
        workflow.build(read_job(results / "job.toml"), tmp_path / "out", notify=notify)

    def late(taken: Callable[[Path], object]) -> None:
        with held(tmp_path / "out"):
            taken(tmp_path / "out")
            write_text(tmp_path / "out" / "x", "late")

    for taken in (shutil.rmtree, lambda folder: folder.rename(tmp_path / "other")):
        (tmp_path / "out").mkdir(exist_ok=True)
        with pytest.raises(TcompError, match="was taken away while results were written into it"):
            late(taken)


def test_what_a_kill_left_is_tidied_and_what_is_being_written_is_not(tmp_path: Path) -> None:
    for name in (".curve.json.a1b2c3d4.tcomp", ".mine", "mine.tcomp"):
        (tmp_path / name).write_text("x")
    with whole_file(tmp_path / "table.json") as file:
        with held(tmp_path):
            left = {path.name for path in tmp_path.iterdir()}
        file.write(b"whole")
    assert {".mine", "mine.tcomp"} < left
    assert len(left) == 3, "the one that is being written, and no other"
    assert contents(tmp_path) == {".mine": b"x", "mine.tcomp": b"x", "table.json": b"whole"}


def test_a_file_is_on_the_disk_before_it_takes_its_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[str] = []
    sync, replace = os.fsync, Path.replace
    monkeypatch.setattr(files.os, "fsync", lambda handle: (sync(handle), seen.append(f"{os.fstat(handle).st_size}")))
    monkeypatch.setattr(Path, "replace", lambda path, target: (replace(path, target), seen.append("named")))
    write_text(tmp_path / "x", "whole")
    assert seen == ["5", "named"]
    write_text(tmp_path / "x", "a view", lasting=False)
    assert seen == ["5", "named", "named"]


@pytest.mark.parametrize(("number", "kept"), [(errno.EIO, False), (errno.ENOSPC, False), (errno.EINVAL, True)])
def test_a_disk_that_loses_what_it_took_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int, kept: bool
) -> None:
    def fail(_: int) -> None:
        raise OSError(number, os.strerror(number))

    (tmp_path / "x").write_text("before")
    monkeypatch.setattr(files.os, "fsync", fail)
    if kept:  # a file system that cannot sync, fsync(2)
        write_text(tmp_path / "x", "after")
    else:
        with pytest.raises(TcompError, match="cannot be written"):
            write_text(tmp_path / "x", "after")
    assert contents(tmp_path) == {"x": b"after" if kept else b"before"}


def test_a_name_as_long_as_the_system_allows_is_written(tmp_path: Path) -> None:
    name = "n" * 250 + ".svg"  # NAME_MAX is 255 (POSIX, limits.h, as Linux has it)
    assert write_text(tmp_path / name, "x").read_text() == "x"


def test_a_folder_is_let_go_of_after_an_error(tmp_path: Path) -> None:
    with pytest.raises(RuntimeError), held(tmp_path / "a" / "out"):
        raise RuntimeError
    with held(tmp_path / "a" / "out"):
        write_text(tmp_path / "a" / "out" / "x", "kept")
    assert (tmp_path / "a" / "out" / "x").read_text() == "kept"


def test_a_history_on_a_full_disk_keeps_its_entries(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "x.history.csv"
    first = Entry(1_772_630_400.0, "runs", 23.5, 25.0, 120.0, 5.0, 119.5, 4.9)
    second = Entry(1_772_630_500.0, "trim", 23.5, 25.0, 120.0, 5.0, 119.5, 4.9)
    history = add_entry(History(path, (), ()), first)
    real = Path.open

    def full(self: Path, mode: str = "r", **keys: Any) -> Any:
        file = real(self, mode, **keys)
        return Full(file, 9) if mode == "ab" else file

    with monkeypatch.context() as patch:
        patch.setattr(Path, "open", full)
        with pytest.raises(HistoryError, match=r"No space left on device.*the point is not recorded"):
            add_entry(history, second)
    half = read_history(path)
    assert half.entries == (first,)
    assert "half written" in half.remarks[0]
    assert read_history(add_entry(half, second).path).entries == (first, second)


def test_no_hidden_file_is_left_by_an_error(tmp_path: Path) -> None:
    def half() -> None:
        with whole_file(tmp_path / "x") as file:
            file.write(b"half")
            raise TcompError("a fault of the one who writes")

    with pytest.raises(TcompError):
        half()
    assert list(tmp_path.iterdir()) == []
