"""The group of commands, and how errors leave it."""

from __future__ import annotations

import errno
import os
import sys
from contextlib import suppress
from typing import IO, Any

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
from tcomp.kernels import choose_common_kernels


class BadInput(click.ClickException):
    """A user's mistake: one sentence on stderr, exit code 2, no traceback."""

    exit_code = 2


class Stopped(click.ClickException):
    """Ctrl-C: one sentence on stderr, and the exit code that shells give it (POSIX: 128 and the signal's number)."""

    exit_code = 130

    def show(self, file: IO[Any] | None = None) -> None:
        """Say it, below the ^C of a terminal."""
        click.echo(f"{chr(10) if sys.stderr.isatty() else ''}Stopped: {shown(self.message)}", file=file, err=True)


CLOSED_PIPE = 141
"""As the shell tells of other programs whose reader has left: `tcomp apply ... --into - | head`."""
WORDS_FOR_INTO = ("--out", "--output", "--outdir", "--out-dir", "--folder", "--dir", "--to", "-o")
"""What else people call the option for the place of the results."""
NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EIO)
NO_WAY = (errno.EACCES, errno.EPERM, errno.EROFS, errno.ENAMETOOLONG, errno.ELOOP)
"""A path that is looked at, and cannot even be looked at."""


class Commands(click.Group):
    """Turns errors of ours, and nothing wider, into one sentence; a defect keeps its traceback."""

    def main(self, *words: Any, **keys: Any) -> Any:
        """Run what was asked for; what it prints may find no room, its help too."""
        try:
            return super().main(*words, **keys)
        except OSError as error:
            if error.errno not in (*NO_ROOM, *NO_WAY):
                raise
            _leave_stdout()
            BadInput(_words(error)).show()
            raise SystemExit(BadInput.exit_code) from error

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command."""
        try:
            return super().invoke(ctx)
        except click.NoSuchOption as error:
            takes_folder = error.ctx is not None and any("--into" in one.opts for one in error.ctx.command.params)
            if takes_folder and error.option_name in WORDS_FOR_INTO:
                meant = f"No such option '{error.option_name}'. Did you mean '--into'?"
                raise click.NoSuchOption(error.option_name, meant, ctx=error.ctx) from error
            raise
        except TcompError as error:
            raise BadInput(shown(str(error)).replace("\n", "\\n")) from error
        except KeyboardInterrupt as error:
            raise Stopped(
                str(error) or "each file is there whole, or as it was; the same command begins anew"
            ) from error
        except BrokenPipeError as error:
            _leave_stdout()
            raise click.exceptions.Exit(CLOSED_PIPE) from error

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Commands in the order of the work, not of the alphabet."""
        return list(self.commands)


def _words(error: OSError) -> str:
    if error.errno in NO_WAY:
        return shown(f"{error.filename}: cannot be used ({error.strerror}); give another path")
    what = error.filename or "what is printed, or a temporary file,"
    return shown(f"{what} cannot be written ({error.strerror}); make room, or print and keep files (TMPDIR) elsewhere")


def _leave_stdout() -> None:
    """What is still to be flushed at the end of the program is not tried again."""
    with suppress(OSError, ValueError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
        os.close(nowhere)


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
    choose_common_kernels()  # before a command loads NumPy


COMMANDS = (
    demo, start, plan, log, build, inspect, fit, table, export, prove, judge, report, check, apply, retrim, lot,
    explain,
)  # fmt: skip
for command in COMMANDS:
    main.add_command(command)
