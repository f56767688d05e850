"""What is no sample never becomes one: rests of lines, echoes, late answers, noise; each fault is planted over a real way.

All values are invented.  A board answers 58.25; what a fault could leave of that (8.25, 258.25, 1) must not be read.
"""

from __future__ import annotations

import binascii
import random
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from bench_instruments import PATIENCE_S, PtyBoard, TcpInstrument

from tcomp.bench.instruments import Fault, LineSource, Reading
from tcomp.bench.line import CHECKSUMS, LineReader, UnusableError
from tcomp.bench.links import link_from_job
from tcomp.bench.links.link import MAX_LINE
from tcomp.bench.links.serial import SerialLine, SerialLink, likely_framing
from tcomp.bench.links.visa import VisaLink
from tcomp.errors import BenchError
from tcomp.job import Source, read_job_text

SHORT_S = 0.05
"""What stalls, or does not come, is waited for so long; nothing here asserts that something comes within it."""


@contextmanager
def board(folder: Path, says: Callable[[str], Any], **more: Any) -> Iterator[PtyBoard]:
    port = PtyBoard(folder / "port", says, **more)
    try:
        yield port
    finally:
        port.unplug()


@contextmanager
def opened(folder: Path, **keys: Any) -> Iterator[LineSource]:
    """A source of a temperature."""
    given = {
        "name": "board",
        "kind": "serial",
        "gives": ("temperature",),
        "timeout_s": PATIENCE_S,
        "period_s": 0.0,
    } | keys
    if given["kind"] == "serial":
        given |= {"port": str(folder / "port")}
    job = Source(**given)
    source = LineSource(job, link_from_job(job, folder), time.time)
    source.open()
    try:
        yield source
    finally:
        source.close()


def read(source: LineSource, enough: Callable[[list[Reading], list[Fault]], bool]) -> tuple[set[float], Counter[str]]:
    """Read until there is enough, however busy the machine is: the values that came, and the faults by kind."""
    readings: list[Reading] = []
    faults: list[Fault] = []
    until_s = time.monotonic() + PATIENCE_S
    while not enough(readings, faults):
        assert time.monotonic() < until_s, (readings[-3:], faults[-3:])
        found = source.read()
        if isinstance(found, Reading):
            readings.append(found)
        elif found is not None:
            faults.append(found)
    return {one.values["temperature"] for one in readings}, Counter(fault.kind for fault in faults)


def after_faults(count: int, faults: int = 1) -> Callable[[list[Reading], list[Fault]], bool]:
    """So many readings, of which some came after the last of so many faults."""
    return lambda readings, found: (
        len(readings) >= count and len(found) >= faults and readings[-1].time_s > found[-1].time_s
    )


def each(every: int, usual: Any, fault: Any) -> Callable[[str], Any]:
    """Says the usual, and each so-manieth time the fault."""
    count = iter(range(1, 10**9))
    return lambda _: fault if next(count) % every == 0 else usual


STALL_S = 5 * SHORT_S
"""Longer than an answer is waited for."""


@pytest.mark.parametrize("cut", [1, 2, 5])
def test_the_rest_of_an_answer_that_stalls_is_not_the_next_answer(tmp_path: Path, cut: int) -> None:
    line = b"58.25\n"
    with (
        board(tmp_path, each(5, line, (line[:cut], STALL_S, line[cut:])), asked=True),
        opened(tmp_path, ask="?", timeout_s=SHORT_S) as source,
    ):
        values, faults = read(source, after_faults(15, 2))
    assert values == {58.25}
    assert faults["silent"] >= 2


@pytest.mark.parametrize("cut", [1, 3])
def test_the_rest_of_an_answer_of_a_network_instrument_is_not_the_next_answer(tmp_path: Path, cut: int) -> None:
    instrument = TcpInstrument(each(5, "58.25", ("58.25"[:cut], STALL_S, "58.25"[cut:])))
    try:
        with opened(tmp_path, kind="visa", resource=instrument.resource, ask="?", timeout_s=SHORT_S) as source:
            values, faults = read(source, after_faults(15, 2))
    finally:
        instrument.close()
    assert values == {58.25}
    assert faults["silent"] >= 2


def test_a_line_that_stalls_and_loses_its_end_does_not_run_into_the_next(tmp_path: Path) -> None:
    with (
        board(tmp_path, each(5, b"58.25\n", (b"2", STALL_S, b"58.25\n"))),
        opened(tmp_path, timeout_s=SHORT_S) as source,
    ):
        values, faults = read(source, after_faults(15, 2))
    assert values == {58.25}
    assert faults["silent"] >= 2


def test_an_answer_that_is_very_late_is_not_that_to_a_later_question(tmp_path: Path) -> None:
    """The instrument says which question it answers, by its number."""
    asked = iter(range(10**9))
    now = [-1]

    def answer(_: str) -> Any:
        now[0] = next(asked)
        return (b"", STALL_S, f"{now[0]}\n".encode()) if now[0] % 5 == 4 else f"{now[0]}\n".encode()

    with board(tmp_path, answer, asked=True), opened(tmp_path, ask="?", timeout_s=SHORT_S) as source:
        faults, taken = 0, 0
        until_s = time.monotonic() + PATIENCE_S
        while faults < 3 or taken < 15:
            assert time.monotonic() < until_s
            found = source.read()
            faults += isinstance(found, Fault)
            if isinstance(found, Reading):
                taken += 1
                assert found.values["temperature"] == now[0]


def test_what_was_sent_before_a_port_was_opened_is_not_an_answer(tmp_path: Path) -> None:
    """A program that was ended in the middle of an answer, and its successor that asks at once."""
    with board(tmp_path, lambda _: (b"58", SHORT_S, b".25\n"), asked=True) as port:
        with opened(tmp_path, ask="?") as source:
            source.link.send("?")
            while not port.heard:
                time.sleep(0.001)
        with opened(tmp_path, ask="?") as source:
            values, _ = read(source, lambda readings, _: len(readings) >= 3)
    assert values == {58.25}


def test_an_endless_line_is_no_sample_nor_is_its_rest(tmp_path: Path) -> None:
    def says(text: bytes) -> Iterator[bytes]:
        yield b"58.25\n"
        yield from (text[start : start + 512] for start in range(0, len(text), 512))
        yield b"\n"
        while True:
            yield b"58.25\n"

    parts = says(b"1.5" + b" " * (MAX_LINE + 1000) + b"1.75")
    ports: list[PtyBoard] = []

    def line(_: str) -> bytes:
        """The next part as soon as the one before was read: a port that is full would lose it."""
        return next(parts) if ports and not ports[0].unread_bytes else b""

    with board(tmp_path, line) as port, opened(tmp_path) as source:
        ports.append(port)
        values, faults = read(source, after_faults(5))
    assert values == {58.25}
    assert faults == {"no line end": 1}


@pytest.mark.parametrize("echo", [True, "auto"])
@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r"])
def test_an_echo_is_never_a_reading(tmp_path: Path, echo: Any, end: bytes) -> None:
    with (
        board(tmp_path, lambda line: line.encode() + end + b"58.25" + end, asked=True),
        opened(tmp_path, ask="01", start=("02",), echo=echo) as source,
    ):
        values, faults = read(source, lambda readings, _: len(readings) >= 20)
    assert values == {58.25}
    assert not faults


def test_an_echo_without_a_line_end_is_taken_off(tmp_path: Path) -> None:
    with (
        board(tmp_path, lambda line: line.encode() + b"58.25\n", asked=True),
        opened(tmp_path, ask="01", echo=True) as source,
    ):
        values, _ = read(source, lambda readings, _: len(readings) >= 5)
    assert values == {58.25}


@pytest.mark.parametrize("echo", [True, "auto"])
def test_a_damaged_echo_is_no_reading_either(tmp_path: Path, echo: Any) -> None:
    with (
        board(tmp_path, each(5, b"01\n58.25\n", b"1\n58.25\n"), asked=True),
        opened(tmp_path, ask="01", echo=echo, timeout_s=4 * SHORT_S) as source,
    ):
        values, faults = read(source, after_faults(15, 2))
    assert values == {58.25}
    assert faults["no echo"] >= 2


def test_an_instrument_that_only_echoes_gives_nothing(tmp_path: Path) -> None:
    with (
        board(tmp_path, lambda line: line.encode() + b"\n", asked=True),
        opened(tmp_path, ask="01", timeout_s=SHORT_S) as source,
    ):
        values, faults = read(source, lambda _, faults: len(faults) >= 3)
    assert not values
    assert faults["silent"] == 3


def test_an_echo_that_is_switched_off_is_not_waited_for_for_good(tmp_path: Path) -> None:
    count = iter(range(10**9))
    with (
        board(tmp_path, lambda _: b"01\n58.25\n" if next(count) < 5 else b"58.25\n", asked=True),
        opened(tmp_path, ask="01", timeout_s=4 * SHORT_S) as source,
    ):
        values, faults = read(source, after_faults(10, 3))
    assert values == {58.25}
    assert faults["no echo"] == 3


def test_with_a_pattern_an_answer_may_have_several_lines(tmp_path: Path) -> None:
    answer = b"ready\nhumidity 41.0\ntemperature 58.25\nok 0\n"
    with (
        board(tmp_path, each(5, answer, b"ready\nhumidity 41.0\n"), asked=True),
        opened(tmp_path, ask="?", pattern=r"temperature (\S+)", period_s=0.02, timeout_s=4 * SHORT_S) as source,
    ):
        values, faults = read(source, after_faults(12, 2))
    assert values == {58.25}
    assert faults["no match"] >= 2


# The check value of "123456789" of each: catalogue of parametrised CRC algorithms, as carried by the package crccheck 1.3.1
# (MIT); the sum and the exclusive or are arithmetic: 49 + ... + 57 = 477, and 0x31 ^ ... ^ 0x39 = 0x31.
CHECK_VALUES = {
    "xor": "31", "sum": "DD", "crc8-07": "F4", "crc8-31": "A1", "crc16-1021": "31C3", "crc16-1021-ffff": "29B1",
    "crc16-hdlc": "906E", "crc16-8005": "BB3D", "crc16-8005-ffff": "4B37",
}  # fmt: skip


@pytest.mark.parametrize("kind", CHECKSUMS)
def test_a_checksum_is_the_published_one(kind: str) -> None:
    text = CHECK_VALUES[kind]
    assert f"{CHECKSUMS[kind][1](b'123456789') % 16 ** len(text):0{len(text)}X}" == text
    lines = reader(checksum=kind)
    assert lines.checked(f"123456789*{text.lower()}".encode()) == b"123456789"
    with pytest.raises(UnusableError, match=f"the checksum is {text}, the line says"):
        lines.checked(f"123456789*{int(text, 16) ^ 1:0{len(text)}X}".encode())
    for line in (b"123456789", b"123456789*", b"123456789*1", b"123456789*12345"):
        with pytest.raises(UnusableError, match="there is no checksum in the line"):
            lines.checked(line)


def test_the_crc_of_16_bits_agrees_with_the_standard_library() -> None:
    """Python's binascii.crc_hqx: polynomial 0x1021, any initial value."""
    draw = random.Random(14)
    for _ in range(200):
        data = draw.randbytes(draw.randrange(40))
        assert CHECKSUMS["crc16-1021"][1](data) == binascii.crc_hqx(data, 0)
        assert CHECKSUMS["crc16-1021-ffff"][1](data) == binascii.crc_hqx(data, 0xFFFF)


def test_a_sentence_of_nmea_0183_is_right() -> None:
    """A position report that many public descriptions of NMEA 0183 show (from memory)."""
    sentence = b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47"
    assert reader(checksum="xor").checked(sentence) == sentence[1:-3]


def reader(**keys: Any) -> LineReader:
    return LineReader(Source("board", "serial", ("temperature", "frequency"), port="p", **keys))


def test_a_checksum_may_stand_elsewhere() -> None:
    lines = reader(checksum="sum", checksum_pattern=r"^(?P<sum>..):(?P<data>.*)$")
    assert lines.checked(b"DD:123456789") == b"123456789"


def disturbed(line: bytes, draw: random.Random) -> bytes:
    """A line of which a bit is flipped, some bytes are lost, or the end is cut; invented."""
    at = draw.randrange(len(line))
    what = draw.randrange(3)
    if what == 0:
        return line[:at] + bytes([line[at] ^ 1 << draw.randrange(7)]) + line[at + 1 :]
    return line[:at] + line[at + draw.randrange(1, 4) :] if what == 1 else line[:at]


def false_share(kind: str | None) -> float:
    """Of disturbed lines, the share that is read as other values than the line had."""
    draw, lines = random.Random(2026), reader(checksum=kind)
    false = 0
    for _ in range(4000):
        plain = f"{draw.uniform(-20, 60):.4f},{draw.uniform(12_799_900, 12_800_100):.4f}".encode()
        true = reader().values(plain.decode())
        if kind is not None:
            size = len(CHECK_VALUES[kind])
            plain += f"*{CHECKSUMS[kind][1](plain) % 16**size:0{size}X}".encode()
        try:
            found = lines.values(lines.checked(disturbed(plain, draw)).decode(errors="replace"))
        except UnusableError:
            continue
        false += found != true
    return false / 4000


def test_a_checksum_finds_what_the_look_of_a_line_does_not() -> None:
    """What is left over: none of 4000 by 16 bits, where one in 65536 is to be expected; by 8 bits, one in 256 of what is
    not found for sure; an exclusive or does not see two equal characters lost.  Without a checksum most disturbed lines
    still read as numbers, as `docs/commands/log.md` says."""
    assert false_share(None) > 0.5
    assert false_share("xor") < 0.02
    assert false_share("crc8-07") < 0.01
    assert false_share("crc16-1021-ffff") == 0.0


@pytest.mark.parametrize("bit", range(8))
@pytest.mark.parametrize("at", range(5))
def test_a_flipped_bit_does_not_cut_a_number_short(at: int, bit: int) -> None:
    """Of 58.25 a flipped bit may leave another number as long, which only a checksum could find; but no part of it.
    One exception is a comma for the point, where a line is of several fields."""
    line = bytearray(b"58.25")
    line[at] ^= 1 << bit
    try:
        found = LineReader(Source("b", "serial", ("temperature",), port="p")).values(line.decode(errors="replace"))
    except UnusableError:
        return
    assert found is not None
    assert b"," in line or found["temperature"] == float(line)


def test_lines_with_a_wrong_checksum_are_counted_and_give_no_sample(tmp_path: Path) -> None:
    with (
        board(tmp_path, each(4, b"58.25*24\n", b"8.25*24\n")),
        opened(tmp_path, checksum="xor") as source,
    ):
        values, faults = read(source, after_faults(9, 2))
    assert values == {58.25}
    assert set(faults) == {"checksum"}


def test_a_step_that_cannot_be_is_no_sample_and_one_that_lasts_is(tmp_path: Path) -> None:
    lines = iter([b"1.0", *[b"58.25"] * 5, b"8.25", *[b"58.25"] * 5, *[b"30.5"] * 5])
    with (
        board(tmp_path, lambda _: next(lines, b"30.5") + b"\n", asked=True),
        opened(tmp_path, ask="?", largest_step=(5.0,)) as source,
    ):
        values, faults = read(source, lambda readings, _: bool(readings) and readings[-1].values["temperature"] == 30.5)
    assert values == {58.25, 30.5}
    assert faults == {"step": 2}


def with_parity(line: bytes, framing: str) -> bytes:
    """A line of 7 data bits as 8N1 sees it."""
    odd = {"7E1": 0, "7O1": 1}
    return bytes(byte | (byte.bit_count() % 2 != odd[framing]) << 7 if framing in odd else byte | 0x80 for byte in line)


@pytest.mark.parametrize("end", [b"\n", b"\r\n"])
@pytest.mark.parametrize(
    ("framing", "timeout_s"), [("7E1", PATIENCE_S), ("7O1", SHORT_S), ("7N2", SHORT_S), ("7N2", PATIENCE_S)]
)
def test_a_wrong_framing_is_told_by_its_name_and_the_right_one_reads(
    tmp_path: Path, framing: str, timeout_s: float, end: bytes
) -> None:
    line = with_parity(b"58.25 degC" + end, framing)
    assert likely_framing(line) == framing
    # Where no line end is seen, the timeout or the longest line tells, whichever comes first.
    with board(tmp_path, lambda _: line * 20):
        with opened(tmp_path, timeout_s=timeout_s) as source:
            found = next(one for one in iter(source.read, 0) if isinstance(one, Fault))
        assert f'give framing = "{framing}"' in found.text
        assert "baud rate is" not in found.text
        with opened(tmp_path, framing=framing) as source:
            values, faults = read(source, lambda readings, _: len(readings) >= 3)
    assert values == {58.25}
    assert not faults


def test_a_question_is_sent_in_its_framing(tmp_path: Path) -> None:
    """Of "1", 0x31, three bits are set; so the eighth is one in even parity."""
    answer = with_parity(b"58.25\n", "7E1")
    with (
        board(tmp_path, lambda line: answer if line == "\xb1" else b"\n", asked=True),
        opened(tmp_path, framing="7E1", ask="1") as source,
    ):
        values, faults = read(source, lambda readings, _: len(readings) >= 3)
    assert values == {58.25}
    assert not faults


@pytest.mark.parametrize("at", range(6))
def test_a_character_with_a_wrong_parity_spoils_its_line(tmp_path: Path, at: int) -> None:
    """A bit of one character is flipped, that of the line end included: never is another number read."""
    line = bytearray(with_parity(b"58.25\n", "7E1"))
    good = bytes(line)
    line[at] ^= 1
    with board(tmp_path, each(4, good, bytes(line))), opened(tmp_path, framing="7E1") as source:
        values, faults = read(source, after_faults(9, 2))
    assert values == {58.25}
    assert set(faults) == {"garbage"}


def test_the_framing_of_a_job_is_what_the_port_is_opened_with(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import serial

    given: dict[str, Any] = {}
    monkeypatch.setattr(serial, "Serial", lambda *_, **keys: given.update(keys))
    SerialLink("p", SerialLine(baud=4800, framing="7E2", flow_control="xon/xoff"), "\n").open()
    assert (given["bytesize"], given["parity"], given["stopbits"]) == (7, serial.PARITY_EVEN, serial.STOPBITS_TWO)
    assert (given["xonxoff"], given["rtscts"]) == (True, False)


def test_the_framing_of_a_job_is_that_of_a_serial_instrument_by_visa(tmp_path: Path) -> None:
    (tmp_path / "bench.yaml").write_text("""
spec: "1.1"
devices:
  meter:
    eom:
      ASRL INSTR: {q: "\\n", r: "\\n"}
    dialogues:
      - {q: "TELL", r: "58.25"}
resources:
  ASRL1::INSTR: {device: meter}
""")
    from pyvisa.constants import Parity, StopBits

    line = SerialLine(baud=4800, framing="7O2")
    link = VisaLink("ASRL1::INSTR", f"{tmp_path / 'bench.yaml'}@sim", line, "\n")
    link.open()
    found = link._instrument
    assert (found.baud_rate, found.data_bits, found.parity, found.stop_bits) == (4800, 7, Parity.odd, StopBits.two)
    link.close()


def test_fill_characters_before_each_line_are_passed_over(tmp_path: Path) -> None:
    with board(tmp_path, lambda _: b"\0\0\x0058.25\r\0\n"), opened(tmp_path) as source:
        values, faults = read(source, lambda readings, _: len(readings) >= 10)
    assert values == {58.25}
    assert not faults


def test_a_nul_before_one_line_is_what_a_disturbance_left_of_its_begin(tmp_path: Path) -> None:
    with board(tmp_path, each(4, b"58.25\n", b"\x008.25\n")), opened(tmp_path) as source:
        values, faults = read(source, after_faults(9, 2))
    assert values == {58.25}
    assert set(faults) == {"garbage"}


@pytest.mark.parametrize(
    ("line", "why"),
    [
        ("echo = false", r'echo = false: expected true or "auto"'),
        ("echo = true", "echo = true: goes with ask"),
        ("largest_step = [1.0, 2.0]", "largest_step has 2 entries, gives has 1; expected as many"),
        ("largest_step = [-1.0]", "expected 0 or more"),
        ('framing = "9N1"', 'framing = "9N1": expected "8N1" or'),
        ('checksum = "crc7"', 'checksum = "crc7": expected "xor" or'),
        ("checksum_pattern = '(.*'", "is no regular expression"),
        ("checksum_pattern = '(.*)'", r"expected the groups \(\?P<data>"),
    ],
)
def test_a_mistake_in_a_job_is_told(line: str, why: str) -> None:
    from tcomp.errors import JobError

    text = f'[oscillator]\nname = "a"\n[[source]]\nname = "b"\nkind = "serial"\nport = "p"\ngives = "temperature"\n{line}\n'
    with pytest.raises(JobError, match=why):
        read_job_text(text, runs_needed=False)


def test_a_port_that_was_never_there_is_still_told(tmp_path: Path) -> None:
    with pytest.raises(BenchError, match="there is no such port"), opened(tmp_path):
        pass
