"""What can go wrong that is not a defect of ours: one base, one kind per stage.

A message is one sentence a person can act on: the place (file and line), what was found, what was
expected, what to do.  The command line prints it without a traceback and leaves with exit code 2.

Examples
--------
>>> try:
...     raise JobError("gauge.toml:4: nominal_hz is -1; expected a positive number of Hz")
... except TcompError as error:
...     print(error)
gauge.toml:4: nominal_hz is -1; expected a positive number of Hz
"""

from __future__ import annotations


class TcompError(ValueError):
    """A mistake in what the user gave.  Also a ``ValueError``, as callers of estimators expect."""


class JobError(TcompError):
    """The job file asks for something that cannot be."""


class RunError(TcompError):
    """A logged run cannot be read, or holds nothing to learn from."""


class CurveError(TcompError):
    """The data do not determine the curve that was asked for."""


class TableError(TcompError):
    """No table meets what the job asks."""


class FirmwareError(TcompError):
    """The table cannot be written as the firmware text that was asked for."""


class ProofError(TcompError):
    """The generated C could not be compiled or run, so nothing can be said of it."""


class StageError(TcompError):
    """A stage was asked for before the stage that it builds on."""


class HistoryError(TcompError):
    """An oscillator's history is damaged, or does not go with what was asked."""


class BenchError(TcompError):
    """An instrument, the log or the chamber cannot be used as the job asks."""
