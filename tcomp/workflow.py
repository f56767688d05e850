"""The whole way on one screen: read this first.

Each stage takes plain objects and returns plain objects; ``build`` walks all of them and leaves
what each found in a folder, from which the later stages can also be run alone.  Without a folder a
stage writes nothing.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tcomp import __version__
from tcomp.curve.curve import Curve, curve_text, read_curve
from tcomp.curve.effects import why_no_ageing, why_no_hysteresis
from tcomp.curve.estimate import Settings
from tcomp.curve.few_points import Placed, lot_curve, placed
from tcomp.curve.learn import Learnt, learn_curve
from tcomp.curve.prior import Prior, read_prior
from tcomp.curve.samples import Samples, samples_of
from tcomp.decision.check import Checked, check, fresh_job
from tcomp.decision.crystal_error import Characterised
from tcomp.decision.plan import Planned, plan, plan_after
from tcomp.decision.setting import Setting, setting
from tcomp.decision.subject import read_subject
from tcomp.errors import FirmwareError, JobError, ProofError, TableError
from tcomp.files import json_text, write_text
from tcomp.firmware import Stamp, c_source, check_symbol, code_cost, csv_text, hex_text, image_bytes, image_source
from tcomp.job import Job, read_job
from tcomp.job.made import MAKE, Made
from tcomp.model.candidates import candidates
from tcomp.progress import Told, untold
from tcomp.proof import TargetProof, asked_targets, prove, prove_image, prove_target
from tcomp.results import RESULTS, Folder
from tcomp.run.coverage import coverage
from tcomp.run.inspection import Survey, inspect_run
from tcomp.run.prepared import PreparedRun, prepare_runs
from tcomp.run.record import CleanRun
from tcomp.summary import error_budget, sampled_rival, summary
from tcomp.table import (
    AdcScale,
    CodedCurve,
    CorrectionTable,
    Explored,
    TemperatureScale,
    Wanted,
    cheapest_table,
    coded_curve,
    explored,
    table_text,
)

Floats = NDArray[np.float64]
Say = Callable[[str], None]
"""Where remarks and progress go, a sentence at a time."""


def silent(_: str) -> None:
    """No remarks."""


@dataclass(frozen=True)
class Built:
    """Where the results are, the figures that matter, and whether every check held."""

    folder: Folder
    summary: dict[str, Any]

    @property
    def holds(self) -> bool:
        """False only if the proof found the C to differ from its specification."""
        return self.summary["proof"]["holds"] is not False


def build(job: Job, into: Path | str, say: Say = silent, told: Told = untold, make: tuple[Made, ...] = MAKE) -> Built:
    """From the logs of a job to the proven table and the report; of a lot's units perhaps less is made.

    Raises
    ------
    TcompError
        Something in what the job gives is wrong; nothing of the stage that found it is written.
    """
    check_firmware(job)
    folder = Folder(Path(into))
    with folder.held():
        runs = inspect_runs(job, folder, say, told)
        for prepared in runs:
            say(f"{prepared.run.name}: {kept_words(prepared.run)}")
        learnt = fit(job, runs, folder, say, told)
        table = design(job, learnt.curve, folder, say)
        if "firmware" in make:
            export(job, learnt.curve, table, folder)
        # Compilers are processes of their own, so that the verdict need not wait for them.
        with ThreadPoolExecutor(max_workers=1) as beside:
            remarks: list[str] = []
            proof = beside.submit(prove_sources, job, table, folder, remarks.append) if "proof" in make else None
            if "verdict" in make and job.use.needed_ppb is not None:
                judge(job, folder, say, told)
            if proof is not None:
                proof.result()
                for remark in remarks:
                    say(remark)
        return Built(folder, report(job, folder, say, make))


def check_firmware(job: Job) -> None:
    """Refuse a symbol that the C could not carry, or whose files would be others of the folder, before anything is computed."""
    symbol = job.firmware.symbol
    try:
        check_symbol(symbol)
    except FirmwareError as error:
        raise JobError(f"{job.place('firmware', 'symbol')}: [firmware] symbol: {error}") from error
    if symbol.lower() in RESULTS:
        raise JobError(
            f'{job.place("firmware", "symbol")}: [firmware] symbol "{symbol}" is the name of a file of the results; '
            f'"{symbol}_table" would do'
        )


def check_codes(job: Job, low_c: float, high_c: float) -> None:
    """Refuse a scale whose codes do not hold the range before anything is fitted."""
    if job.table.input == "adc":
        return
    try:
        TemperatureScale(job.table.counts_per_c).code_range(low_c, high_c)
    except TableError as error:
        raise JobError(f"{job.place('table', 'counts_per_c')}: [table] {error}") from error


def _range_c(job: Job, samples: Samples) -> tuple[float, float]:
    """The range that the job asks for, or else what was measured. [degC]"""
    return job.fit.range_c or (float(samples.temperature_c.min()), float(samples.temperature_c.max()))


def inspect_runs(
    job: Job, folder: Folder | None = None, say: Say = silent, told: Told = untold
) -> tuple[PreparedRun, ...]:
    """Read, clean and cut into legs: ``clean.parquet``."""
    runs = prepare_runs(job, told)
    for prepared in runs:
        for assumption in prepared.run.assumptions:
            say(f"{prepared.run.name}: {assumption}")
    if folder is not None:
        folder.write_runs(runs)
    return runs


def kept_words(run: CleanRun) -> str:
    """How many samples of a run were kept, and why others were not."""
    dropped = ", ".join(f"{count} {reason}" for reason, count in run.dropped_counts.items())
    return f"{run.samples_kept} samples kept, dropped: {dropped or 'none'}"


def survey(job: Job, runs: tuple[PreparedRun, ...], lag_s: float | None = None) -> Survey:
    """What the runs can give and what they cannot, before any fit; soaks are held against the lag, where it is known."""
    samples = samples_of(runs)
    moving = [leg for prepared in runs for leg in prepared.legs if leg.kind in ("heating", "cooling")]
    soaked = any(leg.kind == "soak" for prepared in runs for leg in prepared.legs)
    low_c, high_c = _range_c(job, samples)
    return Survey(
        runs=tuple(inspect_run(prepared, lag_s) for prepared in runs),
        untold={
            "lag": "" if samples.has_time and samples.sweeps > 1 else "it needs times, and sweeps both ways",
            "hysteresis": why_no_hysteresis(samples, [leg.rate_c_per_min for leg in moving], soaked),
            "ageing": why_no_ageing(samples),
        },
        unseen=coverage([prepared.legs for prepared in runs], low_c, high_c).sentences(),
    )


def fit(
    job: Job, runs: tuple[PreparedRun, ...], folder: Folder | None = None, say: Say = silent, told: Told = untold
) -> Learnt:
    """What the crystal saw, and the validated curve: ``curve.json``, ``validation.csv``, ``fitted.parquet``."""
    samples = samples_of(runs)
    check_codes(job, *_range_c(job, samples))
    learnt = learn(job, runs, samples, told)
    for remark in learnt.validation.unscored:
        say(remark)
    if folder is not None:
        folder.write_learnt(samples, learnt)
    return learnt


def learn(job: Job, runs: tuple[PreparedRun, ...], samples: Samples, told: Told = untold) -> Learnt:
    """The curve of a job's runs, as its [fit] asks."""
    import scipy.linalg  # noqa: F401  # only threads of what is loaded can be held
    from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]  # comes with scikit-learn

    moving = [leg for prepared in runs for leg in prepared.legs if leg.kind in ("heating", "cooling")]
    # A thousand products of narrow matrices: threads cost more than they help, ten times as much on a busy machine.
    with threadpool_limits(1):
        return learn_curve(
            samples,
            candidates(job.fit.models, job.oscillator.cut),
            settings=Settings(job.fit.lag, job.fit.ageing, job.fit.hysteresis, follow_dips=job.fit.dips == "follow"),
            rates_c_per_min=[leg.rate_c_per_min for leg in moving],
            soaked=any(leg.kind == "soak" for prepared in runs for leg in prepared.legs),
            range_c=job.fit.range_c,
            reference_c=job.fit.reference_c,
            reference_u_ppb=job.reference.uncertainty_ppb,
            cut=job.oscillator.cut,
            told=told,
        )


def place(job: Job, runs: tuple[PreparedRun, ...], prior: Prior, folder: Folder) -> Placed:
    """The curve of a new unit of a known lot, from a few soaks: the files that ``fit`` writes.

    Raises
    ------
    CurveError
        Too few soaks, or a unit that is not of the lot.
    """
    check_codes(job, prior.basis.low_c, prior.basis.high_c)
    found = placed(
        runs,
        prior,
        sensor_u_c=math.hypot((job.sensor.resolution_c or 0.0) / math.sqrt(12), job.sensor.sigma_c or 0.0),
        reference_c=job.fit.reference_c,
        reference_u_ppb=job.reference.uncertainty_ppb,
        cut=job.oscillator.cut,
    )
    folder.write_placed(samples_of(runs), found)
    return found


def design(job: Job, curve: Curve, folder: Folder | None = None, say: Say = silent) -> CorrectionTable:
    """The smallest table that is good enough: ``table.json``."""
    wanted = job.table
    assumed = wanted.max_error_ppb is None and wanted.max_bytes is None
    if assumed:
        say(f"[table] has neither max_error_ppb nor max_bytes: assuming max_error_ppb = {DEFAULT_ERROR_PPB:g}")
    asked = Wanted(
        # Images hold no other form.
        form="steps" if job.has_image else wanted.form,
        interpolation=None if wanted.interpolation == "auto" else wanted.interpolation,
        align=wanted.align,
        max_error_ppb=DEFAULT_ERROR_PPB if assumed else wanted.max_error_ppb,
        max_bytes=wanted.max_bytes,
    )
    table, reason = cheapest_table(table_target(job, curve), asked, lambda table: code_cost(table).flash_bytes)
    say(f"table: {reason}")
    if folder is not None:
        folder.write_table(table)
    return table


DEFAULT_ERROR_PPB = 20.0
"""The table's share where the job asks for nothing."""


def table_target(job: Job, curve: Curve) -> CodedCurve:
    """The curve as the firmware meets it, weighted as the job asks."""
    wanted = job.table
    limit_ppb = wanted.max_error_ppb

    def allowance(temperature_c: Floats) -> Floats:
        return np.maximum(1.0, curve.uncertainty_ppb(temperature_c) / (limit_ppb or DEFAULT_ERROR_PPB))

    def share(temperature_c: Floats) -> Floats:
        return np.interp(temperature_c, [dwell.c for dwell in wanted.dwell], [dwell.share for dwell in wanted.dwell])

    return coded_curve(
        curve.continued_ppb,
        curve.low_c,
        curve.high_c,
        AdcScale(job.sensor) if wanted.input == "adc" else TemperatureScale(wanted.counts_per_c),
        allowance if wanted.weight == "uncertainty" else None,
        share if wanted.dwell else None,
    )


def explore(job: Job, curve: Curve, told: Told = untold) -> Explored:
    """Tables of every form about the error that the job asks for, and those that none beats."""
    target = table_target(job, curve)
    return explored(target, job.table.align, job.table.max_error_ppb or DEFAULT_ERROR_PPB, told)


def export(
    job: Job, curve: Curve, table: CorrectionTable, folder: Folder | None = None, say: Say = silent
) -> dict[str, str]:
    """The table as text for the firmware: ``SYMBOL.h``, ``SYMBOL.c`` and what else the job asks."""
    check_firmware(job)
    symbol = job.firmware.symbol
    stamp = Stamp(
        version=__version__,
        input_digest=input_digest(job, curve),
        oscillator=job.oscillator.name,
        budget_ppb=error_budget(job, curve, table),
        validity=f"base {curve.base_words}; curve from {curve.low_c:.4g} to {curve.high_c:.4g} degC",
    )
    texts: dict[str, str] = {}
    if "c" in job.firmware.formats:
        texts |= c_source(table, symbol, corrections=job.firmware.correct, stamp=stamp)
    if "csv" in job.firmware.formats:
        texts[f"{symbol}.csv"] = csv_text(table, symbol, stamp)
    if "json" in job.firmware.formats:
        texts[f"{symbol}.json"] = table_text(table)
    image = image_bytes(table) if job.has_image else b""
    if "ihex" in job.firmware.formats:
        texts[f"{symbol}.hex"] = hex_text(image, job.firmware.image_address)
    if job.has_image_reader:
        texts |= image_source(table, symbol, stamp)
    if folder is None:
        return texts
    folder.write_texts(texts)
    written = list(texts)
    if "bin" in job.firmware.formats:
        folder.write_image(symbol, image)
        written.append(f"{symbol}.bin")
    say(f"written: {', '.join(written)}")
    return texts


def prove_sources(
    job: Job,
    table: CorrectionTable,
    folder: Folder,
    say: Say,
    targets: tuple[str, ...] = ("host",),
    told: Told = untold,
) -> dict[str, Any]:
    """The C in the folder held against the integer lookup at all codes, on the host and targets: ``proof.json``.

    Where it cannot be compiled and run, ``holds`` is None and ``reason`` says why.

    Raises
    ------
    ProofError
        A target is unknown, or was asked for by name and the machine lacks what it needs.
    """
    check_firmware(job)
    asked, symbol = asked_targets(targets), job.firmware.symbol
    found: dict[str, Any] = {"schema": 1, "holds": None, "reason": "the job does not ask for C"}
    if "c" in job.firmware.formats:
        sources = folder.read_sources(symbol)
        try:
            on_host = prove(sources, table, symbol, job.firmware.correct)
            on_targets: list[TargetProof] = []
            for target in asked:
                told("proving", 1 + len(on_targets), 1 + len(asked))
                on_targets.append(prove_target(target, sources, table, symbol, job.firmware.correct))
            told("proving", 1, 1)
            reader = prove_image(folder.read_reader(symbol), table, symbol) if job.has_image_reader else None
        except ProofError as error:
            found["reason"] = str(error)
        else:
            found = {"schema": 1} | on_host.to_json_dict() | {"targets": [proof.to_json_dict() for proof in on_targets]}
            found["holds"] = on_host.holds and all(proof.holds is not False for proof in on_targets)
            if reader is not None:
                found["image"] = reader.to_json_dict()
                found["holds"] = found["holds"] and reader.holds
                found["mismatches"] += reader.mismatches
                found["first_mismatches"] += reader.first_mismatches
    if not found["holds"]:
        say(proof_words(found))
    folder.write_proof(found)
    return found


def proof_words(found: dict[str, Any]) -> str:
    """What a proof found, in a clause.

    >>> proof_words({"holds": None, "reason": "the job does not ask for C"})
    'not proven: the job does not ask for C'
    """
    if found["holds"] is None:
        return f"not proven: {found['reason']}"
    return f"proof: the C {'equals' if found['holds'] else 'DIFFERS from'} its specification"


def judge(job: Job, folder: Folder, say: Say, told: Told = untold) -> dict[str, Any]:
    """The crystal with its table against what could be bought: ``verdict.json``.

    Raises
    ------
    JobError
        The job does not say what is needed.
    """
    from tcomp.decision.ageing_history import watched_ageing
    from tcomp.decision.verdict import judge_options
    from tcomp.decision.verdict_figures import verdict_figures

    known = Characterised(job, folder.read_curve(), folder.read_table(), watched_ageing(job, folder.read_curve()))
    figures = verdict_figures(judge_options(known, told), known)
    for question in figures["questions"]:
        say(question)
    folder.write_verdict(figures)
    return figures


def report(job: Job, folder: Folder, say: Say, make: tuple[Made, ...] = MAKE) -> dict[str, Any]:
    """``summary.json`` and ``report.html``, from the files of all stages."""
    curve, table = folder.read_curve(), folder.read_table()
    rival = sampled_rival(job, curve, table)
    verdict = folder.read_verdict() if "verdict" in make and job.use.needed_ppb is not None else None
    proof = folder.read_proof() if "proof" in make else {"schema": 1, "holds": None, "reason": "no proof was asked for"}
    figures = summary(job, curve, table, rival, proof, verdict)
    write_text(folder.path / "summary.json", json_text(figures))
    if "report" not in make:
        return figures
    from tcomp.report.page import page

    runs, scores, fitted = folder.read_runs(), folder.read_scores(), folder.read_fitted()
    html = page(
        job=job,
        runs=runs,
        curve=curve,
        scores=scores,
        fitted=fitted,
        table=table,
        rival=rival,
        figures=figures,
        verdict=verdict,
    )
    say(f"report: {write_text(folder.path / 'report.html', html)}")
    return figures


def check_fresh(promised: Path, run: Path, ramp_c_per_min: float | None, say: Say, told: Told = untold) -> Checked:
    """A ``curve.json`` or ``table.json`` held against the fresh runs of a job."""
    job, subject, beside = fresh_job(run), read_subject(promised), Folder(promised.parent)
    learnt = beside.read_runs() if (beside.path / "clean.parquet").is_file() else ()
    checked = check(subject, job, ramp_c_per_min=ramp_c_per_min, learnt=learnt, told=told)
    for remark in checked.remarks:
        say(remark)
    return checked


def plan_chamber(path: Path, after: Path | None, prior: Path | None, say: Say) -> Planned:
    """A schedule for the chamber; after a folder of results, or a job with runs, the soaks that are best next; with what a
    lot has taught, the best few for a new unit of it.
    """
    job = read_job(path, runs_needed=False)
    if prior is not None:
        planned = plan_after(job, lot_curve(read_prior(prior)), of_a_lot=True)
    else:
        planned = plan(job) if after is None else plan_after(job, _measured(after))
    for remark in planned.remarks:
        say(remark)
    return planned


def _measured(after: Path) -> Curve:
    if not after.exists():
        raise JobError(f"{after}: is not there; expected a folder of results, a curve.json, or a job with runs")
    if after.suffix.lower() != ".toml":
        return Folder(after).read_curve() if after.is_dir() else read_curve(after)
    job = read_job(after)
    runs = prepare_runs(job)
    return learn(job, runs, samples_of(runs)).curve


def plan_setting(path: Path, u_ppb: float, say: Say) -> Setting:
    """How long to average to set the oscillator to within so much of the reference."""
    found = setting(read_job(path, runs_needed=False), u_ppb)
    for remark in found.remarks:
        say(remark)
    return found


def input_digest(job: Job, curve: Curve | None = None) -> str:
    """SHA-256 over the job's text and the bytes of its logs, in the job's order; over the curve where it names no log."""
    digest = hashlib.sha256(job.text.encode("utf-8"))
    if not job.runs and curve is not None:
        digest.update(curve_text(curve).encode("utf-8"))
    for log in job.runs:
        try:
            with log.file.open("rb") as file:
                hashlib.file_digest(file, lambda: digest)
        except OSError as error:
            raise JobError(
                f"{log.file}: cannot be read ({error.strerror}); the digest of the inputs needs it"
            ) from error
    return digest.hexdigest()
