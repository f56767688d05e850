"""What a lookup costs: the exported table of the river gauge, and beside it other ways to the same values.

python benchmarks/lookup_cycles.py          the exported table, in C and in an image, floats, a generic interpolation in q15
python benchmarks/lookup_cycles.py forms    the smallest table of each form for 10 ppb of the same curve
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np
from table_forms import COUNTS_PER_C, fitted_curve

from tcomp.documents.proof import CountRange, LookupCost
from tcomp.firmware import Stamp, c_source, image_bytes, image_source
from tcomp.firmware.exporters.image import HEADER
from tcomp.processors import TARGETS
from tcomp.proof.avr import avr_compiler, avr_lookup_cost
from tcomp.proof.bare_metal import lookup_cost, zig_compiler
from tcomp.proof.targets import why_not
from tcomp.tables import CorrectionTable, TemperatureScale, coded_curve, read_table
from tcomp.tables.design import Designs, Family
from tcomp.tables.layouts.even import EvenFamily, ResidualFamily
from tcomp.tables.layouts.polynomial import PolynomialFamily
from tcomp.tables.layouts.segments import SegmentFamily
from tcomp.tables.layouts.steps import StepFamily, StepLayout

EXPORTED = Path(__file__).parent.parent / "firmware_export"
DEGREE = 5
HORNER_STRIDE = 16
"""Floats take some thousand instructions a code: every 16th is counted."""


def table_sources() -> dict[str, str]:
    """The table as it was exported."""
    return {name: (EXPORTED / name).read_text(encoding="ascii") for name in ("gauge07.h", "gauge07.c")}


def horner_sources(table: CorrectionTable) -> dict[str, str]:
    """A polynomial of degree 5 through the table's values, in floats, rounded; codes held at the range's ends."""
    middle = (table.low_code + table.high_code) / 2
    half = (table.high_code - table.low_code) / 2
    codes = table.codes
    # Highest power first, as Horner's rule takes them.
    coefficients = [f"{value:.9e}f" for value in np.polyfit((codes - middle) / half, table.lookup(codes), DEGREE)]
    nested = coefficients[0]
    for coefficient in coefficients[1:]:
        nested = f"({nested}) * x + {coefficient}"
    body = f"""#include "horner.h"

int16_t horner_lookup(int16_t code)
{{
    const int16_t low = code < {table.low_code} ? (int16_t){table.low_code} : code;
    const int16_t held = low > {table.high_code} ? (int16_t){table.high_code} : low;
    const float x = ((float)held - {middle:.9e}f) * {1 / half:.9e}f;
    const float y = {nested};
    return (int16_t)(y + (y < 0.0f ? -0.5f : 0.5f));
}}
"""
    return {"horner.h": "#include <stdint.h>\nint16_t horner_lookup(int16_t code);\n", "horner.c": body}


def q15_sources(table: CorrectionTable) -> dict[str, str]:
    """The exported entries read by a generic interpolation: an argument with 20 bits of fraction, 64-bit products."""
    entries = ", ".join(map(str, table.entries))
    first, step_log2 = int(table.knot_codes[0]), int(table.knot_codes[1] - table.knot_codes[0]).bit_length() - 1
    body = f"""#include "q15.h"

static const int16_t q15_entries[] = {{ {entries} }};

int16_t q15_lookup(int16_t code)
{{
    const int32_t x = ((int32_t)code - ({first})) * (INT32_C(1) << {20 - step_log2});
    const int32_t index = x / (INT32_C(1) << 20);
    const int32_t fraction = x - index * (INT32_C(1) << 20);
    int64_t y;

    if (x < 0) {{
        return q15_entries[0];
    }}
    if (index >= {len(table.entries) - 1}) {{
        return q15_entries[{len(table.entries) - 1}];
    }}
    y = (int64_t)q15_entries[index] * ((INT32_C(1) << 20) - fraction);
    y += (int64_t)q15_entries[index + 1] * fraction;
    return (int16_t)(y / (INT32_C(1) << 20));
}}
"""
    return {"q15.h": "#include <stdint.h>\nint16_t q15_lookup(int16_t code);\n", "q15.c": body}


def image_sources(table: CorrectionTable) -> dict[str, str]:
    """The exported table as an image that was opened before, looked up through a function of its own, which is counted, too."""
    layout, image = table.layout, image_bytes(table)
    assert isinstance(layout, StepLayout)
    fields = (
        f"bytes + {HEADER.size}", table.low_code, table.high_code, layout.first_code, 0, f"{2**16 >> layout.step_log2}u",
        f"{table.low_code % 2**16}u", f"{table.high_code - table.low_code}u", f"{table.low_code - layout.first_code}u",
        2, layout.step_log2, table.unit_log2_ppt, 1,
    )  # fmt: skip
    body = f"""#include "t.h"
static const uint8_t bytes[] = {{{", ".join(map(str, image))}}};
const struct t_image image = {{{", ".join(map(str, fields))}}};
int32_t t_lookup(int16_t code)
{{
    return t_image_lookup(&image, code);
}}
"""
    own = {"t.h": '#include "t_image.h"\nint32_t t_lookup(int16_t code);\n', "t.c": body}
    return image_source(table, "t", Stamp("", "", "gauge 07", (), "")) | own


def form_sources() -> dict[str, tuple[dict[str, str], str, int]]:
    """The smallest table of each form for 10 ppb of the river gauge's curve; the polynomials are integer Horner."""
    fit_result = fitted_curve()
    curve = coded_curve(fit_result.continued_ppb, fit_result.low_c, fit_result.high_c, TemperatureScale(COUNTS_PER_C))
    designs = Designs(curve)
    families: list[Family] = [
        StepFamily(designs, 16, "linear", "auto"), EvenFamily(designs, 16, "linear"), EvenFamily(designs, 16, "quadratic"),
        SegmentFamily(designs, 16), ResidualFamily(designs, 8, "linear", 3),
        PolynomialFamily(designs, 16), PolynomialFamily(designs, 32),
    ]  # fmt: skip
    stamp = Stamp("", "", "gauge 07", (), "")
    tables = [table for family in families if (table := family.smallest(10.0)) is not None]
    return {table.summary: (c_source(table, "t", corrections=(), stamp=stamp), "t", 1) for table in tables}


def exported_sources() -> dict[str, tuple[dict[str, str], str, int]]:
    """The exported table, and other ways to its values."""
    table = read_table(EXPORTED / "gauge07.json")
    return {
        "table": (table_sources(), "gauge07", 1),
        "table, in an image": (image_sources(table), "t", 1),
        "q15, generic": (q15_sources(table), "q15", 1),
        "float Horner": (horner_sources(table), "horner", HORNER_STRIDE),
    }


def cost_on(target: str, sources: dict[str, str], symbol: str, stride: int) -> LookupCost:
    """Count a lookup on one target."""
    with tempfile.TemporaryDirectory() as folder:
        if target == "avr":
            return avr_lookup_cost(sources, symbol, Path(folder), stride)
        return lookup_cost(target, sources, symbol, Path(folder), stride)


def spread_text(spread: CountRange | None) -> str:
    """Least, mean and largest."""
    return "" if spread is None else f"{spread.least} / {spread.mean:.1f} / {spread.largest}"


def row(target: str, form: str, cost: LookupCost, compiler: str) -> str:
    """One line of the table."""
    cells = (
        target,
        form,
        spread_text(cost.instructions),
        spread_text(cost.cycles),
        str(cost.code_bytes),
        f"{cost.table_bytes}{' (and in RAM)' if cost.table_in_ram else ''}",
        compiler,
    )
    return f"| {' | '.join(cells)} |"


def main(*, of_forms: bool) -> None:
    """Print the table in Markdown; a target that this machine cannot run gets a line that says so."""
    forms = form_sources() if of_forms else exported_sources()
    print("| target | form | instructions | cycles | code, bytes | table, bytes | compiler, -Os |")
    print("|---|---|---|---|---|---|---|")
    for target in TARGETS:
        if reason := why_not(target):
            print(f"| {target} | not run: {reason} | | | | | |")
            continue
        compiler = avr_compiler() if target == "avr" else zig_compiler()
        for form, (sources, symbol, stride) in forms.items():
            wanted = {name: text for name, text in sources.items() if "_selftest" not in name}
            cost = cost_on(target, wanted, symbol, stride)
            print(row(target, form, cost, f"{compiler.name}, {compiler.version}"), flush=True)


if __name__ == "__main__":
    main(of_forms=sys.argv[1:] == ["forms"])
