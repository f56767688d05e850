"""The C of the filter that follows a moving temperature: what fills in its templates, and vectors for its self-test."""

from __future__ import annotations

from collections.abc import Iterator

from tcomp.errors import FirmwareError
from tcomp.tables.follow import FollowFilter, Stage
from tcomp.tables.layouts.steps import StepLayout

LONGEST_SYMBOL = 22
"""With "_follow_s", "_follow_o", "_follow_m" and "_follow_f" behind it, the first 31 characters tell the names apart."""
VECTORS = 24


def follow_templates(follow: FollowFilter) -> tuple[str, ...]:
    """Templates of SYMBOL_follow.c, in the order of their text."""
    pieces = {
        "follow.c": True,
        "follow_pole.c": bool(follow.stages),
        "follow_held.c": any(stage.lead_log2 is not None for stage in follow.stages),
        "follow_play.c": follow.loop is not None,
        "follow_at.c": True,
        "follow_read.c": follow.way_bits is None,
        "follow_read_way.c": follow.way_bits is not None,
        "follow_state.c": True,
    }
    return tuple(name for name, needed in pieces.items() if needed)


def follow_names(follow: FollowFilter, symbol: str) -> dict[str, object]:
    """What the templates fill in.

    Raises
    ------
    FirmwareError
        The symbol is so long that C might not tell its names apart.
    """
    if len(symbol) > LONGEST_SYMBOL:
        raise FirmwareError(
            f'symbol "{symbol}" has {len(symbol)} characters; with follow C tells names of {LONGEST_SYMBOL} apart'
        )
    table, loop = follow.table, follow.loop
    at_end = table.high_code == table.scale.largest_code
    return {
        "span": follow.span,
        "top": follow.top,
        "fine_bits": follow.fine_bits,
        "fine_per_code": 1 << follow.fine_bits,
        "fine_mask": (1 << follow.fine_bits) - 1,
        "state_bytes": follow.state_bytes,
        "update_ms": round(follow.update_s * 1000),
        "update_words": f"{follow.update_s:g} s",
        "members": "\n".join(f"    {line}" for line in _members(follow)),
        "at": "\n".join(f"    {line}" for line in _at(follow, symbol)),
        "moved": "\n".join(f"    {line}" for line in _moved(follow, symbol)),
        "started": "\n".join(f"    {line}" for line in _started(follow)),
        # A code more would leave the code's type; on a code its neighbour does not count.
        "next": "((part != 0u) ? (code + 1) : code)" if at_end else "(code + 1)",
        "between": _between(follow),
        "half": 0 if loop is None else loop.half,
        **_way(follow, symbol),
        "loop": "" if loop is None else f"\n        + {_loop(follow, symbol, loop.weight)}",
        "but_loop": "" if loop is None else ", but for where the loop was left",
        "loop_product": "" if loop is None else ", and one for the loop",
        "middle": "" if loop is None else ", in the middle of the loop",
    }


def _members(follow: FollowFilter) -> Iterator[str]:
    count = len(follow.stages)
    if count:
        yield f"uint32_t fine[{count}];"
        yield f"uint16_t rest[{count}];"
    yield "uint16_t along;"
    if follow.loop is not None:
        yield "uint16_t slot;"


def _lead(symbol: str, stage: Stage, target: str, fine: str) -> str:
    ahead, lead = f"({target} - {fine})", stage.lead_log2 or 0
    if lead >= 0:
        return f"{symbol}_follow_held({target} + ({ahead} << {lead}u))"
    half = 1 << (31 + lead)
    shifted = f"(({ahead} + UINT32_C(0x80000000)) >> {-lead}u) - UINT32_C(0x{half:08X})"
    return f"{symbol}_follow_held({target} + {shifted})"


def _output(symbol: str, stage: Stage, target: str, number: int) -> str:
    fine = f"f->fine[{number}]"
    return fine if stage.lead_log2 is None else _lead(symbol, stage, target, fine)


def _at(follow: FollowFilter, symbol: str) -> Iterator[str]:
    """The output of the last stage; a lag needs only its own state."""
    sensor = f"((uint32_t)f->along << {follow.fine_bits}u)"
    needed = [number for number, stage in enumerate(follow.stages) if stage.lead_log2 is None]
    first = needed[-1] if needed else 0
    if not follow.stages:
        yield f"return {sensor};"
        return
    if follow.stages[first].lead_log2 is None and first == len(follow.stages) - 1:
        yield f"return f->fine[{first}];"
        return
    yield f"uint32_t at = {sensor};"
    yield ""
    for number, stage in enumerate(follow.stages):
        yield f"at = {_output(symbol, stage, 'at', number)};"
    yield "return at;"


def _moved(follow: FollowFilter, symbol: str) -> Iterator[str]:
    """The trapezoidal rule for the first stage: the mean of this code and the last one."""
    bits = follow.fine_bits
    for number, stage in enumerate(follow.stages):
        if number == 0:
            target = f"((uint32_t)f->along + along) << {bits - 1}u"
        else:
            target = _output(symbol, follow.stages[0], f"((uint32_t)along << {bits}u)", 0)
        yield f"f->fine[{number}] = {symbol}_follow_pole(f->fine[{number}], &f->rest[{number}], {target}, {stage.part}u);"
    yield "f->along = along;"
    if follow.loop is not None:
        yield f"f->slot = {symbol}_follow_dragged(f->slot, {symbol}_follow_at(f) >> {bits - follow.slot_bits}u);"


def _started(follow: FollowFilter) -> Iterator[str]:
    for number in range(len(follow.stages)):
        yield f"f->fine[{number}] = (uint32_t)along << {follow.fine_bits}u;"
        yield f"f->rest[{number}] = 0u;"
    yield "f->along = along;"
    if follow.loop is not None:
        yield f"f->slot = (uint16_t)((uint32_t)along << {follow.slot_bits}u);"


def _way(follow: FollowFilter, symbol: str) -> dict[str, object]:
    """Of a lookup that reads between codes by itself."""
    layout, bits = follow.table.layout, follow.way_bits
    if bits is None or not isinstance(layout, StepLayout):
        return {}
    lead, shift = (follow.table.low_code - layout.first_code) << bits, follow.fine_bits - bits
    read, unit = f"{symbol}_lookup_between(place)", f"{symbol.upper()}_UNIT_PPT"
    if follow.loop is None:
        text = f"    return (int32_t){read} * {unit};"
    else:
        text = (
            f"    const uint32_t of_table = (uint32_t)((int32_t){read} * {unit});\n\n"
            f"    return {symbol}_follow_signed(of_table\n        + {_loop(follow, symbol, follow.loop.weight)});"
        )
    return {
        "way_half": (1 << shift) >> 1,
        "way_shift": shift,
        "way_return": text if follow.loop is not None else f"\n{text}",
        "way_lead": f" + {lead}u" if lead else "",
        "way_parts": 1 << bits,
    }


def _between(follow: FollowFilter) -> str:
    """The way from code to code in ppt: exact where a unit is finer than a fine code, else to nearest, ties upwards."""
    shift = follow.table.unit_log2_ppt - follow.fine_bits
    if shift >= 0:
        return "rise" if shift == 0 else f"(rise << {shift}u)"
    return _floor("rise", 1 << (-shift - 1), -shift)


def _loop(follow: FollowFilter, symbol: str, weight: int) -> str:
    position = f"(at >> {follow.fine_bits - follow.slot_bits}u) - f->slot"
    return f"{symbol}_follow_loop({position}, (uint32_t)INT32_C({weight}))"


def _floor(bits: str, more: int, shift: int) -> str:
    """A shift of a signed number to the right, rounded: half of all that 32 bits hold stands for zero."""
    return f"((({bits} + UINT32_C(0x{2**31 + more:08X})) >> {shift}u) - UINT32_C(0x{2**31 >> shift:08X}))"


def follow_vectors(follow: FollowFilter) -> tuple[tuple[int, int], ...]:
    """A code and the offset expected of each update: from the middle to one end, to the other, and back to rest."""
    table = follow.table
    low, high, span = table.low_code, table.high_code, follow.span
    middle = low + span // 2
    codes = [middle, middle, *(min(high, middle + span * step // 16) for step in range(1, 8)), high, high]
    codes += [table.scale.largest_code, table.scale.least_code, low, low, low + span // 3, low + span // 3 + 1]
    codes += [middle] * (VECTORS - len(codes))
    return tuple(zip(codes, follow.followed_ppt(codes).tolist(), strict=True))
