"""What becomes of a source whose file, program or port goes away, is replaced, or was never there."""

from __future__ import annotations

import contextlib
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, get_args, get_type_hints

import pytest
from bench_instruments import PATIENCE_S, TcpInstrument

from tcomp.bench.instruments import LineSource, Reading
from tcomp.bench.links import LINKS, link_from_job
from tcomp.bench.links.file import FileLink
from tcomp.bench.links.link import MAX_LINE, ByteLink, GoneError
from tcomp.bench.links.program import CHUNK, MAX_CHUNKS, ProgramLink
from tcomp.bench.links.serial import SerialLine, SerialLink, why_not_opened
from tcomp.bench.links.visa import VisaLink
from tcomp.errors import BenchError
from tcomp.job import Controller, Source

SOON_S = 0.3


@pytest.fixture
def file(tmp_path: Path) -> Iterator[tuple[Path, FileLink]]:
    path = tmp_path / "board.log"
    path.write_text("old 1\nold 2\nhal")
    link = FileLink(path)
    link.open()
    yield path, link
    link.close()


def add(path: Path, text: str) -> None:
    with path.open("a") as out:
        out.write(text)


def test_a_file_is_read_from_the_beginning_of_its_last_line(file: tuple[Path, FileLink]) -> None:
    path, link = file
    assert link.receive(0.0) is None
    assert link.unfinished == b"hal"
    add(path, "f\nnew\n")
    assert [link.receive(SOON_S), link.receive(SOON_S), link.receive(0.0)] == [b"half", b"new", None]


def test_a_file_that_is_replaced_is_read_from_its_beginning(file: tuple[Path, FileLink]) -> None:
    path, link = file
    assert link.receive(0.0) is None
    (path.parent / "next").write_text("1\n2\n")
    (path.parent / "next").replace(path)
    assert [link.receive(SOON_S), link.receive(SOON_S)] == [b"1", b"2"]


def test_a_file_that_is_cut_is_read_from_its_beginning(file: tuple[Path, FileLink]) -> None:
    path, link = file
    assert link.receive(0.0) is None
    path.write_text("1\n")
    assert link.receive(SOON_S) == b"1"


def test_a_file_that_is_taken_away_is_gone(file: tuple[Path, FileLink]) -> None:
    path, link = file
    path.unlink()
    with pytest.raises(GoneError, match=r"board.log is gone"):
        link.receive(SOON_S)
    with pytest.raises(BenchError, match=r"board.log: cannot be read \(No such file or directory\); check file"):
        link.open()
    link.close()
    with pytest.raises(GoneError, match="is closed"):
        link.receive(0.0)
    with pytest.raises(GoneError, match="takes no lines"):
        link.send("READ")


def test_a_line_without_end_is_handed_on_before_it_fills_the_memory(file: tuple[Path, FileLink]) -> None:
    path, link = file
    add(path, "x" * (MAX_LINE + 1))
    assert link.receive(SOON_S) == b"hal" + b"x" * (MAX_LINE + 1)
    assert link.unfinished == b""


def test_what_came_before_it_was_asked_for_is_counted_and_forgotten(file: tuple[Path, FileLink]) -> None:
    path, link = file
    add(path, "f\nnew\nrest")
    assert link.drain() == len("half" + "new" + "rest")
    assert link.receive(0.0) is None


def test_a_program_that_has_ended_or_was_not_begun_is_gone(tmp_path: Path) -> None:
    link = ProgramLink((sys.executable, "-c", "print('last'); raise SystemExit(3)"), tmp_path)
    with pytest.raises(GoneError, match="is not running"):
        link.receive(0.0)
    with pytest.raises(GoneError, match="is not running"):
        link.send("READ")
    link.open()
    assert link.receive(20.0) == b"last"
    with pytest.raises(GoneError, match="has ended, with exit code 3"):
        link.receive(20.0)
    with pytest.raises(GoneError, match="takes no lines any more"):
        link.send("READ")
    link.close()
    with pytest.raises(BenchError, match="cannot be started"):
        ProgramLink((str(tmp_path / "none"),), tmp_path).open()


def test_a_program_that_says_more_than_is_received_is_held_up_and_ended(tmp_path: Path) -> None:
    said = tmp_path / "said.txt"
    flood = f"""
while True:
    print("x" * 999, flush=True)
    open({str(said)!r}, "a").write(".")
"""
    link = ProgramLink((sys.executable, "-c", flood), tmp_path)
    link.open()
    assert link.receive(20.0) == b"x" * 999
    sizes = [-1, 0]
    while sizes[-2] != sizes[-1]:  # until it stands still
        time.sleep(0.5)
        sizes.append(said.stat().st_size)
    # No more than the chunks that wait, each up to CHUNK bytes, the one in hand, and a pipe of 64 KiB (pipe(7)).
    assert 0 < sizes[-1] * 1000 < (MAX_CHUNKS + 2) * CHUNK + 65_536
    assert link.receive(0.0) == b"x" * 999
    link.close()
    for one in threading.enumerate():
        if one.name == link.description:
            one.join(5.0)
    assert link.description not in {one.name for one in threading.enumerate()}


def test_a_program_that_does_not_listen_to_the_first_signal_is_ended_by_the_second(tmp_path: Path) -> None:
    deaf = (
        "import signal, time; signal.signal(signal.SIGTERM, signal.SIG_IGN); print('here', flush=True); time.sleep(99)"
    )
    link = ProgramLink((sys.executable, "-c", deaf), tmp_path)
    link.open()
    assert link.receive(20.0) == b"here"
    assert link.receive(0.0) is None
    link.close()
    with pytest.raises(GoneError, match="is not running"):
        link.receive(0.0)


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (ValueError("Not a valid baudrate"), "port p: Not a valid baudrate; check baud, framing and flow_control"),
        (PermissionError(13, "Permission denied"), "no permission; on Linux the group 'dialout'"),
        (OSError("could not lock the port"), "another program has it open"),
        (FileNotFoundError(2, "No such file"), "there is no such port; available ports: "),
        (OSError(5, "strange"), "cannot be opened ([Errno 5] strange); available ports: "),
    ],
)
def test_why_a_port_does_not_open_is_said_with_what_to_do(error: Exception, said: str) -> None:
    assert said in why_not_opened("p", error)


def test_a_port_that_is_not_open_is_gone(tmp_path: Path) -> None:
    link = SerialLink(str(tmp_path / "none"), SerialLine(), "\n")
    with pytest.raises(BenchError, match="there is no such port"):
        link.open()
    with pytest.raises(GoneError, match="is gone"):
        link.receive(0.0)
    with pytest.raises(GoneError, match="is gone"):
        link.send("READ")


def test_an_instrument_that_is_not_there_is_said_with_those_that_are(tmp_path: Path) -> None:
    bench = tmp_path / "bench.yaml"
    bench.write_text("""
spec: "1.1"
devices:
  meter:
    eom:
      ASRL INSTR: {q: "\\n", r: "\\n"}
    dialogues:
      - {q: "TELL", r: "1"}
resources:
  ASRL1::INSTR: {device: meter}
""")
    library = f"{bench}@sim"
    with pytest.raises(
        BenchError, match=r"instrument the meter: cannot be opened .*instruments that are found: ASRL1::INSTR"
    ):
        VisaLink("the meter", library, SerialLine(), "\n").open()
    with pytest.raises(BenchError, match=r"library '.*none.so' cannot be used .*; check library"):
        VisaLink("GPIB0::9::INSTR", str(tmp_path / "none.so"), SerialLine(), "\n").open()
    link = VisaLink("ASRL1::INSTR", library, SerialLine(), "\n")
    with pytest.raises(GoneError, match="is not open"):
        link.receive(0.0)
    with pytest.raises(GoneError, match="is not open"):
        link.send("TELL")
    link.open()
    assert link.receive(0.05) is None
    link.send("TELL")
    assert link.receive(SOON_S) == b"1"
    link.close()


def test_what_follows_an_endless_line_is_seen_until_it_ends_and_is_no_line(file: tuple[Path, FileLink]) -> None:
    """Its last part stays to be looked at: it shows what a wrong framing makes of text."""
    path, link = file
    add(path, "x" * (MAX_LINE + 1))
    assert link.receive(SOON_S) is not None
    add(path, "a tail")
    assert link.receive(0.0) is None
    assert link.unfinished == b"a tail"
    add(path, " and its end\nnext\n")
    assert [link.receive(SOON_S), link.unfinished, link.receive(0.0)] == [b"next", b"", None]


def test_lines_of_nothing_but_nul_are_none(file: tuple[Path, FileLink]) -> None:
    path, link = file
    add(path, "f\n\0\0\n\0\r\nnew\n")
    assert [link.receive(SOON_S), link.receive(SOON_S), link.receive(0.0)] == [b"half", b"new", None]


def test_a_drained_link_passes_over_the_rest_of_a_line_but_not_what_follows_fill_characters(
    file: tuple[Path, FileLink],
) -> None:
    path, link = file
    assert link.drain() == len("hal")
    add(path, "f\nnew\n\0")
    assert link.receive(SOON_S) == b"new"
    assert link.drain() == 1
    add(path, "whole\n")
    assert link.receive(SOON_S) == b"\0whole"[1:]


@pytest.mark.parametrize(
    ("resource", "is_stream"),
    [
        ("ASRL1::INSTR", True),
        ("TCPIP::h::5025::SOCKET", True),
        ("GPIB0::8::INSTR", False),
        ("USB::1::2::3::INSTR", False),
    ],
)
def test_a_stream_is_waited_for_in_short_pieces_and_a_message_in_one(resource: str, is_stream: bool) -> None:
    """IEEE 488.2 knows messages; a serial port and a socket know bytes only."""
    link = VisaLink(resource, "@py", SerialLine(), "\n")
    assert (link.slice_s < 1.0) is is_stream


def test_every_kind_of_link_that_a_job_may_name_is_registered() -> None:
    """The simulated bench is a feed of its own: its clock moves with its readings."""
    kinds = {
        kind for section in (Source, Controller) for kind in get_args(get_type_hints(section)["kind"])
    }  # fmt: skip
    assert kinds - {"simulated"} == set(LINKS)


class Loop(ByteLink):
    """An instrument that answers each line with what the test has put in."""

    def __init__(self) -> None:
        super().__init__()
        self.answers = [b"21.5,12800001.25\n"]
        self._waiting = b""

    @classmethod
    def from_job(cls, job: Source | Controller, folder: Path) -> Loop:
        return cls()

    def open(self) -> None:
        self._waiting = b""

    def close(self) -> None:
        pass

    def _read(self, wait_s: float) -> bytes:
        data, self._waiting = self._waiting, b""
        return data

    def _write(self, data: bytes) -> None:
        assert data == b"READ\n"
        self._waiting += self.answers[0]


def test_a_new_kind_of_link_is_one_class_and_its_entry(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setitem(LINKS, "loop", Loop)
    job = Source("board", "loop", ("temperature", "frequency"), ask="READ", period_s=0.0)  # type: ignore[arg-type]
    source = LineSource(job, link_from_job(job, tmp_path), lambda: 0.0)
    source.open()
    assert source.read() == Reading("board", 0.0, {"temperature": 21.5, "frequency": 12_800_001.25})
    source.close()


@pytest.fixture
def socket_link() -> Iterator[Callable[[Callable[[str], Any]], VisaLink]]:
    """A link to an instrument at a raw socket that answers as it is told to."""
    with contextlib.ExitStack() as stack:

        def opened(answers: Callable[[str], Any]) -> VisaLink:
            instrument = TcpInstrument(answers)
            stack.callback(instrument.close)
            link = VisaLink(instrument.resource, "@py", SerialLine(), "\n")
            link.open()
            stack.callback(link.close)
            return link

        yield opened


def test_what_came_on_a_socket_before_it_was_asked_for_is_dropped(socket_link: Any) -> None:
    link = socket_link(lambda _: "1\n22\n333")
    link.send("TELL")
    assert link.receive(PATIENCE_S) == b"1"
    assert link.drain() == len("22" + "333")
    assert link.receive(0.05) is None


def test_a_line_that_stalls_on_a_socket_is_whole_in_the_end(socket_link: Any) -> None:
    """It is waited for in slices shorter than the stall; what came of it is kept meanwhile."""
    link = socket_link(lambda _: ("58", 0.5, ".25"))
    link.send("TELL")
    seen, line = set(), None
    until_s = time.monotonic() + PATIENCE_S
    while line is None and time.monotonic() < until_s:
        line = link.receive(0.05)
        seen.add(link.unfinished)
    assert line == b"58.25"
    assert b"58" in seen


class Laggard(ByteLink):
    """An instrument that answers the first three questions only after the third, one after the other; invented."""

    def __init__(self) -> None:
        super().__init__()
        self.asked = 0
        self._coming: list[int] = []

    def _read(self, wait_s: float) -> bytes:
        if not wait_s:
            return b""  # nothing has come yet at the moment of a drain
        if not self._coming:
            time.sleep(min(wait_s, 0.01))
            return b""
        return f"{self._coming.pop(0)}\n".encode()

    def _write(self, data: bytes) -> None:
        self.asked += 1
        self._coming += {1: [], 2: [], 3: [1, 2, 3]}.get(self.asked, [self.asked])

    def open(self) -> None:
        pass


def test_answers_that_are_still_on_their_way_are_waited_for_until_it_is_quiet() -> None:
    """Three come after the third question; a source that passed over only two would take the third for the fourth answer."""
    link = Laggard()
    job = Source("board", "visa", ("temperature",), ask="?", period_s=0.0, timeout_s=0.1)
    source = LineSource(job, link, lambda: 0.0)
    source.open()
    found: list[Reading] = []
    until_s = time.monotonic() + PATIENCE_S
    while len(found) < 3 and time.monotonic() < until_s:
        arrival = source.read()
        if isinstance(arrival, Reading):
            assert arrival.values["temperature"] == link.asked
            found.append(arrival)
    assert len(found) == 3
