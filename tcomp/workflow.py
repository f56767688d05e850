"""The whole way on one screen: read this first.

Each stage takes plain objects and returns plain objects; ``build`` walks all of them and leaves
what each found in a folder, from which the later stages can also be run alone.  Without a folder a
stage writes nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np

from tcomp.arrays import FloatArray
from tcomp.budget.crystal_error import CrystalUnderTest
from tcomp.documents.proof import ProofDocument, TargetProof
from tcomp.documents.summary import SummaryDocument
from tcomp.documents.verdict import VerdictDocument
from tcomp.errors import FirmwareError, JobError, ProofError, TableError
from tcomp.estimation.candidates import candidates
from tcomp.estimation.curve import Curve
from tcomp.estimation.effects import FAMILY, Regressor
from tcomp.estimation.estimate import Settings
from tcomp.estimation.fit_result import FitResult
from tcomp.estimation.learn import learn_curve
from tcomp.estimation.lot_effects import learn_of_lot
from tcomp.estimation.prior import LotEffect
from tcomp.estimation.samples import Samples, conditions_of, samples_of
from tcomp.files import write_text
from tcomp.firmware import (
    Export,
    Files,
    Points,
    Unit,
    check_reserved,
    check_symbol,
    code_bytes,
    code_cycles,
    exported,
)
from tcomp.following import following
from tcomp.inputs import (
    check_logs,
    curve_inputs,
    firmware_inputs,
    input_digest,
    proof_inputs,
    runs_inputs,
    table_inputs,
    verdict_inputs,
)
from tcomp.job import Column, Job
from tcomp.job.sections import OUTPUTS, Output
from tcomp.logs.inspection import Survey, inspect_run
from tcomp.logs.legs import coverage
from tcomp.logs.prepared import PreparedRun, prepare_runs, run_warnings
from tcomp.logs.temperatures import undeclared_step_c
from tcomp.progress import ProgressCallback, no_progress
from tcomp.proof import asked_targets, prove, prove_actuators, prove_follow_everywhere, prove_image, prove_target
from tcomp.results import RESULTS, Folder
from tcomp.steering import actuators_of
from tcomp.summary import default_table_error_ppb, sampled_rival, stamp_of, summary
from tcomp.tables import (
    AdcScale,
    CodedCurve,
    CorrectionTable,
    Explored,
    TableSpec,
    TemperatureScale,
    cheapest_table,
    coded_curve,
    default_table,
    explored,
)

Notify = Callable[[str], None]
"""Where remarks and progress go, a sentence at a time."""


def silent(_: str) -> None:
    """No remarks."""


@dataclass(frozen=True)
class BuildResult:
    """Where the results are, the figures that matter, and whether every check held."""

    folder: Folder
    summary: SummaryDocument

    @property
    def holds(self) -> bool:
        """False only if the proof found the C to differ from its specification."""
        return self.summary.proof.holds is not False


def build(
    job: Job,
    into: Path | str,
    *,
    notify: Notify = silent,
    progress: ProgressCallback = no_progress,
    make: tuple[Output, ...] = OUTPUTS,
) -> BuildResult:
    """From the logs of a job to the proven table and the report; of a lot's units perhaps less is made.

    Raises
    ------
    TcompError
        Something in what the job gives is wrong; nothing of the stage that found it is written.
    """
    check_job(job)
    folder = Folder(Path(into))
    with folder.held():
        runs = inspect_runs(job, folder, notify, progress)
        for prepared in runs:
            notify(f"{prepared.run.name}: {prepared.run.kept_text}")
        fit_result = fit(job, runs, folder, notify, progress)
        table = design(job, fit_result.curve, folder, notify)
        if "firmware" in make:
            export(job, fit_result.curve, table, folder)
        # Compilers are processes of their own, so that the verdict need not wait for them.
        with ThreadPoolExecutor(max_workers=1) as beside:
            remarks: list[str] = []
            proof = beside.submit(prove_sources, job, table, folder, remarks.append) if "proof" in make else None
            if "verdict" in make and job.use.needed_ppb is not None:
                judge(job, folder, notify, progress)
            if proof is not None:
                proof.result()
                for remark in remarks:
                    notify(remark)
        return BuildResult(folder, report(job, folder, notify, make))


def check_job(job: Job) -> None:
    """Refuse a symbol or a log that the firmware's files cannot be made with, before anything is read or written.

    Raises
    ------
    JobError
        The symbol is not a name in C or is that of a result; or a log is a pipe, a socket or a device.
    """
    check_firmware(job)
    check_logs(job)


def check_firmware(job: Job) -> None:
    """Refuse a symbol that the C could not carry, or whose files would be others of the folder, before anything is computed."""
    symbol = job.firmware.symbol
    where = f"{job.location('firmware', 'symbol')}: [firmware] symbol"
    try:
        check_symbol(symbol)
        check_reserved(symbol, job.firmware.formats)
    except FirmwareError as error:
        raise JobError(f"{where}: {error}") from error
    if symbol.lower() in RESULTS:
        raise JobError(f'{where} "{symbol}" is the name of a file of the results; "{symbol}_table" would do')
    actuators_of(job)


def check_codes(job: Job, low_c: float, high_c: float) -> None:
    """Refuse a scale whose codes do not hold the range before anything is fitted."""
    if job.table.input == "adc":
        return
    try:
        TemperatureScale(job.table.counts_per_c).code_range(low_c, high_c)
    except TableError as error:
        raise JobError(f"{job.location('table', 'counts_per_c')}: [table] {error}") from error


def _range_c(job: Job, samples: Samples) -> tuple[float, float]:
    """The range that the job asks for, or else what was measured. [degC]"""
    return job.fit.range_c or (float(samples.temperature_c.min()), float(samples.temperature_c.max()))


def inspect_runs(
    job: Job, folder: Folder | None = None, notify: Notify = silent, progress: ProgressCallback = no_progress
) -> tuple[PreparedRun, ...]:
    """Read, clean and cut into legs: ``clean.parquet``."""
    runs = prepare_runs(job, progress)
    for prepared in runs:
        for assumption in prepared.run.assumptions:
            notify(f"{prepared.run.name}: {assumption}")
    if folder is not None:
        folder.write_runs(runs)
        folder.record("clean.parquet", runs_inputs(job))
    return runs


def survey(job: Job, runs: tuple[PreparedRun, ...], lag_s: float | None = None) -> Survey:
    """What the runs can give and what they cannot, before any fit; soaks are held against the lag, where it is known."""
    samples = samples_of(runs)
    conditions = conditions_of(runs)
    low_c, high_c = _range_c(job, samples)
    return Survey(
        runs=tuple(inspect_run(prepared, lag_s) for prepared in runs),
        not_identifiable={
            effect.name: effect.why_not(samples, conditions) or "" for effect in fit_settings(job).about(samples).family
        },
        unseen=coverage([prepared.legs for prepared in runs], low_c, high_c).sentences(),
    )


def fit(
    job: Job,
    runs: tuple[PreparedRun, ...],
    folder: Folder | None = None,
    notify: Notify = silent,
    progress: ProgressCallback = no_progress,
    lot: Sequence[LotEffect] = (),
    lot_digest: str = "",
) -> FitResult:
    """What the crystal saw, and the validated curve: ``curve.json``, ``validation.csv``, ``fitted.parquet``.

    With what a lot says of effects that its units share, the runs tell the rest; ``lot_digest`` is that of the lot's prior.
    """
    samples = samples_of(runs)
    check_codes(job, *_range_c(job, samples))
    if job.counter.step_ppb is not None:
        samples = replace(samples, step_ppb=np.full_like(samples.step_ppb, job.counter.step_ppb))
    fit_result = learn(job, runs, samples, progress, lot)
    for remark in fit_result.validation.unscored:
        notify(remark)
    if folder is not None:
        folder.write_fit(fit_result)
        folder.record("curve.json", curve_inputs(job, folder, lot_digest))
    return fit_result


def learn(
    job: Job,
    runs: tuple[PreparedRun, ...],
    samples: Samples,
    progress: ProgressCallback = no_progress,
    lot: Sequence[LotEffect] = (),
) -> FitResult:
    """The curve of a job's runs, as its [fit] asks; in the light of a lot where there is one."""
    import scipy.linalg  # noqa: F401  # only threads of what is loaded can be held
    from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]  # comes with scikit-learn

    # A thousand products of narrow matrices: threads cost more than they help, ten times as much on a busy machine.
    with threadpool_limits(1):
        learned = partial(
            learn_curve,
            samples,
            candidates(job.fit.models, job.oscillator.cut),
            range_c=job.fit.range_c,
            reference_c=job.fit.reference_c,
            reference_u_ppb=job.reference.uncertainty_ppb,
            cut=job.oscillator.cut,
            progress=progress,
        )
        fit_result = learn_of_lot(learned, fit_settings(job), conditions_of(runs), lot)
    step_c = max(undeclared_step_c(one, job.sensor) for one in runs)
    fit_result = fit_result.with_undeclared_rounding(step_c) if step_c else fit_result
    return replace(fit_result, curve=with_run_warnings(fit_result.curve, runs))


def with_run_warnings(curve: Curve, runs: tuple[PreparedRun, ...]) -> Curve:
    """The curve with what is likely wrong with its logs among the remarks, which are shown wherever it is."""
    return replace(curve, remarks=(*run_warnings(runs), *curve.remarks))


def fit_settings(job: Job) -> Settings:
    """What a job asks of the fit."""
    asked = job.fit
    return Settings(
        effects={effect.name: getattr(asked, effect.name, "auto") for effect in FAMILY},
        follow_dips=asked.dips == "follow",
        unlike_runs=asked.unlike_runs,
        max_dropped=asked.max_dropped,
        retrace_ppb=job.oscillator.retrace_ppb,
        reading=job.counter.reading,
        regressors=tuple(
            Regressor(one.name, one.unit, 2 if one.form == "quadratic" else 1, one.reference) for one in job.regressors
        ),
    )


def design(job: Job, curve: Curve, folder: Folder | None = None, notify: Notify = silent) -> CorrectionTable:
    """The smallest table that is good enough: ``table.json``."""
    wanted = job.table
    spec = TableSpec(
        # Images hold no other form.
        form="steps" if job.has_image else wanted.form,
        interpolation=None if wanted.interpolation == "auto" else wanted.interpolation,
        align=wanted.align,
        max_error_ppb=wanted.max_error_ppb,
        max_bytes=wanted.max_bytes,
        max_cycles=wanted.max_cycles,
        code_cycles=partial(code_cycles, job.firmware.target),
    )
    program = partial(code_bytes, job.firmware.target)
    target = table_target(job, curve)
    if wanted.max_error_ppb is None and wanted.max_bytes is None:
        table, reason = default_table(target, spec, program, *default_table_error_ppb(job, curve))
    else:
        table, reason = cheapest_table(target, spec, program)
    notify(f"table: {reason}")
    if folder is not None:
        folder.write_table(table)
        folder.record("table.json", table_inputs(job, folder))
    return table


def table_target(job: Job, curve: Curve) -> CodedCurve:
    """The curve as the firmware meets it, weighted as the job asks."""
    wanted = job.table
    limit_ppb = wanted.max_error_ppb

    def allowance(temperature_c: FloatArray) -> FloatArray:
        return np.maximum(1.0, curve.uncertainty_ppb(temperature_c) / (limit_ppb or 1.0))

    def share(temperature_c: FloatArray) -> FloatArray:
        return np.interp(
            temperature_c,
            [one.c for one in wanted.temperature_weights],
            [one.share for one in wanted.temperature_weights],
        )

    return coded_curve(
        curve.continued_ppb,
        curve.low_c,
        curve.high_c,
        AdcScale(job.sensor) if wanted.input == "adc" else TemperatureScale(wanted.counts_per_c),
        allowance if wanted.weight == "uncertainty" else None,
        share if wanted.temperature_weights else None,
    )


def explore(job: Job, curve: Curve, progress: ProgressCallback = no_progress) -> Explored:
    """Tables of every form about the error that the job asks for, and those that none beats."""
    target = table_target(job, curve)
    return explored(
        target, job.table.align, job.table.max_error_ppb or default_table_error_ppb(job, curve)[0], progress
    )


def export(
    job: Job, curve: Curve, table: CorrectionTable, folder: Folder | None = None, notify: Notify = silent
) -> dict[str, str]:
    """The table as text for the firmware: ``SYMBOL.h``, ``SYMBOL.c`` and what else the job asks; images go to the folder only."""
    files = firmware_files(job, curve, table)
    if folder is not None:
        folder.write_files(files)
        folder.record("firmware", firmware_inputs(job, folder, input_digest(job, curve)))
        notify(f"written: {', '.join(files)}")
    return {name: content for name, content in files.items() if isinstance(content, str)}


def firmware_files(job: Job, curve: Curve, table: CorrectionTable) -> Files:
    """All files for the firmware, texts and images, by name, in the formats that the job asks for."""
    check_firmware(job)
    return exported(firmware_export(job, curve, table))


def firmware_export(job: Job, curve: Curve, table: CorrectionTable) -> Export:
    """The table as the exporters take it."""
    asked = job.firmware
    return Export(
        table=table,
        symbol=asked.symbol, formats=asked.formats, corrections=asked.correct, image_address=asked.image_address,
        stamp=stamp_of(job.oscillator.name, table, input_digest(job, curve), job.sensor, curve),
        unit=Unit(asked.serial, asked.build),
        follow=following(job, curve, table).filter if asked.follow else None,
        avr_entries=asked.avr_entries, actuators=actuators_of(job),
        points=Points(
            columns=asked.points_columns, step_c=asked.points_step_c, separator=asked.points_separator, heading=asked.points_heading
        ),
    )  # fmt: skip


def prove_sources(
    job: Job,
    table: CorrectionTable,
    folder: Folder,
    notify: Notify,
    targets: tuple[str, ...] = ("host",),
    progress: ProgressCallback = no_progress,
) -> ProofDocument:
    """The C in the folder held against the integer lookup at all codes, on the host and targets: ``proof.json``.

    Where it cannot be compiled and run, ``holds`` is None and ``reason`` says why.

    Raises
    ------
    ProofError
        A target is unknown, or was asked for by name and the machine lacks what it needs.
    """
    check_firmware(job)
    asked = asked_targets(targets)
    try:
        found = _proven(job, table, folder, asked, progress)
    except ProofError as error:
        found = ProofDocument.not_run(str(error))
    if not found.holds:
        notify(found.summary)
    folder.write_proof(found)
    folder.record("proof.json", proof_inputs(job, folder))
    return found


def _proven(
    job: Job, table: CorrectionTable, folder: Folder, targets: tuple[str, ...], progress: ProgressCallback = no_progress
) -> ProofDocument:
    symbol, corrections = job.firmware.symbol, job.firmware.correct
    if "c" not in job.firmware.formats:
        return ProofDocument.not_run("the job does not ask for C")
    sources = folder.read_sources(symbol, follow=job.firmware.follow, actuators=bool(job.actuators))
    found = prove(sources, table, symbol, corrections)
    on_targets: list[TargetProof] = []
    for target in targets:
        progress("proving", 1 + len(on_targets), 1 + len(targets))
        on_targets.append(prove_target(target, sources, table, symbol, corrections))
    progress("proving", 1, 1)
    found = found.with_targets(tuple(on_targets))
    ran = tuple(one.target for one in on_targets if one.holds is not None)
    if job.firmware.follow:
        follow = following(job, folder.read_curve(), table).filter
        found = found.with_follow(prove_follow_everywhere(sources, follow, symbol, ran))
    if job.actuators:
        found = found.with_actuators(prove_actuators(sources, actuators_of(job), symbol, ran))
    if not job.has_image_reader:
        return found
    unit = Unit(job.firmware.serial, job.firmware.build)
    return found.with_image(prove_image(folder.read_reader(symbol), table, symbol, unit=unit, targets=ran))


def judge(job: Job, folder: Folder, notify: Notify, progress: ProgressCallback = no_progress) -> VerdictDocument:
    """The crystal with its table against what could be bought: ``verdict.json``.

    Raises
    ------
    JobError
        The job does not say what is needed.
    """
    from tcomp.budget.ageing import watched_ageing
    from tcomp.verdict.figures import verdict_document
    from tcomp.verdict.verdict import judge_options

    known = CrystalUnderTest(job, folder.read_curve(), folder.read_table(), watched_ageing(job, folder.read_curve()))
    found = verdict_document(judge_options(known, progress), known)
    for sentence in found.warnings:
        notify(f"warning: {sentence}")
    for question in found.questions:
        notify(question)
    folder.write_verdict(found)
    folder.record("verdict.json", verdict_inputs(job, folder))
    return found


def report(job: Job, folder: Folder, notify: Notify, make: tuple[Output, ...] = OUTPUTS) -> SummaryDocument:
    """``summary.json`` and ``report.html``, from the files of all stages."""
    curve, table = folder.read_curve(), folder.read_table()
    rival = sampled_rival(job, curve, table)
    verdict = folder.read_verdict() if "verdict" in make and job.use.needed_ppb is not None else None
    proof = folder.read_proof() if "proof" in make else ProofDocument.not_run("no proof was asked for")
    figures = summary(job, curve, table, rival, proof, verdict)
    folder.write_summary(figures)
    if "report" not in make:
        return figures
    from tcomp.report.commands import Commands
    from tcomp.report.page import page

    runs, scores, fitted = folder.read_runs(), folder.read_scores(), folder.read_fitted()
    html = page(
        job=job, runs=runs, curve=curve, scores=scores, fitted=fitted,
        table=table, rival=rival, figures=figures, verdict=verdict, commands=Commands.usual(job.path),
    )  # fmt: skip
    notify(f"report: {write_text(folder.path / 'report.html', html)}")
    return figures


def learn_job(job: Job, temperature: Column | None = None) -> FitResult:
    """The curve of a job from its logs, without a folder; by another temperature column than the job's, if one is given."""
    if temperature is not None:
        check_logs(job)  # the logs are read again for each column
        job = replace(job, runs=tuple(replace(run, temperature=temperature) for run in job.runs))
    runs = prepare_runs(job)
    return learn(job, runs, samples_of(runs))
