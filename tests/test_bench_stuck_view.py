"""A terminal or pipe that nobody reads: the run is measured, supervised, written and ended all the same.

Whole programs over pseudo-terminals and pipes. What is asked for: safe within 2 s of the fault, rows on the disk within
2 s, ended within 3 s of the signal. Each is measured between two events of the fake instruments; on a machine that has much
else to do the program itself waits for its turn, so the tests ask for `BUSY` times that.
"""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest
from bench_chamber import SENSOR_LOST_S, Bench, until

from tcomp.cli.terminal import DirectStream

BUSY = 4.0
"""Load 8 on two processors gives a thread a quarter of its time. What was stuck stayed so for 50 s and more, when it was: a
fault of that kind is found with this, too."""


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    found = Bench(tmp_path)
    yield found
    found.close()


@pytest.mark.parametrize("way", ["terminal", "pipe"])
def test_a_view_that_nobody_reads_holds_up_neither_rows_nor_safety_nor_the_end(bench: Bench, way: str) -> None:
    process = bench.start(way)
    until(bench.is_driven, "the ramp is driven")
    # A terminal that nobody reads has taken all it can after some seconds of a view that is drawn five times a second.
    time.sleep(4.0 if way == "terminal" else 0.5)
    for _ in range(3):
        sent_s = bench.sent_s[-1]
        until(lambda sent_s=sent_s: bench.rows_s()[-1] >= sent_s, "a row of what was sent", BUSY * 2.0)
    touched_s = (bench.folder / "alive").stat().st_mtime
    until(lambda: (bench.folder / "alive").stat().st_mtime > touched_s, "the watchdog file", BUSY * 2.0)
    bench.board.unplug()
    last_s = bench.sent_s[-1]
    until(lambda: bench.set_points[-1][1] == 20.0, "safe", SENSOR_LOST_S + BUSY * 2.0)
    safe_s = next(time_s for time_s, set_point_c in bench.set_points if time_s > last_s and set_point_c == 20.0)
    # Not before the sensor was lost for as long as the job says, by a row of the board at most.
    assert SENSOR_LOST_S - 0.5 < safe_s - last_s < SENSOR_LOST_S + BUSY * 2.0
    assert process.poll() is None
    process.send_signal(signal.SIGTERM)
    until(lambda: process.poll() is not None, "the end", BUSY * 3.0)
    assert process.returncode == 1, "the plan was not done"
    assert "end: ended by SIGTERM\n" in bench.log


def test_what_is_printed_goes_on_when_the_terminal_is_read_again(bench: Bench) -> None:
    """As after Ctrl-S and Ctrl-Q: nothing was ended, and the newest state is drawn."""
    process = bench.start("terminal")
    until(bench.is_driven, "the ramp is driven")
    time.sleep(4.0)
    shown = b""
    began_s = time.monotonic()
    process.send_signal(signal.SIGTERM)
    with suppress(OSError):  # the terminal ends with the program
        while time.monotonic() - began_s < 60.0 and (data := os.read(bench.handles[0], 65_536)):
            shown += data
    process.wait(60.0)
    assert b"gauge 07" in shown
    assert b"ended   ended by SIGTERM" in shown, "what is printed at the end"


def test_ctrl_z_does_not_stop_a_program_that_drives_a_heater(bench: Bench) -> None:
    process = bench.start("pipe")
    until(bench.is_driven, "the ramp is driven")
    process.send_signal(signal.SIGTSTP)
    sent_s = bench.sent_s[-1]
    until(lambda: bench.rows_s()[-1] > sent_s, "a row after it", BUSY * 2.0)


def test_a_direct_stream_takes_any_text_and_waits_for_a_handle_that_others_made_non_blocking(tmp_path: Path) -> None:
    path = tmp_path / "out"
    with path.open("w", encoding="ascii") as file:
        stream = DirectStream(file)
        assert stream.write("caf\u00e9\n") == 5
        assert not stream.isatty()
    assert path.read_bytes() == b"caf\\xe9\n"
