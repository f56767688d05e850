"""What the terminal and the pictures say where something is lacking: by figures made by hand."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from lots import JOB, LOT
from plain_curve import plain_curve

from tcomp.bench.monitor import offset_ppb
from tcomp.bench.rows import log_layout
from tcomp.documents.proof import ProofDocument, TargetProof
from tcomp.job import read_job_text
from tcomp.lot.figures import lot_figures
from tcomp.lot.lot_file import read_lot
from tcomp.lot.unit_work import Outcome
from tcomp.report.lot import lot_rows
from tcomp.report.text import proof_rows
from tcomp.tables import CodedCurve
from tcomp.workflow import table_target


def test_a_proof_that_was_not_run_is_never_passed_over() -> None:
    not_run = ProofDocument.not_run("there is no compiler")
    assert list(proof_rows(not_run)) == [("proof of the C", "NOT RUN: there is no compiler")]
    found = replace(
        not_run, holds=True, reason=None, codes=65536, corrections_checked=9, compiler="cc", flags=("-std=c99 -O2",)
    )
    found = found.with_targets((TargetProof.not_run("avr", "there is no avr-gcc"),))
    assert list(proof_rows(found)) == [
        ("proof of the C", "holds at 65536 codes and 9 corrections (cc -O2)"), ("on avr", "NOT RUN: there is no avr-gcc"),
    ]  # fmt: skip


def test_a_lot_of_many_failures_lists_ten_and_counts_the_rest(tmp_path: Path) -> None:
    (tmp_path / "lot.toml").write_text(LOT + JOB)
    outcomes = [Outcome(f"{unit:02d}", reason="the log is empty", defect=unit == 0) for unit in range(13)]
    figures = lot_figures(read_lot(tmp_path / "lot.toml"), outcomes, {})
    failed = [words for name, words in lot_rows(figures.document) if name == "FAILED"]
    assert failed[0] == "00: a defect of this program, not of the log: the log is empty"
    assert failed[9:] == ["09: the log is empty", "and 3 more, in lot.csv"]


SOURCES = """
[oscillator]
name = "x"
nominal_hz = 10_000_000
[[run]]
file = "job.log.csv"
time = "utc"
temperature = "temperature_c"
{run}
[[source]]
name = "counter"
kind = "command"
command = ["a"]
gives = ["temperature", "{quantity}"]
{unit}
"""


@pytest.mark.parametrize(
    ("quantity", "unit", "run", "value", "expected_ppb"),
    [
        # The counter's timebase is 1000 ppb fast: it shows 10 MHz / 1.000001 = 9 999 990.00001 Hz of a true 10 MHz.
        (
            "frequency", 'unit = ["degC", "Hz"]', 'frequency = "frequency_hz"\nrole = "timebase"\nreference_hz = 10_000_000',
            9_999_990.00001, 1000.0,
        ),
        # The oscillator itself, 1000 ppb fast, measured against the trusted reference: 10 000 010 Hz.
        ("frequency", 'unit = ["degC", "Hz"]', 'frequency = "frequency_hz"', 10_000_010.0, 1000.0),
        ("offset", 'unit = ["degC", "ppb"]', 'offset = "offset_ppb"\noffset_unit = "ppb"', 250.0, 250.0),
        # y' = 1 / (1 + y) - 1: an instrument on an oscillator 1000 ppb fast shows all else 999.999 ppb low.
        (
            "offset", 'unit = ["degC", "ppb"]', 'offset = "offset_ppb"\noffset_unit = "ppb"\nrole = "timebase"',
            -999.999000001, 1000.0,
        ),
    ],
)  # fmt: skip
def test_the_offset_that_is_shown_while_logging_has_the_sign_of_the_job(
    quantity: str, unit: str, run: str, value: float, expected_ppb: float
) -> None:
    job = read_job_text(SOURCES.format(quantity=quantity, unit=unit, run=run))
    assert offset_ppb(job, log_layout(job), quantity, value) == pytest.approx(expected_ppb, abs=1e-3)


def target_of(table: str) -> CodedCurve:
    """A line known to 10 ppb at 25 degC, and 2 ppb/degC worse on either side; codes are hundredths of a degC."""
    run = '[[run]]\nfile = "a.csv"\ntemperature = 1\noffset = 2\noffset_unit = "ppb"\n'
    job = read_job_text(f'[oscillator]\nname = "x"\n{run}[table]\nmax_error_ppb = 5\n{table}')
    return table_target(job, plain_curve(u_ppb=10.0, slope_u_ppb_per_c=2.0))


def test_an_error_may_be_larger_where_the_curve_is_known_less() -> None:
    assert target_of("").allowance.tolist() == [1.0]
    # 10 ppb / 5 ppb = 2 at 25 degC; at 45 degC the root of 10^2 + (20 x 2)^2 = 41.23, by 5 ppb (by hand).
    allowance = target_of('weight = "uncertainty"').allowance
    assert allowance[[2500, 4500]].tolist() == pytest.approx([2.0, 8.246], abs=1e-3)


def test_the_temperatures_at_which_the_instrument_dwells_count_more() -> None:
    assert target_of("").share.tolist() == [1.0]
    share = target_of("temperature_weights = [{ c = 10, share = 1 }, { c = 20, share = 3 }]").share
    # Between two temperatures a straight line, beyond the last its value.
    assert (share[[500, 1000, 1500, 4500]] / share[1000]).tolist() == pytest.approx([1.0, 1.0, 2.0, 3.0])
