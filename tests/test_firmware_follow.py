"""The filter that follows a moving temperature: its integers, its C, and the faults that its proofs must find."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from independent import lagged
from tables import step_table

from tcomp.errors import FirmwareError
from tcomp.firmware import Stamp
from tcomp.firmware.exporters.c99 import c_source
from tcomp.proof import calls
from tcomp.proof.follow import prove_follow, prove_follow_on
from tcomp.proof.induction import induction_faults
from tcomp.tables import AdcScale, CorrectionTable, TemperatureScale
from tcomp.tables.follow import FollowFilter, Loop, Stage, most_fine_bits

STAMP = Stamp("1.0", "sha256 00ff", "gauge 07", (), "ramps to 1 degC/min")


def straight(
    count: int = 5, *, slope: int = 1600, unit_log2_ppt: int = 6, low_code: int = -32, step_log2: int = 4
) -> CorrectionTable:
    """Invented: a straight line, so that what is read says where the filter is."""
    high_code = low_code + (count - 1 << step_log2)
    return step_table(
        first_code=low_code, step_log2=step_log2, interpolation="linear", scale=TemperatureScale(16), low_code=low_code,
        high_code=high_code, entry_bits=16, unit_log2_ppt=unit_log2_ppt,
        entries=tuple(slope * place for place in range(count)), max_error_ppb=0.0, rms_error_ppb=0.0,
    )  # fmt: skip


def follower(table: CorrectionTable, *stages: Stage, loop: Loop | None = None, most: int = 8) -> FollowFilter:
    span = table.high_code - table.low_code
    fine = min(most, most_fine_bits(span, tuple(stage.part for stage in stages)))
    return FollowFilter(
        table=table,
        update_s=10.0,
        fine_bits=fine,
        slot_bits=4 if span < 4096 else 0,
        stages=stages,
        loop=loop,
        words="Invented.",
    )


def raw_codes() -> CorrectionTable:
    """Every code of 16 bits, without a sign: the last has no code above it (invented)."""
    from tcomp.job import Sensor

    return step_table(
        first_code=0, step_log2=14, interpolation="linear", low_code=0, high_code=65535, entry_bits=16, unit_log2_ppt=10,
        scale=AdcScale(Sensor("linear", degc_per_count=-0.002, offset_c=100.0)), entries=(9, -2000, 5, 32000, 700),
        max_error_ppb=0.0, rms_error_ppb=0.0,
    )  # fmt: skip


FILTERS: dict[str, FollowFilter] = {
    "lag": follower(straight(), Stage(part=3746), most=4),
    "two lags and a loop": follower(
        straight(), Stage(part=3746), Stage(part=20000), loop=Loop(half=24, weight=-90001), most=4
    ),
    "lead": follower(straight(), Stage(part=9000, lead_log2=1), most=4),
    "slow lead, then a lag": follower(straight(), Stage(part=9000, lead_log2=-2), Stage(part=700), most=4),
    "no time constant, a loop": follower(straight(), loop=Loop(half=16, weight=70000), most=4),
    "raw codes": follower(raw_codes(), Stage(part=3746)),
}
each_filter = pytest.mark.parametrize("name", FILTERS)


def sources(follow: FollowFilter) -> dict[str, str]:
    return c_source(follow.table, "t", corrections=(), stamp=STAMP, follow=follow)


def changed(found: dict[str, str], before: str, after: str) -> dict[str, str]:
    assert before in found["t_follow.c"], before
    return found | {"t_follow.c": found["t_follow.c"].replace(before, after, 1)}


def test_an_update_in_numbers() -> None:
    # By hand: the mean of codes 0 and 16 is 8, 2048 fine codes; a part of 6554 / 65536 of it is 204.8, of which 0.8 is carried:
    # then 204.8 + (4096 - 204) * 0.1000061 = 594.02.
    slow = follower(straight(low_code=0), Stage(part=6554))
    first = slow.updated(slow.start(0), 16)
    second = slow.updated(first, 16)
    assert (slow.fine_code(first), slow.fine_code(second)) == (204, 594)
    # 100 units of 64 ppt a code, read at 16ths of a code: 594 / 256 is 37 / 16, 231.25 units, of which 231 are 14 784 ppt.
    assert slow.offset_ppt(second) == 14784


def test_it_lags_a_ramp_by_its_time_constant() -> None:
    # A first-order system lags a ramp by rate times time constant; the simulator is independent.py's low-pass, second by second.
    table = straight(count=81, slope=16, unit_log2_ppt=10, low_code=-320)
    slow = follower(table, Stage(part=round(65536 / (170 / 10 + 0.5))))
    codes = np.minimum(-320 + 4 * np.arange(280), 760)  # 1.5 degC/min, a reading each 10 s, on whole codes
    state, found = slow.start(int(codes[0])), []
    for code in codes:
        state = slow.updated(state, int(code))
        found.append(slow.fine_code(state) / (1 << slow.fine_bits))
    true = lagged(np.minimum(-320 + 0.4 * np.arange(2800), 760.0), 170.0)[::10]
    # The simulator holds each reading for its second where the ramp goes on: up to half a second of 0.4 codes/s. Besides, the
    # part is rounded to 65536ths: 1e-4 of 68 codes. Unfollowed: 68 codes.
    assert np.abs(np.array(found) - true)[:270].max() < 0.2 + 0.01
    assert np.abs(codes - true).max() > 67


def test_a_lead_goes_ahead_of_a_ramp_by_its_time_constant() -> None:
    # 16 updates of lead, a low-pass of 8: 2**1 times what the code is ahead of it. On a ramp of 1 code an update: 16 ahead.
    table = straight(count=81, slope=16, unit_log2_ppt=10, low_code=-320)
    ahead = follower(table, Stage(part=round(65536 / 8.5), lead_log2=1))
    state = ahead.start(-320)
    for code in range(-320, 0):
        state = ahead.updated(state, code)
    assert abs(ahead.fine_code(state) / (1 << ahead.fine_bits) - (-1 + 16)) < 0.02


@each_filter
def test_a_constant_code_ends_in_the_plain_offset_for_ever(name: str) -> None:
    follow = FILTERS[name]
    table, plain = follow.table, replace(follow, loop=None)
    for start, code in ((table.low_code, table.low_code + 37), (table.high_code, table.low_code + 5)):
        state = plain.missed(plain.updated(plain.start(start), code), 20000)
        assert plain.offset_ppt(state) == int(table.offset_ppt(code))
        assert plain.updated(state, code) == state
    # With a loop the start alone is in its middle.
    assert follow.offset_ppt(follow.updated(follow.start(code), code)) == int(table.offset_ppt(code))


def test_minor_loops_of_200_ppb_are_cut_five_times() -> None:
    """Invented: a play of 2 degC and 200 ppb over a slope, minor loops of falling width; sensor steps of 1/16 degC."""
    table = straight(count=81, slope=16, unit_log2_ppt=10, low_code=-320)
    half = round(1.0 * 16 * 16)
    follow = follower(table, loop=Loop(half=half, weight=round(100_000 / half * 256)))
    corners = np.array([0.0, 30.0, 5.0, 25.0, 10.0, 20.0, 13.0, 17.0, 14.5, 16.0])
    true_c = np.concatenate([np.linspace(a, b, 200, endpoint=False) for a, b in pairwise(corners)])
    slot, loop_ppb = true_c[0], []
    for now in true_c:
        slot = min(max(slot, now - 1.0), now + 1.0)
        loop_ppb.append(100.0 * (now - slot))
    codes = np.rint(true_c * 16).astype(int)
    alone_ppb = table.offset_ppt(codes) / 1e3
    left = follow.followed_ppt(codes) / 1e3 - alone_ppb - np.array(loop_ppb)
    assert np.abs(loop_ppb).max() == pytest.approx(100.0)
    assert np.abs(left).max() < 100.0 / 5


@each_filter
def test_the_c_is_its_specification_on_this_machine(name: str) -> None:
    follow = FILTERS[name]
    found = prove_follow(sources(follow), follow, "t", random_updates=500)
    assert found.holds, found.first_mismatches


@pytest.mark.parametrize("target", ["cortex-m0plus", "rv32imc", "avr"])
def test_the_c_is_its_specification_on_targets(target: str) -> None:
    from tcomp.proof.targets import why_not

    if why_not(target):
        pytest.skip(why_not(target))
    follow = FILTERS["two lags and a loop"]
    found = prove_follow_on(target, sources(follow), follow, "t", 300)
    assert found.holds, found.first_mismatches


FAULTS = {
    "the rest is dropped": ("*rest = (uint16_t)(moved & 0xFFFFu);", "*rest = 0u;"),
    "half is not taken off": ("(moved >> 16u) - 0x8000u", "(moved >> 16u) - 0x7FFFu"),
    "another part": (", 3746u)", ", 3747u)"),
    "the code alone, not the mean": ("((uint32_t)f->along + along) << 3u", "((uint32_t)along + along) << 3u"),
    "the last code is not kept": ("    f->along = along;\n    return", "    return"),
    "the end is missed": ("asked > T_HIGH_CODE", "asked >= T_HIGH_CODE - 1"),
    "the next part of a code": ("(at + 0u) >> 0u", "(at + 1u) >> 0u"),
    "missed updates are skipped": ("left = updates; left != 0u", "left = updates; left > 1u"),
}


@pytest.fixture
def one_build(monkeypatch: pytest.MonkeyPatch) -> None:
    """A fault that every build has is found in the first; that each is built and compared, other tests show."""
    monkeypatch.setattr(calls, "builds_of", lambda sources: (("-O0",),))


@pytest.mark.usefixtures("one_build")
@pytest.mark.parametrize("fault", FAULTS)
def test_a_planted_fault_is_found_by_sequences_and_by_induction(fault: str) -> None:
    follow = FILTERS["lag"]
    wrong = changed(sources(follow), *FAULTS[fault])
    assert not prove_follow(wrong, follow, "t", random_updates=50).holds
    assert induction_faults(wrong, follow, "t")


# An int of 16 bits changes the types of some terms, which one filter shows.
@pytest.mark.parametrize(
    ("name", "int_bits"), [(name, bits) for name in FILTERS for bits in (32, 16) if bits == 32 or name == "lag"]
)
def test_induction_holds_over_every_state_and_code(name: str, int_bits: int) -> None:
    assert induction_faults(sources(FILTERS[name]), FILTERS[name], "t", int_bits) == ()


@pytest.mark.usefixtures("one_build")
def test_a_fault_between_codes_is_found() -> None:
    follow = FILTERS["lag"]
    found = sources(follow)
    assert "along & 0xFFu" in found["t.c"]
    wrong = found | {"t.c": found["t.c"].replace("along & 0xFFu", "along & 0xF7u")}
    assert not prove_follow(wrong, follow, "t", random_updates=0).holds
    follow = FILTERS["raw codes"]
    wrong = changed(sources(follow), "(above - below) * part", "(above - below) * (part & 1u)")
    assert not prove_follow(wrong, follow, "t", random_updates=50).holds
    assert induction_faults(wrong, follow, "t")


def test_a_slot_that_is_dragged_too_far_is_found_by_induction() -> None:
    follow = FILTERS["no time constant, a loop"]
    wrong = changed(sources(follow), "slot > (place + 16u)", "slot >= (place + 15u)")
    assert induction_faults(wrong, follow, "t")


def test_what_c_leaves_open_is_found_by_induction() -> None:
    follow = FILTERS["lag"]
    calculated = "(uint32_t)(T_LOW_CODE * INT32_C(16))"
    for what, instead in (
        ("a shift of a negative number to the right", "(uint32_t)(T_LOW_CODE >> 1u)"),
        ("a signed overflow", "(uint32_t)(T_LOW_CODE - INT32_C(2147483647))"),
        ("a conversion to a signed type changes the value", "(uint32_t)(int32_t)(uint32_t)(T_LOW_CODE * INT32_C(16))"),
    ):
        wrong = changed(sources(follow), calculated, instead)
        assert any(what in text for text in induction_faults(wrong, follow, "t")), what


@each_filter
def test_the_state_takes_no_more_than_16_bytes(name: str) -> None:
    assert FILTERS[name].state_bytes <= 16


def test_what_does_not_fit_the_integers_is_refused() -> None:
    with pytest.raises(FirmwareError, match="does not fit 32 bits"):
        FollowFilter(table=raw_codes(), update_s=10.0, fine_bits=8, slot_bits=0, stages=(Stage(part=3746),))
    with pytest.raises(FirmwareError, match="16 bytes"):
        follower(straight(), Stage(part=1), Stage(part=2), Stage(part=3))
    with pytest.raises(FirmwareError, match="names of 22 apart"):
        c_source(straight(), "a" * 23, corrections=(), stamp=STAMP, follow=FILTERS["lag"])


def test_the_selftest_finds_another_filter(tmp_path: Any) -> None:
    from tcomp.proof import prove

    follow = FILTERS["lag"]
    good = prove(sources(follow), follow.table, "t", ())
    assert good.holds
    wrong = prove(changed(sources(follow), ", 3746u)", ", 4746u)"), follow.table, "t", ())
    assert wrong.selftest


def test_effects_that_no_filter_follows_are_refused_and_not_left_out(monkeypatch: pytest.MonkeyPatch) -> None:
    # Invented: an effect of a kind that the filter does not have.
    from pathlib import Path
    from types import SimpleNamespace

    from tcomp import following
    from tcomp.errors import JobError
    from tcomp.estimation.effects import PlayLoop
    from tcomp.job import read_job

    job = read_job(Path(__file__).parent.parent / "sample_runs" / "river_gauge" / "gauge07.toml")
    curve: Any = SimpleNamespace(effects=(), low_c=-20.0, high_c=60.0)
    loop = PlayLoop(height_ppb=200.0, play_c=2.0)
    table = straight(count=81, slope=16, unit_log2_ppt=10, low_code=-320)
    monkeypatch.setattr(following, "follow_terms", lambda effects: (loop,))
    assert following.following(job, curve, table).filter.loop is not None
    monkeypatch.setattr(following, "follow_terms", lambda effects: (loop, SimpleNamespace()))
    with pytest.raises(
        JobError, match=r"\[firmware\] follow: the curve holds 2 effects .* a loop; give follow = false"
    ):
        following.following(job, curve, table)
