"""Sources over real transports: pseudo-terminals, VISA (simulated and a raw socket), another program, a file that grows."""

from __future__ import annotations

import sys
import threading
import time
from pathlib import Path

import pandas as pd
import pytest
from bench_instruments import PtyBoard, TcpInstrument, board, job_text

from tcomp.bench.session import Session, SessionOptions
from tcomp.documents.log import LogDocument
from tcomp.errors import BenchError
from tcomp.job import read_job


def logged(folder: Path, text: str, for_s: float = 0.6) -> tuple[LogDocument, pd.DataFrame]:
    """Run a job for a time; what it left."""
    path = folder / "job.toml"
    path.write_text(text)
    session = Session(read_job(path, runs_needed=False), SessionOptions(for_s), ())
    outcome = session.run()
    return outcome, pd.read_csv(session.layout.path, comment="#")


def test_a_board_at_a_serial_port_is_logged_with_all_its_digits(tmp_path: Path) -> None:
    port = PtyBoard(tmp_path / "port", lambda _: b"21.3125,12800001.2345\r\n")
    outcome, rows = logged(tmp_path, job_text(board(port.link)))
    port.unplug()
    assert outcome.held
    assert len(rows) > 20
    assert set(rows["temperature_c"]) == {21.3125}
    assert set(rows["frequency_hz"]) == {12800001.2345}
    assert pd.to_datetime(rows["utc"]).is_monotonic_increasing


def test_a_board_that_wants_to_be_asked_is_asked_at_its_period(tmp_path: Path) -> None:
    port = PtyBoard(
        tmp_path / "port", lambda line: b"T=21.5;F=12.8000012 MHz\n" if line == "READ" else None, asked=True
    )
    more = 'ask = "READ"\nperiod_s = 0.1\nfields = ["T", "F"]\nstart = ["HELLO"]'
    outcome, rows = logged(tmp_path, job_text(board(port.link, more)), 0.75)
    port.unplug()
    assert port.heard[0] == "HELLO"
    assert 6 <= len(rows) <= 9
    assert set(rows["frequency_hz"]) == {12800001.2}
    assert outcome.faults == {}


def test_instruments_by_visa_are_asked_with_the_users_own_commands(tmp_path: Path) -> None:
    (tmp_path / "bench.yaml").write_text("""
spec: "1.1"
devices:
  meter:
    eom:
      GPIB INSTR: {q: "\\n", r: "\\n"}
    dialogues:
      - {q: "TELL FREQ", r: "+1.28000012E+07"}
resources:
  GPIB0::8::INSTR: {device: meter}
""")
    socket = TcpInstrument(lambda line: "T 21.5 degC" if line == "HOW WARM" else None)
    sources = f"""
[[source]]
name = "counter"
kind = "visa"
resource = "GPIB0::8::INSTR"
library = "{tmp_path / "bench.yaml"}@sim"
gives = "frequency"
ask = "TELL FREQ"
period_s = 0.05
[[source]]
name = "probe"
kind = "visa"
resource = "{socket.resource}"
gives = "temperature"
pattern = "T ([0-9.]+) degC"
ask = "HOW WARM"
period_s = 0.02
"""
    outcome, rows = logged(tmp_path, job_text(sources), 1.0)
    socket.close()
    assert outcome.faults == {}
    assert len(rows) > 5
    assert set(rows["frequency_hz"]) == {12800001.2}
    assert set(rows.loc[rows["temperature_c_how"] != "none", "temperature_c"]) == {21.5}
    assert "interpolated" in set(rows["temperature_c_how"])


def test_lines_of_a_program_and_of_a_growing_file_are_joined_on_arrival(tmp_path: Path) -> None:
    """The temperature is the line of its own time, so that what was interpolated can be held against it."""
    grows = tmp_path / "probe.txt"
    grows.write_text("an older line\n")
    (tmp_path / "counter.py").write_text(
        "import time\nwhile True:\n    print('osc', 12800000 + 1, flush=True)\n    time.sleep(0.03)\n"
    )
    stop = threading.Event()
    began_s = time.time()

    def grow() -> None:
        with grows.open("a") as file:
            while not stop.wait(0.05):
                file.write(f"{20 + time.time() - began_s:.4f}\n")
                file.flush()

    thread = threading.Thread(target=grow)
    thread.start()
    sources = f"""
[[source]]
name = "counter"
kind = "command"
command = ["{sys.executable}", "counter.py"]
gives = ["frequency"]
fields = [2]
[[source]]
name = "probe"
kind = "file"
file = "probe.txt"
gives = ["temperature"]
"""
    outcome, rows = logged(tmp_path, job_text(sources), 1.2)
    stop.set()
    thread.join()
    assert outcome.faults == {}
    inside = rows[rows["temperature_c_how"] == "interpolated"]
    assert len(inside) > 10
    at_s = pd.to_datetime(inside["utc"]).astype("datetime64[us, UTC]").astype("int64") / 1e6
    behind_s = at_s - began_s - (inside["temperature_c"] - 20.0)
    # The file is looked at every 50 ms, and this machine may be busy.
    assert behind_s.abs().median() < 0.15


def test_a_line_that_was_begun_before_the_file_was_opened_is_read_whole(tmp_path: Path) -> None:
    grows = tmp_path / "board.txt"
    grows.write_text("20.0,12800009\n21.5,1280")
    source = '[[source]]\nname = "b"\nkind = "file"\nfile = "board.txt"\ngives = ["temperature", "frequency"]\n'

    def finish() -> None:
        with grows.open("a") as file:
            file.write("0001.25\n")

    threading.Timer(0.3, finish).start()
    _, rows = logged(tmp_path, job_text(source))
    assert rows[["temperature_c", "frequency_hz"]].to_numpy().tolist() == [[21.5, 12800001.25]]


def test_an_answer_that_came_too_late_is_not_taken_for_the_next_ones(tmp_path: Path) -> None:
    """The instrument answers what it was asked for the n-th time with n; the fifth takes six times the time allowed."""
    asked: list[float] = []

    def answer(_: str) -> str:
        asked.append(time.monotonic())
        if len(asked) == 5:
            time.sleep(0.6)
        return f"21.5,{12_800_000 + len(asked)}"

    instrument = TcpInstrument(answer)
    source = f"""
[[source]]
name = "board"
kind = "visa"
resource = "{instrument.resource}"
gives = ["temperature", "frequency"]
ask = "?"
period_s = 0.2
timeout_s = 0.1
"""
    outcome, rows = logged(tmp_path, job_text(source), 2.2)
    instrument.close()
    assert outcome.faults["silent"] >= 1
    last = rows["frequency_hz"].to_numpy() - 12_800_000
    stamps_s = pd.to_datetime(rows["utc"]).astype("datetime64[us, UTC]").astype("int64").to_numpy() / 1e6
    # In step again: the last answers came right after their own questions, not one period later.
    offset_s = time.time() - time.monotonic()
    assert abs(stamps_s[-1] - (asked[int(last[-1]) - 1] + offset_s)) < 0.15
    assert (last[1:] > last[:-1]).all()


def test_an_instrument_that_breaks_off_does_not_take_others_with_it(tmp_path: Path) -> None:
    breaks = iter([False] * 5 + [True])

    def answer(_: str) -> str:
        if next(breaks, False):
            raise ConnectionResetError
        return "21.5"

    probe, counter = TcpInstrument(answer), TcpInstrument(lambda _: "12800001.25")
    sources = "".join(
        f'[[source]]\nname = "{name}"\nkind = "visa"\nresource = "{one.resource}"\ngives = "{gives}"\nask = "?"\nperiod_s = 0.05\n'
        "timeout_s = 0.2\n"
        for name, one, gives in (("probe", probe, "temperature"), ("counter", counter, "frequency"))
    )
    path = tmp_path / "job.toml"
    path.write_text(job_text(sources))
    session = Session(read_job(path, runs_needed=False), SessionOptions(4.0), ())
    session.run()
    probe.close()
    counter.close()
    assert session.monitor.sources["probe"].faults["back"] == 1
    assert not session.monitor.sources["probe"].gone
    assert session.monitor.sources["counter"].faults == {}
    assert session.monitor.sources["counter"].count > 50


def test_each_sample_of_several_sources_stands_in_the_file_as_it_came(tmp_path: Path) -> None:
    probe = PtyBoard(tmp_path / "probe", lambda _: b"21.5\n", 0.05)
    counter = PtyBoard(tmp_path / "counter", lambda _: b"12800001.5\n", 0.03)
    sources = "".join(
        f'[[source]]\nname = "{name}"\nkind = "serial"\nport = "{port.link}"\ngives = "{gives}"\n'
        for name, port, gives in (("probe", probe, "temperature"), ("counter", counter, "frequency"))
    )
    _, rows = logged(tmp_path, job_text(sources))
    probe.unplug()
    counter.unplug()
    lines = (tmp_path / "job.log.csv").read_text().splitlines()
    assert sum(line.startswith("#. ") and "counter frequency=12800001.5" in line for line in lines) == len(rows)
    assert any("probe temperature=21.5" in line for line in lines)


def test_a_missing_port_is_told_with_those_that_are_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from serial.tools import list_ports, list_ports_common

    there = [list_ports_common.ListPortInfo("/dev/ttyS7", skip_link_detection=True)]
    monkeypatch.setattr(list_ports, "comports", lambda: there)
    with pytest.raises(
        BenchError, match=r"source board: port /dev/none: there is no such port; available ports: /dev/ttyS7"
    ):
        logged(tmp_path, job_text(board(Path("/dev/none"))))
    assert not (tmp_path / "job.log.csv").exists()


def test_a_port_without_permission_names_the_group_that_helps(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import serial

    def refuse(*_: object, **__: object) -> None:
        raise serial.SerialException(13, "could not open port /dev/x: [Errno 13] Permission denied: '/dev/x'")

    monkeypatch.setattr(serial, "Serial", refuse)
    with pytest.raises(BenchError, match="no permission; on Linux the group 'dialout'"):
        logged(tmp_path, job_text(board(Path("/dev/x"))))


def test_a_port_that_another_program_has_is_told(tmp_path: Path) -> None:
    import serial

    port = PtyBoard(tmp_path / "port", lambda _: b"21.3,12800001\n")
    with (
        serial.Serial(str(port.link), exclusive=True),
        pytest.raises(BenchError, match="another program has it open"),
    ):
        logged(tmp_path, job_text(board(port.link)))
    port.unplug()


def test_a_source_that_does_not_answer_is_told_and_nothing_is_written(tmp_path: Path) -> None:
    port = PtyBoard(tmp_path / "port", lambda _: None)
    with pytest.raises(
        BenchError, match=r"source board: port .*: nothing answers within 0.2 s; does it want to be asked"
    ):
        logged(tmp_path, job_text(board(port.link, "timeout_s = 0.2")))
    port.unplug()
    assert not (tmp_path / "job.log.csv").exists()


def test_a_wrong_baud_rate_is_told_by_the_look_of_the_bytes(tmp_path: Path) -> None:
    """What 9600 baud looks like at 19200: each bit twice, so that bytes of mostly high and odd values come; invented."""
    port = PtyBoard(tmp_path / "port", lambda _: bytes([0x18, 0xE0, 0x66, 0x80, 0xF8, 0x9E, 0x0A, 0xFE]))
    with pytest.raises(BenchError, match=r"bytes are not text: the baud rate is probably wrong"):
        logged(tmp_path, job_text(board(port.link, "timeout_s = 0.3")))
    port.unplug()


def test_a_pattern_that_matches_nothing_shows_the_line(tmp_path: Path) -> None:
    port = PtyBoard(tmp_path / "port", lambda _: b"temp 21.3 freq 12800001\n")
    more = "pattern = 'T=([0-9.]+) F=([0-9.]+)'"
    with pytest.raises(BenchError, match=r"the pattern .* does not match the line 'temp 21.3 freq 12800001'"):
        logged(tmp_path, job_text(board(port.link, more)))
    port.unplug()


def test_a_program_that_is_not_there_and_one_that_ends_are_told(tmp_path: Path) -> None:
    source = '[[source]]\nname = "board"\nkind = "command"\ncommand = ["{}"]\ngives = ["temperature", "frequency"]\n'
    with pytest.raises(BenchError, match="program no-such-program: cannot be started"):
        logged(tmp_path, job_text(source.format("no-such-program")))
    with pytest.raises(BenchError, match="program true has ended, with exit code 0"):
        logged(tmp_path, job_text(source.format("true") + "timeout_s = 0.1\n"))


def test_an_instrument_that_is_not_there_is_told(tmp_path: Path) -> None:
    source = (
        '[[source]]\nname = "board"\nkind = "visa"\nresource = "TCPIP::127.0.0.1::9::SOCKET"\nask = "?"\n'
        'gives = ["temperature", "frequency"]\n'
    )
    with pytest.raises(BenchError, match=r"source board: instrument TCPIP::127.0.0.1::9::SOCKET .*check resource"):
        logged(tmp_path, job_text(source))


@pytest.mark.parametrize(
    ("module", "kind"), [("serial", 'kind = "serial"\nport = "x"'), ("pyvisa", 'kind = "visa"\nresource = "x"')]
)
def test_a_library_that_is_not_installed_is_told_with_the_command(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, module: str, kind: str
) -> None:
    monkeypatch.setitem(sys.modules, module, None)
    with pytest.raises(BenchError, match=r"pip install (pyserial|pyvisa pyvisa-py)$"):
        logged(tmp_path, job_text(f'[[source]]\nname = "a"\n{kind}\ngives = ["temperature", "frequency"]\n'))
