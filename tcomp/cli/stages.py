"""The stages alone, each from the files that the stage before has left in the folder of results."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click
from click.shell_completion import CompletionItem

from tcomp.cli.options import folder_of, print_result, stage_options
from tcomp.cli.paths import ResultFile
from tcomp.cli.terminal import Terminal

if TYPE_CHECKING:
    from tcomp.curve.curve import Curve
    from tcomp.job import Job
    from tcomp.progress import Told
    from tcomp.results import Folder


@click.command(short_help="Clean the runs, and say what they can give.")
@click.option(
    "--lag", type=float, metavar="SECONDS", help="Time constant to hold the soaks against [a number in the job]."
)
@click.option("--plot", type=click.Path(path_type=Path, dir_okay=False), help="Picture of the runs: .svg or .png.")
@stage_options
def inspect(job: Path, into: Path | None, as_json: bool, quiet: bool, plot: Path | None, lag: float | None) -> None:
    """Read and clean the runs, cut them into legs, say what they can give and what to do about the rest.

    \b
    Example:  tcomp inspect gauge07.toml --plot gauge07.svg
    """
    from tcomp import workflow
    from tcomp.job import read_job
    from tcomp.report.run_pictures import write_survey
    from tcomp.report.run_text import survey_parts
    from tcomp.results import Folder
    from tcomp.summary import survey_figures

    checked, terminal, folder = read_job(job), Terminal(quiet), Folder(folder_of(job, into))
    with folder.held():
        runs = workflow.inspect_runs(checked, folder, terminal.say, terminal.told)
    given = checked.fit.lag if isinstance(checked.fit.lag, float) else None
    survey = workflow.survey(checked, runs, given if lag is None else lag)
    if plot is not None:
        write_survey(survey, plot)
    print_result(survey_figures(survey), *survey_parts(survey), as_json=as_json)


@click.command(short_help="Learn the curve, and prove it on sweeps left out.")
@click.option(
    "--prior",
    type=ResultFile(dir_okay=False),
    metavar="LOT.json",
    help="What `tcomp lot` learnt of such units: then two to five soaks place this one.",
)
@stage_options
def fit(job: Path, into: Path | None, as_json: bool, quiet: bool, prior: Path | None) -> None:
    """Learn and validate the curve, from clean.parquet.

    With --prior, a unit that the lot does not foretell is refused, exit code 2: sweep it in full.

    \b
    Example:  tcomp inspect gauge07.toml && tcomp fit gauge07.toml
              tcomp inspect gauge08.toml && tcomp fit gauge08.toml --prior lot.json
    """
    from tcomp import workflow
    from tcomp.curve.prior import read_prior
    from tcomp.job import read_job
    from tcomp.report.text import curve_rows, note_rows
    from tcomp.results import Folder
    from tcomp.summary import curve_figures

    folder, checked, terminal = Folder(folder_of(job, into)), read_job(job), Terminal(quiet)
    with folder.held():
        if prior is None:
            curve = workflow.fit(checked, folder.read_runs(), folder, terminal.say, terminal.told).curve
        else:
            curve = workflow.place(checked, folder.read_runs(), read_prior(prior), folder).curve
    figures = {"schema": 1, **curve_figures(curve)}
    print_result(figures, [*curve_rows(figures), *note_rows(figures)], as_json=as_json)


@click.command(short_help="Design the table of integers.")
@click.option(
    "--explore",
    "exploring",
    is_flag=True,
    help="Design tables of every form instead: explored.csv and explored.svg, bytes against worst error.",
)
@stage_options
def table(job: Path, into: Path | None, as_json: bool, quiet: bool, exploring: bool) -> None:
    """Design the table of integers, from curve.json.

    \b
    Example:  tcomp table gauge07.toml
              tcomp table gauge07.toml --explore
    """
    from tcomp import workflow
    from tcomp.job import read_job
    from tcomp.report.text import table_rows
    from tcomp.results import Folder
    from tcomp.summary import sampled_rival, table_figures

    folder, checked = Folder(folder_of(job, into)), read_job(job)
    with folder.held():
        curve = folder.read_curve()
        if exploring:
            _explore(checked, curve, folder, Terminal(quiet).told, as_json=as_json)
            return
        designed = workflow.design(checked, curve, folder, Terminal(quiet).say)
    figures = {"schema": 1, **table_figures(designed, sampled_rival(checked, curve, designed))}
    print_result(figures, table_rows(figures), as_json=as_json)


def _explore(job: Job, curve: Curve, folder: Folder, told: Told, *, as_json: bool) -> None:
    from tcomp import workflow
    from tcomp.files import write_text
    from tcomp.report.explored import explored_csv, explored_figures, explored_parts, write_explored_picture

    found = workflow.explore(job, curve, told)
    write_text(folder.path / "explored.csv", explored_csv(found))
    write_explored_picture(found, folder.path / "explored.svg")
    print_result(explored_figures(found), *explored_parts(found), as_json=as_json)


@click.command(short_help="Write the table as C, CSV, JSON, or an image.")
@stage_options
def export(job: Path, into: Path | None, as_json: bool, quiet: bool) -> None:
    """Write the table as C, CSV, JSON, from curve.json and table.json.

    \b
    Example:  tcomp export gauge07.toml
    """
    from tcomp import workflow
    from tcomp.job import read_job
    from tcomp.results import Folder

    folder = Folder(folder_of(job, into))
    checked = read_job(job)
    with folder.held():
        texts = workflow.export(checked, folder.read_curve(), folder.read_table(), folder)
    paths = [str(folder.path / name) for name in texts]
    print_result({"schema": 1, "written": paths}, [("written", path) for path in paths], as_json=as_json)


TARGETS = ("host", "cortex-m0plus", "cortex-m4", "rv32imc", "avr", "all")
"""Those of the proof, which is not loaded for the sake of their names."""


def _targets(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem]:
    return [CompletionItem(name) for name in TARGETS if name.startswith(incomplete)]


@click.command(short_help="Run the C at all codes, on emulated targets too.")
@click.option(
    "--target",
    "targets",
    multiple=True,
    default=("host",),
    show_default=True,
    metavar="|".join(TARGETS),
    shell_complete=_targets,
    help="Processor to run on as well, emulated; may be repeated. all: whatever this machine can.",
)
@stage_options
def prove(job: Path, into: Path | None, as_json: bool, quiet: bool, targets: tuple[str, ...]) -> None:
    """Compile the C in the folder, run it at all codes, compare it with table.json; on targets, count it too.

    Exit code 0: it holds; 1: it does not; 2: it could not be compiled, or a target asked for is not to be had.

    \b
    Example:  tcomp prove gauge07.toml --target cortex-m0plus --target avr
    """
    from tcomp import workflow
    from tcomp.errors import ProofError
    from tcomp.job import read_job
    from tcomp.report.text import proof_rows
    from tcomp.results import Folder

    folder, terminal = Folder(folder_of(job, into)), Terminal(quiet)
    checked = read_job(job)
    with folder.held():
        proof = workflow.prove_sources(checked, folder.read_table(), folder, terminal.say, targets, told=terminal.told)
    if proof["holds"] is None:
        raise ProofError(proof["reason"])
    print_result(proof, proof_rows(proof), as_json=as_json)
    sys.exit(0 if proof["holds"] else 1)


@click.command(short_help="Write the report of a folder of results.")
@stage_options
def report(job: Path, into: Path | None, as_json: bool, quiet: bool) -> None:
    """Write report.html and summary.json, from the files of all stages.

    \b
    Example:  tcomp report gauge07.toml
    """
    from tcomp import workflow
    from tcomp.job import read_job
    from tcomp.report.text import summary_rows
    from tcomp.results import Folder

    checked, folder = read_job(job), Folder(folder_of(job, into))
    with folder.held():
        figures = workflow.report(checked, folder, Terminal(quiet).say)
    print_result(figures, summary_rows(figures), as_json=as_json)
