"""What becomes of a source whose file, program or port goes away, is replaced, or was never there."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tcomp.bench.link import LONGEST_LINE, FileLink, GoneError, ProgramLink, SerialLink, _why_no_port
from tcomp.bench.visa import VisaLink
from tcomp.errors import BenchError

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
    add(path, "x" * (LONGEST_LINE + 1))
    assert link.receive(SOON_S) == b"hal" + b"x" * (LONGEST_LINE + 1)
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
        (ValueError("Not a valid baudrate"), "port p: Not a valid baudrate; check baud"),
        (PermissionError(13, "Permission denied"), "no permission; on Linux the group 'dialout'"),
        (OSError("could not lock the port"), "another program has it open"),
        (FileNotFoundError(2, "No such file"), "there is no such port; those that are there: "),
        (OSError(5, "strange"), "cannot be opened ([Errno 5] strange); those that are there: "),
    ],
)
def test_why_a_port_does_not_open_is_said_with_what_to_do(error: Exception, said: str) -> None:
    assert said in _why_no_port("p", error)


def test_a_port_that_is_not_open_is_gone(tmp_path: Path) -> None:
    link = SerialLink(str(tmp_path / "none"), 9600, "\n")
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
        BenchError, match=r"instrument the meter: cannot be opened .*those that are found: ASRL1::INSTR"
    ):
        VisaLink("the meter", library, 9600, "\n").open()
    with pytest.raises(BenchError, match=r"library '.*none.so' cannot be used .*; check library"):
        VisaLink("GPIB0::9::INSTR", str(tmp_path / "none.so"), 9600, "\n").open()
    link = VisaLink("ASRL1::INSTR", library, 9600, "\n")
    with pytest.raises(GoneError, match="is not open"):
        link.receive(0.0)
    with pytest.raises(GoneError, match="is not open"):
        link.send("TELL")
    link.open()
    assert link.receive(0.05) is None
    link.send("TELL")
    assert link.receive(SOON_S) == b"1"
    link.close()
