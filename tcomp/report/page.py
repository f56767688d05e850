"""The report: one self-contained page, the answer first, then the evidence."""

from __future__ import annotations

from typing import Any

import pandas as pd

from tcomp.curve.curve import Curve
from tcomp.job import Job
from tcomp.report import report_charts
from tcomp.report.answer import answer, cards, next_steps, warnings
from tcomp.report.cautions import CAUTIONS
from tcomp.report.evidence import curve_section, proof_section, runs_section, validation_section
from tcomp.report.numbers import number
from tcomp.report.render import rendered
from tcomp.report.section import Grid, Row, Section
from tcomp.report.text import code_words
from tcomp.report.verdict_section import verdict_basis, verdict_section
from tcomp.run.coverage import coverage
from tcomp.run.prepared import PreparedRun
from tcomp.table import CorrectionTable


def page(
    *,
    job: Job,
    runs: tuple[PreparedRun, ...],
    curve: Curve,
    scores: pd.DataFrame,
    fitted: pd.DataFrame,
    table: CorrectionTable,
    rival: CorrectionTable | None,
    figures: dict[str, Any],
    verdict: dict[str, Any] | None = None,
) -> str:
    """The page as text, the same bytes for the same results."""
    unseen = coverage([prepared.legs for prepared in runs], curve.low_c, curve.high_c).sentences()
    return rendered(
        name=job.oscillator.name,
        subject="frequency against temperature",
        answer=answer(figures),
        warnings=warnings(figures),
        cards=cards(figures),
        glossary=True,
        sections=(
            *(() if verdict is None else (verdict_section(verdict),)),
            Section("The gain", charts=(report_charts.gain(job.oscillator.name, curve, fitted),)),
            _table(curve, table, rival, figures),
            Section("What to do next", steps=tuple(next_steps(job, figures, unseen))),
            curve_section(curve, fitted, table),
            validation_section(figures, scores),
            proof_section(figures["proof"]),
            *(() if verdict is None else (verdict_basis(verdict),)),
            runs_section(runs, curve, unseen),
            Section("Cautions", points=CAUTIONS),
        ),
    )


def _table(curve: Curve, table: CorrectionTable, rival: CorrectionTable | None, figures: dict[str, Any]) -> Section:
    texts = [
        f"{len(table.entries)} entries of {table.entry_bits} bits, {table.bytes} bytes; {table.layout}; looked up by "
        f"{code_words(figures['table'])}. Over every code of the range the "
        f"integers that it returns are within {number(table.max_error_ppb)} ppb of the curve "
        f"({number(table.rms_error_ppb)} ppb RMS). CRC-32 {figures['table']['crc32']}."
    ]
    if rival is not None:
        texts.append(
            f"A table that samples the curve at its entries would take {rival.bytes} bytes for an error no worse "
            f"({number(rival.max_error_ppb)} ppb)."
        )
    budget = tuple(Row((words, number(value))) for words, value in figures["error_budget_ppb"].items())
    head = ("contribution to the error of a corrected reading", "ppb")
    return Section(
        "The table",
        tuple(texts),
        (report_charts.table_error(curve, table, rival),),
        (Grid(head, budget, (1,), "What a corrected reading may be off, line by line"),),
    )
