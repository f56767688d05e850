"""The group of commands, and how errors leave it."""

from __future__ import annotations

from typing import Any

import click

from tcomp import __version__
from tcomp.cli.apply import apply
from tcomp.cli.build import build
from tcomp.cli.check import check
from tcomp.cli.demo import demo
from tcomp.cli.explain import explain
from tcomp.cli.judge import judge
from tcomp.cli.log import log
from tcomp.cli.lot import lot
from tcomp.cli.plan import plan
from tcomp.cli.retrim import retrim
from tcomp.cli.stages import export, fit, inspect, prove, report, table
from tcomp.cli.start import start
from tcomp.cli.terminal import shown
from tcomp.errors import TcompError


class BadInput(click.ClickException):
    """A user's mistake: one sentence on stderr, exit code 2, no traceback."""

    exit_code = 2


class Commands(click.Group):
    """Turns errors of ours, and nothing wider, into one sentence; a defect keeps its traceback."""

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command."""
        try:
            return super().invoke(ctx)
        except TcompError as error:
            raise BadInput(shown(str(error)).replace("\n", "\\n")) from error

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Commands in the order of the work, not of the alphabet."""
        return list(self.commands)


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, message="%(prog)s %(version)s")
def main() -> None:
    """Learn a crystal oscillator's frequency against temperature, and correct readings with it.

    Offsets are (f - f_nominal) / f_nominal, positive when the oscillator is fast. A counter whose
    timebase is 1000 ppb fast shows 9 999 990.00 Hz of a true 10 MHz; the true frequency is what it
    shows times 1.000001.

    \b
    tcomp demo                          try it on a simulated sample
    tcomp start my_log.csv              write a job file for a log
    tcomp build job.toml                walk the whole way
    """


COMMANDS = (
    demo, start, plan, log, build, inspect, fit, table, export, prove, judge, report, check, apply, retrim, lot,
    explain,
)  # fmt: skip
for command in COMMANDS:
    main.add_command(command)
