"""How a command ends when nobody reads, nothing can be printed, or Ctrl-C is pressed: one sentence, and the shell's codes."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from hostile_runs import job_of, refusal, sweep_log, tcomp

from tcomp import __main__, workflow

FULL = Path("/dev/full")
"""Takes nothing: a write to it fails as on a full disk (Linux, full(4))."""
needs_full = pytest.mark.skipif(not FULL.exists(), reason="there is no /dev/full")


def job_in(folder: Path) -> Path:
    (folder / "log.csv").write_text(sweep_log())
    return job_of(folder)


def begun(*words: object, **streams: Any) -> subprocess.Popen[str]:
    given = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE} | streams
    signal.signal(
        signal.SIGINT, signal.default_int_handler
    )  # nohup and a shell's & leave it ignored, for us and our children
    return subprocess.Popen([sys.executable, "-m", "tcomp", *map(str, words)], text=True, **given)


def ended(process: subprocess.Popen[str]) -> tuple[int, str]:
    """Exit code, and what was said."""
    said = process.communicate(timeout=120)[1]
    return process.returncode, said


def test_ctrl_c_in_a_build_is_one_sentence_and_130(tmp_path: Path) -> None:
    process = begun("build", job_in(tmp_path), "--into", tmp_path / "out", "--quiet")
    while not (tmp_path / "out" / "clean.parquet").exists():
        assert process.poll() is None
        time.sleep(0.01)
    process.send_signal(signal.SIGINT)
    code, said = ended(process)
    assert code in (130, -signal.SIGINT)  # a shell tells both as 130 (POSIX, Shell & Utilities, 2.8.2)
    assert said == "Stopped: each file is there whole, or as it was; the same command begins anew\n"
    assert not list((tmp_path / "out").glob(".*"))


def test_ctrl_c_anywhere_in_a_command_is_one_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def stop(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(workflow, "build", stop)
    result = tcomp("build", job_in(tmp_path))
    assert result.exit_code == 130
    assert result.output.startswith("Stopped: ")
    assert len(result.output.splitlines()) == 1


def test_ctrl_c_while_the_program_loads_is_one_sentence(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    class Loading(ModuleType):
        def __getattr__(self, _: str) -> Any:
            raise KeyboardInterrupt

    monkeypatch.setitem(sys.modules, "tcomp.cli", Loading("tcomp.cli"))
    with pytest.raises(SystemExit) as end:
        __main__.run()
    assert end.value.code == 130
    assert capsys.readouterr().err == "Stopped: nothing was begun\n"


def test_a_lot_that_is_stopped_says_one_sentence_and_leaves_nobody_at_work(tmp_path: Path) -> None:
    from lots import JOB, LOT, log_text

    (tmp_path / "logs").mkdir()
    for unit in range(9):
        (tmp_path / "logs" / f"{unit}.csv").write_text(log_text(unit))
    (tmp_path / "lot.toml").write_text(LOT + JOB)
    process = begun("lot", tmp_path / "lot.toml", "--into", tmp_path / "out", "--workers", 2, start_new_session=True)
    while not list((tmp_path / "out").glob("*/unit.json")):
        assert process.poll() is None
        time.sleep(0.01)
    os.killpg(process.pid, signal.SIGINT)  # as a terminal does: its workers get it too
    code, said = ended(process)
    assert code in (130, -signal.SIGINT)
    assert "Traceback" not in said
    assert said.splitlines()[-1].endswith("of 9 units are done and kept; run the same command again to go on")
    assert said.count("Stopped: ") == 1
    gone(process.pid)


def gone(group: int) -> None:
    """Wait until nothing of a process group is there any more."""
    until_s = time.monotonic() + 20.0  # workers look five times a second, on a machine that may be busy
    while time.monotonic() < until_s:
        try:
            os.killpg(group, 0)
        except ProcessLookupError:
            return
        time.sleep(0.05)
    pytest.fail("somebody is still at work")


@needs_full
@pytest.mark.parametrize("words", [("--help",), ("--version",), ("build", "--help"), ("build", "--explain")])
def test_what_cannot_be_printed_is_one_sentence(words: tuple[str, ...]) -> None:
    with FULL.open("w") as full:
        code, said = ended(begun(*words, stdout=full))
    assert code == 2
    assert said == (
        "Error: what is printed, or a temporary file, cannot be written (No space left on device); make room, or print and "
        "keep files (TMPDIR) elsewhere\n"
    )


@needs_full
def test_results_are_kept_although_they_cannot_be_printed(tmp_path: Path) -> None:
    with FULL.open("w") as full:
        code, said = ended(begun("inspect", job_in(tmp_path), "--into", tmp_path / "out", "--quiet", stdout=full))
    assert code == 2
    assert said.startswith("Error: what is printed")
    assert (tmp_path / "out" / "clean.parquet").exists()


@needs_full
def test_remarks_that_cannot_be_written_stop_no_work(tmp_path: Path) -> None:
    with FULL.open("w") as full:
        process = begun("inspect", job_in(tmp_path), "--into", tmp_path / "out", stderr=full)
        shown = process.communicate(timeout=120)[0]
    assert process.returncode == 0
    assert "samples" in shown


@pytest.mark.parametrize("command", ["build", "inspect", "fit", "plan", "lot", "retrim"])
def test_a_name_that_is_too_long_for_the_system_is_one_sentence(tmp_path: Path, command: str) -> None:
    job = job_in(tmp_path)
    for words in ((command, tmp_path / ("n" * 300)), (command, job, "--into", tmp_path / ("n" * 300) / "out")):
        result = tcomp(*words)
        assert result.exit_code == 2
        assert len([line for line in result.stderr.splitlines() if line.startswith("Error: ")]) == 1
    assert not [path for path in tmp_path.iterdir() if path.name.startswith("n")]


def test_a_folder_that_may_not_be_looked_into_is_one_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # No mode of a folder stops an administrator, as whom tests may run.
    job, looked = job_in(tmp_path), Path.is_file

    def refuse(path: Path) -> bool:
        if path.parent.name == "secret":
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(path))
        return looked(path)

    monkeypatch.setattr(Path, "is_file", refuse)
    said = refusal("table", job, "--into", tmp_path / "secret")
    assert said == f"{tmp_path / 'secret' / 'clean.parquet'}: cannot be used (Permission denied); give another path"


@pytest.mark.parametrize("words", [("build", "--explain"), ("--help",)])
def test_a_reader_that_leaves_is_no_fault(words: tuple[str, ...]) -> None:
    reader, writer = os.pipe()
    os.close(reader)
    code, said = ended(begun(*words, stdout=writer))
    os.close(writer)
    assert said == ""
    assert code in (141, 1)  # 128 + SIGPIPE, as a shell tells; click itself takes 1 for what it prints


@pytest.mark.parametrize("unbuffered", ["", "1"])
def test_a_corrected_log_stops_when_its_reader_leaves(tmp_path: Path, unbuffered: str) -> None:
    from plain_curve import plain_curve

    from tcomp.estimation.curve import curve_text

    (tmp_path / "curve.json").write_text(curve_text(plain_curve()))
    (tmp_path / "log.csv").write_text(
        "utc,t,f\n" + "".join(f"{1_700_000_000 + i},25,10000000.000\n" for i in range(200_000))
    )
    job = tmp_path / "job.toml"
    job.write_text(
        '[oscillator]\nname = "x"\nnominal_hz = 10_000_000\n'
        '[[run]]\nfile = "log.csv"\ntime = "utc"\ntemperature = "t"\nfrequency = "f"\n'
    )
    words = ("apply", tmp_path / "curve.json", tmp_path / "log.csv", "--frequency", "f", "--job", job, "--into", "-",
             "--quiet")  # fmt: skip
    with begun(*words, env=os.environ | {"PYTHONUNBUFFERED": unbuffered}) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        assert process.stdout.readline().startswith("utc,t,f,")
        process.stdout.close()
        assert process.stderr.read() == ""
    assert process.returncode == 141


def test_a_pipe_and_a_device_are_written_into_and_never_replaced(tmp_path: Path) -> None:
    from tcomp.files import is_stream, write_text

    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    reader = subprocess.Popen(["cat", pipe], stdout=subprocess.PIPE, text=True)
    write_text(pipe, "through")
    assert reader.communicate(timeout=20)[0] == "through"
    assert pipe.is_fifo()
    assert all(is_stream(Path(name)) for name in ("/dev/null", "/dev/stdout") if Path(name).exists())
    assert not is_stream(tmp_path)
    assert not is_stream(tmp_path / "none")
