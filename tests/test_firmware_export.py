"""The example in firmware_export: the same words from a computer, an AVR and a Cortex-M, and no table lost to a power cut.

The two boards are emulated.  What is to be printed is worked out here, from the integer table and exact fractions.
"""

from __future__ import annotations

import math
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from fractions import Fraction
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest
from tables import changed

from tcomp.firmware.exporter import Unit
from tcomp.firmware.exporters.image import image_bytes
from tcomp.proof.avr import MCU, why_no_avr
from tcomp.proof.compilers import WARNINGS, find_compilers
from tcomp.proof.elf import read_elf
from tcomp.tables import CorrectionTable, read_table

EXAMPLE = Path(__file__).parent.parent / "firmware_export"
DATA = Path(__file__).parent / "data" / "firmware_export"
TABLE = read_table(EXAMPLE / "gauge07.json")
# Two invented tables that a later build may have given: one with half of the knots, one with all signs turned.
WIDER = changed(TABLE, step_log2=TABLE.layout.step_log2 + 1, entries=TABLE.entries[::2])
TURNED = changed(TABLE, entries=tuple(-entry for entry in TABLE.entries))
LONG = changed(TABLE, entry_bits=32)
RAMP = (319, -320, -8, 640, 959, -321, 960)
SHOWN_MHZ, COUNTED_US = 32_768_000_000, 3_600_000_000
LEAST, LARGEST = -(2**31), 2**31 - 1
RUNNING_S = 120


# --- what is to be printed -------------------------------------------------------------------------------------------


def nearest(value: Fraction) -> int:
    return int(value + Fraction(1, 2)) if value >= 0 else -int(-value + Fraction(1, 2))


def offset_ppt(table: CorrectionTable, code: int) -> int:
    return int(table.offset_ppt(np.array([code]))[0])


def corrected(table: CorrectionTable, base_ppt: int, code: int) -> str:
    total_ppt = min(max(offset_ppt(table, code) + base_ppt, LEAST), LARGEST)
    factor = 1 + Fraction(total_ppt, 10**12)
    outside = "" if table.low_code <= code <= table.high_code else " (outside the table: its nearest end)"
    return (
        f"code {code}{outside}: offset {total_ppt} ppt; shown {SHOWN_MHZ} mHz, true {nearest(SHOWN_MHZ * factor)} mHz; "
        f"counted {COUNTED_US} us, true {nearest(COUNTED_US / factor)} us"
    )


# A sensor that warms by 1 degC a minute, from room temperature on; one update each 10 s, of which each twelfth is printed.
WARMING = tuple(319 + 16 * update // 6 for update in range(60))
PART = 3746
"""65536 / (lag / 10 s + 1/2), of the lag that the fit found; the logs were made with 170 s."""


def crystal_codes() -> Iterator[Fraction]:
    """Where the crystal is, in 256ths of a code as in the firmware: a first-order low-pass of the mean of two codes.

    State and remainder are one number: 65536 times the state, which moves by PART times the way to the target.
    """
    total, before = 256 * 65536 * WARMING[0], WARMING[0]
    for code in WARMING:
        total += PART * (128 * (before + code) - total // 65536)
        before = code
        yield Fraction(total // 65536, 256)


def followed_ppt(table: CorrectionTable, at: Fraction) -> int:
    """On a straight line between codes: of the table in the program to the nearest 16th of a code and unit, else to zero."""
    if table is TABLE:
        at = Fraction(int(at * 16 + Fraction(1, 2)), 16)
    knot, part = divmod(at - table.layout.first_code, 2**table.layout.step_log2)
    if table is TABLE:
        left, right = table.entries[knot : knot + 2]
        return (left + (right - left) * part / 16 + Fraction(1, 2)) // 1 * 128
    below, above = offset_ppt(table, int(at)), offset_ppt(table, int(at) + 1)
    return below + int((above - below) * (at - int(at)))


def moving(table: CorrectionTable, base_ppt: int) -> Iterator[str]:
    for number, (code, at) in enumerate(zip(WARMING, crystal_codes(), strict=True)):
        if number % 12 == 0:
            both = (
                min(max(ppt + base_ppt, LEAST), LARGEST) for ppt in (offset_ppt(table, code), followed_ppt(table, at))
            )
            yield "moving, code {}: offset {} ppt by the sensor, {} ppt by the crystal".format(code, *both)


def words(table: CorrectionTable, number: int = 0, base_ppt: int | None = None, said: str = "") -> str:
    used = f"table: number {number}, slot {(number - 1) % 2}" if number else "table: the one in the program"
    base = "none stored for this table" if base_ppt is None else f"{base_ppt} ppt"
    lines = ["self-test: passed", *([said] if said else []), used, f"base: {base}"]
    lines += [corrected(table, base_ppt or 0, code) for code in RAMP]
    lines += moving(table, base_ppt or 0)
    return "".join(f"{line}\n" for line in lines)


def measured(code: int, measured_ppt: int) -> bytes:
    return b"TCTM" + code.to_bytes(4, "little", signed=True) + measured_ppt.to_bytes(4, "little", signed=True)


# --- three machines --------------------------------------------------------------------------------------------------


def built(folder: Path, target: str, **variables: str) -> None:
    command = ["make", "-C", str(EXAMPLE), f"BUILD={folder}", target, *(f"{a}={b}" for a, b in variables.items())]
    done = subprocess.run(command, capture_output=True, text=True, timeout=RUNNING_S, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


class Host:
    """The program of this computer; its memory is a file."""

    def __init__(self, folder: Path) -> None:
        built(folder, "host")
        self.folder = folder

    def forget(self) -> None:
        (self.folder / "store").unlink(missing_ok=True)

    def run(self, message: bytes = b"") -> str:
        (self.folder / "message").write_bytes(message)
        command = ["./gauge07_host", "--store", "store", "--image", "message"]
        return subprocess.run(command, cwd=self.folder, capture_output=True, text=True, check=True, timeout=60).stdout


class Avr:
    """The AVR's program on libsimavr, with its UART and its EEPROM."""

    def __init__(self, folder: Path) -> None:
        built(folder, "avr", AVR_MCU=MCU)
        self.folder = folder
        command = ["cc", "-O2", str(DATA / "avr_board.c"), "-o", "avr_board", "-lsimavr", "-lelf"]
        subprocess.run(command, cwd=folder, check=True, timeout=RUNNING_S)

    def forget(self) -> None:
        (self.folder / "eeprom").write_bytes(b"\xff" * 4096)

    def run(self, message: bytes = b"", changes: int = 0) -> str:
        (self.folder / "message").write_bytes(message)
        command = ["./avr_board", "gauge07_avr.elf", MCU, "message", "eeprom", "printed", str(changes)]
        done = subprocess.run(command, cwd=self.folder, capture_output=True, text=True, timeout=RUNNING_S, check=False)
        assert done.returncode == (5 if changes else 0), done.stderr
        return (self.folder / "printed").read_text(encoding="ascii")


class CortexM:
    """The Cortex-M's program on an emulated M0, from its reset on; its pages are memory that a reset leaves alone."""

    CODE, CODE_BYTES = 0, 0x8000
    RAM, RAM_BYTES = 0x2000_0000, 0x2000

    def __init__(self, folder: Path) -> None:
        built(folder, "cortex-m")
        self.elf = read_elf((folder / "gauge07_cortexm.elf").read_bytes())
        self.code = ((self.CODE, (folder / "gauge07_cortexm.bin").read_bytes()),)

    def forget(self) -> None:
        self.pages = b"\xff" * self.elf.symbol("board_pages").size

    def run(self, message: bytes = b"") -> str:
        import unicorn
        from unicorn import arm_const

        core = unicorn.Uc(unicorn.UC_ARCH_ARM, unicorn.UC_MODE_THUMB | unicorn.UC_MODE_MCLASS)
        core.ctl_set_cpu_model(arm_const.UC_CPU_ARM_CORTEX_M0)
        core.mem_map(self.CODE, self.CODE_BYTES, unicorn.UC_PROT_READ | unicorn.UC_PROT_EXEC)
        core.mem_map(self.RAM, self.RAM_BYTES)
        # What memory holds at power-up is anything; the program may not count on zeros.
        core.mem_write(self.RAM, b"\xa5" * self.RAM_BYTES)
        for address, content in self.code:
            core.mem_write(address, content)
        box, pages = self.elf.symbol("board_box"), self.elf.symbol("board_pages")
        core.mem_write(pages.address, self.pages)
        core.mem_write(box.address, message[: box.size])
        core.mem_write(self.elf.symbol("board_box_count").address, min(len(message), box.size).to_bytes(4, "little"))
        stack, reset = (int.from_bytes(core.mem_read(place, 4), "little") for place in (0, 4))
        core.reg_write(arm_const.UC_ARM_REG_SP, stack)
        end = self.elf.symbol("cortexm_stop").address
        core.emu_start(reset, end, timeout=RUNNING_S * 1_000_000)
        assert core.reg_read(arm_const.UC_ARM_REG_PC) & ~1 == end
        self.pages = bytes(core.mem_read(pages.address, pages.size))
        ring = self.elf.symbol("board_ring")
        printed = int.from_bytes(core.mem_read(self.elf.symbol("board_printed").address, 4), "little")
        assert printed <= ring.size
        return bytes(core.mem_read(ring.address, printed)).decode("ascii")


class CortexMByClang(CortexM):
    """The same, by the package ziglang's compiler; as its linker left it."""

    def __init__(self, folder: Path) -> None:
        compiler = f"{sys.executable} -m ziglang cc -target thumb-freestanding-eabi"
        program = folder / "gauge07_cortexm.elf"
        built(folder, str(program), CM_CC=compiler, CM_CPU="-mcpu=cortex_m0plus", CM_RUNTIME="-lcompiler_rt")
        self.elf = read_elf(program.read_bytes())
        self.code = self.elf.segments


def lacks(*programs: str, packages: tuple[str, ...] = ()) -> str:
    missing = [name for name in programs if shutil.which(name) is None]
    missing += [f"the package {name}" for name in packages if find_spec(name) is None]
    return f"needs {', '.join(missing)}" if missing else ""


MACHINES = {
    "host": (Host, lacks("make", "cc", "diff")),
    "avr": (Avr, lacks("make", "cc", "avr-objcopy") or why_no_avr()),
    "cortex-m": (CortexM, lacks("make", "arm-none-eabi-gcc", packages=("unicorn",))),
    "cortex-m by clang": (CortexMByClang, lacks("make", packages=("unicorn", "ziglang"))),
}
Machine = Host | Avr | CortexM


def parameter(name: str) -> object:
    reason = MACHINES[name][1]
    return pytest.param(name, marks=pytest.mark.skipif(bool(reason), reason=reason))


on_host = pytest.mark.skipif(bool(MACHINES["host"][1]), reason=MACHINES["host"][1])
on_avr = pytest.mark.parametrize("machine", [parameter("avr")], indirect=True)
each_machine = pytest.mark.parametrize("machine", [parameter(name) for name in MACHINES], indirect=True)


@pytest.fixture(scope="module")
def machines() -> dict[str, Machine]:
    return {}


@pytest.fixture
def machine(
    request: pytest.FixtureRequest, machines: dict[str, Machine], tmp_path_factory: pytest.TempPathFactory
) -> Machine:
    name = request.param
    if name not in machines:
        machines[name] = MACHINES[name][0](tmp_path_factory.mktemp("machine"))
    machines[name].forget()
    return machines[name]


def test_the_expected_text_is_what_the_table_and_exact_fractions_give() -> None:
    assert (EXAMPLE / "expected.txt").read_text() == words(TABLE)
    shown = (EXAMPLE / "README.md").read_text(encoding="utf-8")
    assert f"    {words(TABLE).splitlines()[-1]}\n" in shown


def test_the_followed_codes_are_those_of_a_crystal_170_s_behind() -> None:
    # A first-order system behind a ramp: rate (t - tau (1 - exp(-t / tau))). Up to a code is lost by the made-up readings'
    # whole codes, and a third of a percent of the way by the lag that was found.
    for update, at in enumerate(crystal_codes()):
        t_s = 10.0 * update
        true = 319 + 16 / 60 * (t_s - 170 * (1 - math.exp(-t_s / 170)))
        assert abs(float(at) - true) < 1 + 0.003 * (true - 319)


@each_machine
def test_every_machine_prints_the_same_numbers(machine: Machine) -> None:
    assert machine.run() == words(TABLE)
    assert machine.run() == words(TABLE)


@each_machine
def test_a_new_table_and_a_base_come_without_a_new_program(machine: Machine) -> None:
    assert machine.run(image_bytes(WIDER)) == words(WIDER, 1, said="new table: stored")
    assert machine.run() == words(WIDER, 1)
    base_ppt = 1_790_503 - offset_ppt(WIDER, 319)
    assert machine.run(measured(319, 1_790_503)) == words(WIDER, 1, base_ppt, "new base: stored")
    assert machine.run() == words(WIDER, 1, base_ppt)
    # The base was measured against the table before: to another one it must not be added.
    assert machine.run(image_bytes(TURNED)) == words(TURNED, 2, said="new table: stored")
    assert machine.run(measured(-8, LEAST)) == words(TURNED, 2, LEAST - offset_ppt(TURNED, -8), "new base: stored")
    assert machine.run(image_bytes(WIDER)) == words(WIDER, 3, said="new table: stored")


@each_machine
def test_what_is_no_sound_table_or_base_is_refused_and_all_stays(machine: Machine) -> None:
    machine.run(image_bytes(WIDER))
    damaged = bytearray(image_bytes(TURNED))
    damaged[100] ^= 1
    assert machine.run(bytes(damaged)) == words(WIDER, 1, said="new table: refused for reason 3")
    assert machine.run(image_bytes(TURNED)[:-1]) == words(WIDER, 1, said="new table: refused for reason 1")
    assert machine.run(image_bytes(LONG)) == words(WIDER, 1, said="new table: refused for reason 9")
    refused = "base refused: the code lies outside the table"
    assert machine.run(measured(960, 5)) == words(WIDER, 1, said=refused)
    assert machine.run(measured(65536 + 319, 5)) == words(WIDER, 1, said=refused)


@each_machine
def test_a_table_of_another_unit_or_an_older_build_is_refused_and_the_one_before_comes_back(machine: Machine) -> None:
    machine.run(image_bytes(WIDER))
    assert machine.run(image_bytes(TURNED, Unit("RG-0008"))) == words(WIDER, 1, said="new table: refused for reason 7")
    assert machine.run(image_bytes(TURNED, Unit("", 5))) == words(TURNED, 2, said="new table: stored")
    assert machine.run(image_bytes(WIDER, Unit("", 4))) == words(TURNED, 2, said="new table: refused for reason 8")
    assert machine.run(b"TCTR") == words(WIDER, 1, said="older table: in use")
    assert machine.run(b"TCTR") == words(WIDER, 1, said="older table: there is none")
    # The one that was left is forgotten, and so is its build.
    assert machine.run(image_bytes(TURNED, Unit("", 4))) == words(TURNED, 2, said="new table: stored")


@each_machine
def test_base_and_sum_are_held_within_32_bits(machine: Machine) -> None:
    # At -8 the table says +4 170 496 ppt, at 959 -2 958 848 ppt: the difference, and then the sum, leave the 32 bits.
    assert machine.run(measured(-8, LEAST)) == words(TABLE, base_ppt=LEAST, said="new base: stored")
    assert machine.run(measured(959, LARGEST)) == words(TABLE, base_ppt=LARGEST, said="new base: stored")


@on_avr
def test_a_power_cut_on_the_avr_leaves_the_old_table_until_the_seal_is_whole(machine: Avr) -> None:
    machine.run(image_bytes(WIDER))
    before = (machine.folder / "eeprom").read_bytes()
    machine.run(image_bytes(TURNED))
    after = (machine.folder / "eeprom").read_bytes()
    changed = sum(old != new for old, new in zip(before, after, strict=True))
    # The last five changed bytes are the seal's: erased bytes of its complement stay as they are.
    for cut in (1, changed // 2, changed - 5, changed - 1, changed):
        (machine.folder / "eeprom").write_bytes(before)
        machine.run(image_bytes(TURNED), cut)
        assert machine.run() == (words(TURNED, 2) if cut == changed else words(WIDER, 1)), cut


@on_host
@pytest.mark.skipif(shutil.which("avr-gcc") is None, reason="avr-gcc was not found")
def test_a_small_avr_holds_it_with_room_for_a_stack(tmp_path: Path) -> None:
    # Data sheet of the part: 32 kB of flash, 2 kB of RAM; common practice, no source: a quarter of the RAM for the stack.
    built(tmp_path, "avr", AVR_MCU="atmega328p")
    command = ["avr-size", "-A", "gauge07_avr.elf"]
    said = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=True).stdout
    size = {name: int(count) for name, count in re.findall(r"^\.(text|data|bss) +(\d+)", said, re.MULTILINE)}
    assert size["text"] + size["data"] <= 32 * 1024
    assert size["data"] + size["bss"] <= 2048 * 3 // 4


def test_the_check_of_the_makefile_finds_a_changed_digit(tmp_path: Path) -> None:
    copied = shutil.copytree(EXAMPLE, tmp_path / "example", ignore=shutil.ignore_patterns("build"))
    command = ["make", "-C", str(copied), "check"]
    assert subprocess.run(command, capture_output=True, check=False, timeout=RUNNING_S).returncode == 0
    expected = copied / "expected.txt"
    expected.write_text(expected.read_text().replace("32768057030", "32768057031"))
    assert subprocess.run(command, capture_output=True, check=False, timeout=RUNNING_S).returncode != 0


@on_host
def test_with_a_damaged_table_nothing_is_corrected(tmp_path: Path) -> None:
    copied = shutil.copytree(EXAMPLE, tmp_path / "example", ignore=shutil.ignore_patterns("build"))
    source = (copied / "gauge07.c").read_text()
    assert source.count(" 13497,") == 1
    (copied / "gauge07.c").write_text(source.replace(" 13497,", " 13498,"))
    subprocess.run(["make", "-C", str(copied), "host"], capture_output=True, check=True, timeout=RUNNING_S)
    done = subprocess.run([copied / "build" / "gauge07_host"], capture_output=True, text=True, check=False, timeout=60)
    assert (done.returncode, done.stdout) == (1, "self-test: vector 1 failed; nothing is corrected\n")


def host_run(program: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([program, *arguments], capture_output=True, text=True, check=False, timeout=60)


@on_host
def test_the_host_takes_codes_and_says_what_it_does_not_understand(tmp_path: Path) -> None:
    built(tmp_path, "host")
    program = tmp_path / "gauge07_host"
    assert host_run(program, "319", "-8").stdout.splitlines()[3:] == [corrected(TABLE, 0, 319), corrected(TABLE, 0, -8)]
    for given, result in (
        (["--stor", "x"], "expected --store, --image or --measured: --stor\n"),
        (["--measured", "1"], "an option lacks its value: --measured\n"),
        (["31.5"], "expected an integer of 32 bits: 31.5\n"),
        (["40000"], "expected a code, -32768 to 32767: 40000\n"),
        (["--image", str(tmp_path / "none")], f"cannot be read: {tmp_path / 'none'}\n"),
        (["--store", str(EXAMPLE / "gauge07.bin")], f"is not a store of this program: {EXAMPLE / 'gauge07.bin'}\n"),
    ):
        done = host_run(program, *given)
        assert (done.returncode, done.stderr) == (2, result)


@on_host
def test_the_worked_example_of_the_trim_holds(tmp_path: Path) -> None:
    # The reference is 10 MHz; all follows from y = f_true / f_shown - 1 (a fast timebase shows too little).
    reference_millihz, shown_millihz = 10_000_000_000, 9_999_982_095
    measured_ppt = nearest((Fraction(reference_millihz, shown_millihz) - 1) * 10**12)
    base_ppt = measured_ppt - offset_ppt(TABLE, 319)
    untrimmed_millihz = nearest(shown_millihz * (1 + Fraction(offset_ppt(TABLE, 319), 10**12)))
    trimmed_millihz = nearest(shown_millihz * (1 + Fraction(measured_ppt, 10**12)))
    assert trimmed_millihz == reference_millihz
    text = " ".join((EXAMPLE / "README.md").read_text(encoding="utf-8").split())
    numbers = (offset_ppt(TABLE, 319), measured_ppt, base_ppt, shown_millihz, untrimmed_millihz, trimmed_millihz)
    for number in numbers:
        assert f"{number:,}".replace(",", " ") in text, number
    built(tmp_path, "host")
    result = host_run(tmp_path / "gauge07_host", "--measured", "319", str(measured_ppt), "319").stdout
    assert result.splitlines()[1:] == [
        "new base: stored",
        "table: the one in the program",
        f"base: {base_ppt} ppt",
        corrected(TABLE, base_ppt, 319),
    ]


# --- the power fails at each byte ------------------------------------------------------------------------------------

COMPILERS = find_compilers()[:1]
needs_compiler = pytest.mark.skipif(not COMPILERS, reason="needs a C compiler")
SOURCES = ("board.h", "little_endian.h", "table_store.h", "table_store.c", "trim.h", "trim.c")
GENERATED = ("gauge07.h", "gauge07.c", "gauge07_follow.h", "gauge07_follow.c", "gauge07_image.h", "gauge07_image.c")
NEXT = changed(TABLE, entries=tuple(entry // 2 for entry in TABLE.entries))
IMAGES = (WIDER, TABLE, TURNED, NEXT)
TABLES_BEFORE = {0: (0, TABLE), 1: (1, WIDER), 2: (2, TABLE)}
"""Sequence number and table in use before the cut, by the number of tables stored; 0 is the table in the program."""


def trials_of(folder: Path, fault: tuple[str, str, str] | None = None, block: int = 8) -> list[list[str]]:
    """What power_cut.c prints, with a fault planted or without."""
    for name in (*SOURCES, *GENERATED):
        text = (EXAMPLE / name).read_text(encoding="ascii")
        if fault is not None and fault[0] == name:
            assert text.count(fault[1]) == 1
            text = text.replace(*fault[1:])
        (folder / name).write_text(text, encoding="ascii")
    for number, table in enumerate(IMAGES):
        (folder / f"{number}.bin").write_bytes(image_bytes(table))
    shutil.copy(DATA / "power_cut.c", folder)
    files = sorted(path.name for path in folder.glob("*.c"))
    command = [
        *COMPILERS[0].command,
        "-std=c99",
        "-O2",
        f"-DBOARD_BLOCK_BYTES={block}u",
        *WARNINGS,
        *files,
        "-o",
        "power_cut.exe",
    ]
    subprocess.run(command, cwd=folder, check=True, timeout=RUNNING_S)
    run = [str(folder / "power_cut.exe"), *(f"{number}.bin" for number in range(len(IMAGES)))]
    done = subprocess.run(run, cwd=folder, capture_output=True, text=True, check=True, timeout=RUNNING_S)
    return [line.split() for line in done.stdout.splitlines()]


def wrong_trials(trials: list[list[str]], block: int = 8) -> Iterator[list[str]]:
    """Each trial that is wrong: neither before nor after, before again behind a cut that left it after, or stuck."""
    new_by: dict[tuple[str, ...], bool] = {}
    cuts: dict[tuple[str, ...], int] = {}
    for trial in trials:
        group = tuple(trial[:4])
        state = tuple(int(word) for word in trial[5:7])
        before, after, then = _allowed(trial)
        cuts[group] = int(trial[4])
        if state not in (*before, after) or (new_by.get(group, False) and state != after):
            yield trial
        elif tuple(int(word) for word in trial[7:9]) != then:
            yield [*trial, "(the next one did not come through)"]
        new_by[group] = state == after
    # Every byte of the image, of its seal, and of the base was cut at; the last trial of each group was not cut.
    for group, count in cuts.items():
        least = {"base": 2 * block, "roll": block}.get(group[0], len(image_bytes(TURNED)) + block)
        if count < least or not new_by[group]:
            yield [*group, f"ended at {count} bytes"]


def _allowed(trial: list[str]) -> tuple[tuple[tuple[int, ...], ...], tuple[int, ...], tuple[int, ...]]:
    if trial[0] == "base":
        return ((1, -50_000), (0, 0)), (1, 123_456_789), (1, 42)
    if trial[0] == "roll":
        return ((2, offset_ppt(TABLE, 319)),), (1, offset_ppt(WIDER, 319)), (0, offset_ppt(NEXT, 319))
    sequence, table = TABLES_BEFORE[int(trial[3])]
    before = (sequence, offset_ppt(table, 319))
    return (before,), (sequence + 1, offset_ppt(TURNED, 319)), (0, offset_ppt(NEXT, 319))


# Smallest units of writing: bytes of an EEPROM and double words of flash, and units of 16 and 32 bytes that some flash has.
@needs_compiler
@pytest.mark.parametrize("block", [8, 16, 32])
def test_a_power_cut_at_any_byte_leaves_the_old_or_the_new_table_whole(tmp_path: Path, block: int) -> None:
    trials = trials_of(tmp_path, block=block)[:-1]
    assert {trial[0] for trial in trials} == {"table", "roll", "base"}
    assert list(wrong_trials(trials, block)) == []


@needs_compiler
def test_a_memory_that_does_not_keep_the_new_table_is_seen_and_the_old_one_stays(tmp_path: Path) -> None:
    assert trials_of(tmp_path)[-1] == ["stuck", "10", "2", str(offset_ppt(TABLE, 319))]


@needs_compiler
@pytest.mark.parametrize(
    ("name", "right", "wrong"),
    [
        ("table_store.c", "write_image(slot, image, length);\n        seal_slot(slot, sequence, ~sequence);",
         "seal_slot(slot, sequence, ~sequence);\n        write_image(slot, image, length);"),
        ("table_store.c", "== UINT32_C(0xFFFFFFFF)) ? sequence : 0u", "!= 1u) ? sequence : 0u"),
        ("table_store.c", "slot = (uint8_t)(1u - store->slot)", "slot = (store->slot)"),
        ("table_store.c", "(sequence[1] > sequence[0])", "(sequence[1] < sequence[0])"),
        ("trim.c", "!= 0xFFu) {", "!= 0xFFu && place > 3u) {"),
        ("table_store.c", "board_store_erase(newer);", "board_store_erase(older);"),
        ("table_store.c", "seal_slot(newer, 0u, 0u);", ";"),
    ],
    ids=[
        "seal before the image", "seal not checked", "over the one in use", "older wins", "base not checked",
        "the older one erased", "the newer one's seal left",
    ],
)  # fmt: skip
def test_a_planted_fault_of_the_store_is_found(tmp_path: Path, name: str, right: str, wrong: str) -> None:
    assert list(wrong_trials(trials_of(tmp_path, (name, right, wrong))[:-1])) != []
