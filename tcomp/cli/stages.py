"""The stages alone: each takes the files that the stages before it have left in the folder of results, and makes those
that are missing or were made from another job or log."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click
from click.shell_completion import CompletionItem

from tcomp.cli.options import job_and_folder, plot_option, print_result, prior_and_digest, stage_options
from tcomp.cli.paths import LogFile, ResultFile
from tcomp.cli.terminal import Terminal
from tcomp.processors import TARGETS

if TYPE_CHECKING:
    from tcomp.estimation.curve import Curve
    from tcomp.estimation.sensor_columns import SensorComparison
    from tcomp.job import Column, Job
    from tcomp.logs.prepared import PreparedRun
    from tcomp.progress import ProgressCallback
    from tcomp.results import Folder


@click.command(short_help="Clean the runs, and say what they can give.")
@click.option(
    "--lag", type=float, metavar="SECONDS", help="Time constant to hold the soaks against [a number in the job]."
)
@click.option("--plot", type=click.Path(path_type=Path, dir_okay=False), help="Picture of the runs: .svg or .png.")
@click.option(
    "--sensor",
    "sensors",
    multiple=True,
    metavar="COLUMN",
    help="Column with a temperature, to be compared with others; may be repeated [all that are named like one].",
)
@stage_options
def inspect(
    job: Path,
    into: Path | None,
    as_json: bool,
    quiet: bool,
    plot: Path | None,
    lag: float | None,
    sensors: tuple[str, ...],
) -> None:
    """Read and clean the runs, cut them into legs, say what they can give and what to do about the rest.

    JOB.toml may also be a log: then its columns are guessed, as `tcomp start` does, and nothing is written without --into.
    Where the logs hold several sensors, each is compared with the offset on sweeps left out, and the best is named.
    legs.csv in the folder of results has all legs.

    \b
    Example:  tcomp inspect gauge07.toml --plot gauge07.svg
              tcomp inspect 2026-03-02_up_down.csv
              tcomp inspect gauge07.toml --sensor board_c --sensor box_c
    """
    from tcomp import workflow
    from tcomp.report.runs import sensor_rows, survey_parts, write_survey
    from tcomp.summary import inspect_document

    terminal = Terminal(quiet)
    checked, folder = _job_or_log(job, into, terminal)
    if folder is None:
        runs = workflow.inspect_runs(checked, None, terminal.notify, terminal.progress)
    else:
        with folder.held():
            runs = workflow.inspect_runs(checked, folder, terminal.notify, terminal.progress)
            folder.write_legs(runs)
    given = checked.fit.lag if isinstance(checked.fit.lag, float) else None
    survey = workflow.survey(checked, runs, given if lag is None else lag)
    compared = _compared(checked, runs, sensors, terminal.progress)
    if plot is not None:
        write_survey(survey, plot)
    legs = "--into FOLDER" if folder is None else str(folder.path / "legs.csv")
    parts = [*survey_parts(survey, legs), *([sensor_rows(compared)] if compared is not None else [])]
    print_result(inspect_document(survey, compared), *parts, as_json=as_json)


def _job_or_log(path: Path, into: Path | None, terminal: Terminal) -> tuple[Job, Folder | None]:
    """The job, or what is guessed of a log; and a folder for results, of a log only if one is asked for."""
    from tcomp.results import Folder

    if path.suffix.lower() == ".toml" or not path.name.lower().endswith(LogFile.endings):
        return job_and_folder(path, into)
    from tcomp.starter import guessed_job

    job, remarks = guessed_job(path)
    for remark in remarks:
        terminal.notify(remark)
    return job, None if into is None else Folder(into)


def _compared(
    job: Job, runs: tuple[PreparedRun, ...], sensors: tuple[str, ...], progress: ProgressCallback
) -> SensorComparison | None:
    """The sensors that were asked for, or all whose columns are named like a temperature; None: there is but one.

    A long log is not read again for each without being asked.
    """
    from tcomp import workflow
    from tcomp.estimation.sensor_columns import compare_sensors
    from tcomp.logs.prepared import temperature_columns_of

    columns: list[Column] = [int(name) if name.isdecimal() else name for name in sensors]
    if not columns and not any(prepared.run.has_cells for prepared in runs):
        columns = list(temperature_columns_of(job))
    if sensors and len(columns) == 1:
        columns.insert(0, job.runs[0].temperature)
    if len(set(columns)) < 2:
        return None
    return compare_sensors(columns, job.runs[0].temperature, lambda column: workflow.learn_job(job, column), progress)


@click.command(short_help="Learn the curve, and prove it on sweeps left out.")
@click.option(
    "--prior",
    type=ResultFile(dir_okay=False),
    metavar="LOT.json|cut",
    help="What `tcomp lot` found for such units, or `cut`: what handbooks say of the job's cut. Then two to five soaks place this "
    "one; of a unit that was swept the lot tells lag, response and loop.",
)
@plot_option("Picture of the curve and its residuals")
@stage_options
def fit(job: Path, into: Path | None, as_json: bool, quiet: bool, plot: Path | None, prior: Path | None) -> None:
    """Learn and validate the curve, from clean.parquet, which is made first if it is missing or of another job.

    With --prior, a unit that the lot, or the cut, does not predict is refused, exit code 2: sweep it in full.

    \b
    Example:  tcomp fit gauge07.toml --plot curve.svg
              tcomp fit gauge08.toml --prior lot.json
              tcomp fit gauge09.toml --prior cut
    """
    from tcomp.current_results import CurrentResults
    from tcomp.documents.fields import values_of
    from tcomp.documents.summary import FitDocument
    from tcomp.lot.new_unit import fit_of_lot
    from tcomp.report.text import curve_rows, note_rows
    from tcomp.summary import curve_figures

    (checked, folder), terminal = job_and_folder(job, into), Terminal(quiet)
    results = CurrentResults(checked, folder, terminal.notify, terminal.progress)
    with folder.held():
        if prior is None:
            curve = results.new_curve(results.runs())
        else:
            known, digest = prior_and_digest(prior, checked)
            curve = fit_of_lot(checked, results.runs(), known, folder, digest, terminal.notify, terminal.progress)
        if plot is not None:
            from tcomp.report.chart_picture import write_charts
            from tcomp.report.charts import curve_and_residuals

            write_charts((curve_and_residuals(curve, folder.read_fitted()),), plot, name="fit")
    found = FitDocument(**values_of(curve_figures(curve)))
    print_result(found, [*curve_rows(found), *note_rows(found)], as_json=as_json)


@click.command(short_help="Design the table of integers.")
@click.option(
    "--explore",
    "exploring",
    is_flag=True,
    help="Design tables of every form instead: explored.csv and explored.svg, bytes against worst error.",
)
@plot_option("Picture of the table's entries and its error at every code")
@stage_options
def table(job: Path, into: Path | None, as_json: bool, quiet: bool, plot: Path | None, exploring: bool) -> None:
    """Design the table of integers, from curve.json, which is made first if it is missing or of another job.

    \b
    Example:  tcomp table gauge07.toml --plot table.svg
              tcomp table gauge07.toml --explore
    """
    from tcomp import workflow
    from tcomp.current_results import CurrentResults
    from tcomp.documents.fields import values_of
    from tcomp.documents.summary import DesignDocument
    from tcomp.report.text import table_rows
    from tcomp.summary import sampled_rival, table_figures, worst_u_ppb

    (checked, folder), terminal = job_and_folder(job, into), Terminal(quiet)
    with folder.held():
        curve = CurrentResults(checked, folder, terminal.notify, terminal.progress).curve()
        if exploring:
            _explore(checked, curve, folder, terminal.progress, as_json=as_json)
            return
        designed = workflow.design(checked, curve, folder, terminal.notify)
    rival = sampled_rival(checked, curve, designed)
    if plot is not None:
        from tcomp.report.chart_picture import write_charts
        from tcomp.report.charts import table_error

        write_charts((table_error(curve, designed, rival),), plot, name="table")
    found = DesignDocument(**values_of(table_figures(designed, rival)))
    print_result(found, table_rows(found, worst_u_ppb(curve)), as_json=as_json)


def _explore(job: Job, curve: Curve, folder: Folder, progress: ProgressCallback, *, as_json: bool) -> None:
    from tcomp import workflow
    from tcomp.files import write_text
    from tcomp.report.explored import explored_csv, explored_document, explored_parts, write_explored_picture
    from tcomp.summary import worst_u_ppb

    found = workflow.explore(job, curve, progress)
    write_text(folder.path / "explored.csv", explored_csv(found))
    chosen = workflow.design(job, curve)
    write_explored_picture(
        found, folder.path / "explored.svg", chosen=chosen, curve_u_ppb=worst_u_ppb(curve), target=job.firmware.target
    )
    print_result(explored_document(found), *explored_parts(found), as_json=as_json)


@click.command(short_help="Write the table as C, CSV, JSON, or an image.")
@click.option(
    "--package",
    "packages",
    default="",
    metavar="NAMES",
    help="Write folders for other builders too, into packages/: some of arduino, platformio, cmake, esp-idf, zephyr, cargo, wheel.",
)
@stage_options
def export(job: Path, into: Path | None, as_json: bool, quiet: bool, packages: str) -> None:
    """Write the table as C, CSV, JSON, from curve.json and table.json, which are made first where they are missing or stale.

    \b
    Example:  tcomp export gauge07.toml
              tcomp export gauge07.toml --package arduino,cmake
    """
    from tcomp import workflow
    from tcomp.current_results import CurrentResults
    from tcomp.documents.summary import ExportDocument
    from tcomp.files import write_files
    from tcomp.firmware.packages import check_packages, packaged

    asked = tuple(name.strip() for name in packages.split(",") if name.strip())
    check_packages(asked)
    (checked, folder), terminal = job_and_folder(job, into), Terminal(quiet)
    workflow.check_job(checked)
    with folder.held():
        curve, designed = CurrentResults(checked, folder, terminal.notify, terminal.progress).table()
        texts = workflow.export(checked, curve, designed, folder)
        images = [name for name in workflow.firmware_files(checked, curve, designed) if name not in texts]
        whole = workflow.firmware_export(checked, curve, designed)
        wanted = {name: packaged(name, whole) for name in asked}
        inside = {f"packages/{name}/{path}": content for name, own in wanted.items() for path, content in own.items()}
        for name in inside:
            (folder.path / name).parent.mkdir(parents=True, exist_ok=True)
        write_files(folder.path, inside)
    paths = tuple(str(folder.path / name) for name in (*texts, *images, *inside))
    print_result(ExportDocument(written=paths), [("written", path) for path in paths], as_json=as_json)


TARGET_CHOICES = ("host", *TARGETS, "all")


def _targets(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem]:
    return [CompletionItem(name) for name in TARGET_CHOICES if name.startswith(incomplete)]


@click.command(short_help="Run the C at all codes, on emulated targets too.")
@click.option(
    "--target",
    "targets",
    multiple=True,
    default=("host",),
    show_default=True,
    metavar="|".join(TARGET_CHOICES),
    shell_complete=_targets,
    help="Processor to run on as well, emulated; may be repeated. all: whatever this machine can.",
)
@stage_options
def prove(job: Path, into: Path | None, as_json: bool, quiet: bool, targets: tuple[str, ...]) -> None:
    """Compile the C in the folder, run it at all codes, compare it with table.json; on targets, count it too.

    What is missing or stale is made first; C that was edited by hand since it was exported is proven as it is.

    Exit code 0: it holds; 1: it does not; 2: it could not be compiled, or a target asked for is not to be had.

    \b
    Example:  tcomp prove gauge07.toml --target cortex-m0plus --target avr
    """
    from tcomp import workflow
    from tcomp.current_results import CurrentResults
    from tcomp.errors import ProofError
    from tcomp.proof import asked_targets
    from tcomp.report.text import proof_rows

    (checked, folder), terminal = job_and_folder(job, into), Terminal(quiet)
    asked_targets(targets)  # an unknown one is refused before anything is made
    with folder.held():
        designed = CurrentResults(checked, folder, terminal.notify, terminal.progress).firmware()
        proof = workflow.prove_sources(checked, designed, folder, terminal.notify, targets, progress=terminal.progress)
    if proof.holds is None:
        raise ProofError(proof.reason)
    print_result(proof, proof_rows(proof), as_json=as_json)
    sys.exit(0 if proof.holds else 1)


@click.command(short_help="Write the report of a folder of results.")
@stage_options
def report(job: Path, into: Path | None, as_json: bool, quiet: bool) -> None:
    """Write report.html and summary.json, from the files of all stages, which are made first where they are missing or stale.

    JOB.toml may also be the folder of results, NAME.out beside NAME.toml.

    \b
    Example:  tcomp report gauge07.toml
              tcomp report gauge07.out
    """
    from tcomp.current_results import CurrentResults
    from tcomp.report.text import summary_rows

    (checked, folder), terminal = job_and_folder(job, into), Terminal(quiet)
    with folder.held():
        found = CurrentResults(checked, folder, terminal.notify, terminal.progress).report()
    print_result(found, summary_rows(found), as_json=as_json)
