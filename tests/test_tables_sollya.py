"""PolynomialFamily held against Sollya's: its Remez algorithm, and its search among polynomials with integer coefficients.

Sollya 8.0 (S. Chevillard, M. Joldes, C. Lauter, Sollya: an environment for the development of numerical codes, ICMS 2010;
citation from memory) computes in 200 bits here, on the interval; a table is designed on the codes in it alone.
"""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
import pytest

from tcomp.simulation.crystal import AtCut
from tcomp.tables import CodedCurve, TemperatureScale, coded_curve
from tcomp.tables.coefficients import ARGUMENT_BITS
from tcomp.tables.layouts.even import even_layout
from tcomp.tables.layouts.polynomial import (
    Polynomial,
    argument_scale,
    minimax_polynomial,
    polynomial_table,
)
from tcomp.tables.minimax import minimax_entries
from tcomp.tables.rounding import unit_ppb

pytestmark = pytest.mark.skipif(shutil.which("sollya") is None, reason="needs sollya")

COUNTS_PER_C = 100
A1, A2, A3 = AtCut(angle_minutes=2.6).coefficients_ppb

Floats = np.ndarray


@dataclass(frozen=True)
class Case:
    """A curve about 25 degC, for both: d is the temperature less 25 degC. [ppb]"""

    text: str
    offset_ppb: Callable[[Floats], Floats]

    @property
    def curve(self) -> CodedCurve:
        return coded_curve(lambda t: self.offset_ppb(t - 25.0), -20.0, 60.0, TemperatureScale(COUNTS_PER_C))


CASES = {
    # The river gauge's crystal: the handbook's coefficients of an AT cut.
    "AT cubic": Case(f"{A1!r}*d+{A2!r}*d^2+{A3!r}*d^3", lambda d: A1 * d + A2 * d**2 + A3 * d**3),
    # Invented: what an oscillator's own compensation may leave.
    "fifth degree": Case("-25*d+0.1*d^3-4e-4*d^4+6e-6*d^5", lambda d: -25 * d + 0.1 * d**3 - 4e-4 * d**4 + 6e-6 * d**5),
    # -35 ppb/degC**2: common practice, no source.
    "parabola": Case("-35*d^2", lambda d: -35.0 * d**2),
    # Invented: no polynomial at all.
    "wavy": Case("-25*d+0.1*d^3+30*sin((d+25)/9)", lambda d: -25 * d + 0.1 * d**3 + 30.0 * np.sin((d + 25) / 9)),
}


def sollya(name: str, program: str) -> list[float]:
    """What a program prints about f, the curve of a case, on I, the interval of the argument x over its codes."""
    curve = CASES[name].curve
    middle_code, shift = argument_scale(curve)
    ends = [(code - middle_code) * 2.0 ** (shift - ARGUMENT_BITS) for code in (curve.low_code, curve.high_code)]
    away = f"(({middle_code}+x*{2 ** (ARGUMENT_BITS - shift)})/{COUNTS_PER_C}-25)"
    lines = [
        "prec=200!;",
        f"f={CASES[name].text.replace('d', away)};",
        f"I=[{ends[0]!r};{ends[1]!r}];",
        program,
        "quit;",
    ]
    done = subprocess.run(
        ["sollya", "--noprompt", "--nocolor", "--warnonstderr"],
        input="\n".join(lines) + "\n", capture_output=True, text=True, timeout=60, check=True,
    )  # fmt: skip
    return [float(line) for line in done.stdout.split()]


@cache
def least_error_ppb(name: str, degree: int) -> float:
    """Worst error of Sollya's polynomial of that degree with real coefficients."""
    (error_ppb,) = sollya(name, f"p=remez(f,{degree},I);dirtyinfnorm(p-f,I);")
    return error_ppb


def integer_coefficients(name: str, degree: int, unit: float) -> tuple[float, tuple[int, ...]]:
    """Worst error of Sollya's polynomial with coefficients in whole units, exactly computed, and these. [ppb] [units]"""
    formats = ",".join(["0"] * (degree + 1))  # bits behind the point
    error_ppb, *found = sollya(
        name,
        f"q=fpminimax(f/{unit!r},{degree},[|{formats}|],I,fixed,absolute);dirtyinfnorm(q*{unit!r}-f,I);"
        + "".join(f"coeff(q,{power});" for power in range(degree + 1)),
    )
    return error_ppb, tuple(int(coefficient) for coefficient in found)


def firmware_error_ppb(curve: CodedCurve, coefficients: tuple[int, ...], unit: float) -> float:
    """Worst error over all codes as Horner's rule in integers computes it."""
    value = Polynomial(*argument_scale(curve), coefficients).value(curve.codes)
    return float(np.abs(value * unit - curve.offset_ppb).max())


@pytest.mark.parametrize(
    ("name", "degree"),
    [
        ("AT cubic", 1), ("AT cubic", 2), ("fifth degree", 2), ("fifth degree", 3), ("fifth degree", 4), ("parabola", 1),
        ("wavy", 3), ("wavy", 5), ("wavy", 7),
    ],
)  # fmt: skip
def test_real_coefficients_are_those_of_remez(name: str, degree: int) -> None:
    curve = CASES[name].curve
    coefficients_ppb, promised_ppb = minimax_polynomial(curve, *argument_scale(curve), degree)
    # Sollya's polynomial is within 1e-5 of the best (its default quality). Ours is on codes, which can be missed by
    # half a step of 1/4096 where the error turns: E n**4 / pi**2 h**2 / 8 of it, 1e-5 with n = 8 turns.
    assert promised_ppb == pytest.approx(least_error_ppb(name, degree), rel=2e-5)
    middle_code, shift = argument_scale(curve)
    x = (curve.codes - middle_code) * 2.0 ** (shift - ARGUMENT_BITS)
    reached_ppb = np.abs(np.polynomial.polynomial.polyval(x, coefficients_ppb) - curve.offset_ppb).max()
    assert reached_ppb == pytest.approx(promised_ppb, rel=1e-5)


@pytest.mark.parametrize("name", CASES)
def test_the_programme_for_entries_finds_the_straight_line_of_remez(name: str) -> None:
    curve = CASES[name].curve
    shape = even_layout(curve, 1, "linear")
    # 1e-4: the share by which the programme for entries may let the largest error exceed the least (PREFERENCE).
    assert minimax_entries(curve, shape).worst_ppb == pytest.approx(least_error_ppb(name, 1), rel=1e-4)


@pytest.mark.parametrize("bits", [16, 32])
@pytest.mark.parametrize(
    ("name", "degree"),
    [
        ("AT cubic", 1), ("AT cubic", 2), ("AT cubic", 3), ("fifth degree", 3), ("fifth degree", 4), ("fifth degree", 5),
        ("parabola", 1), ("parabola", 2), ("wavy", 3), ("wavy", 5),
    ],
)  # fmt: skip
def test_integer_coefficients_are_no_worse_than_sollyas(name: str, degree: int, bits: int) -> None:
    curve = CASES[name].curve
    table = polynomial_table(curve, degree, bits)
    unit = unit_ppb(table.unit_log2_ppt)
    exact_ppb, coefficients = integer_coefficients(name, degree, unit)
    # Half a unit: what the last of Horner's products may be rounded by, which Sollya's search does not look at and ours
    # is judged by. Neither search is exhaustive.
    assert table.max_error_ppb <= firmware_error_ppb(curve, coefficients, unit) + unit / 2
    # No coefficients at all go below the bound: not Sollya's either, on the interval.
    assert table.bound_ppb is not None
    assert table.bound_ppb <= exact_ppb * (1 + 1e-6)


def test_coefficients_that_are_rounded_one_by_one_are_seen_to_be_worse_than_sollyas() -> None:
    # A planted fault: without the programme and the trial, where the curve is no polynomial of that degree.
    curve = CASES["wavy"].curve
    table = polynomial_table(curve, 5, 16)
    unit = 8 * unit_ppb(table.unit_log2_ppt)
    real_ppb, _ = minimax_polynomial(curve, *argument_scale(curve), 5)
    rounded = tuple(int(coefficient) for coefficient in np.rint(real_ppb / unit))
    _, coefficients = integer_coefficients("wavy", 5, unit)
    assert firmware_error_ppb(curve, rounded, unit) > firmware_error_ppb(curve, coefficients, unit) + unit / 2
