"""Typical figures for what a job leaves out, each with its source; they stand in ``typical.csv``."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cache
from importlib import resources


@dataclass(frozen=True)
class Figure:
    """A figure with where it comes from, and whether it is assumed."""

    value: float
    basis: str
    assumed: bool = False


def figure(given: float | None, kind: str, name: str) -> Figure:
    """What the job gives, or else the typical figure.

    >>> figure(0.5, "oven", "ageing_ppb_per_day").basis
    'given'
    >>> figure(None, "oven", "ageing_ppb_per_day").value
    0.0137
    """
    return Figure(given, "given") if given is not None else typical(kind, name)


def typical(kind: str, name: str) -> Figure:
    """The row of the file."""
    value, source = _rows()[kind, name]
    return Figure(value, source, assumed=True)


@cache
def _rows() -> dict[tuple[str, str], tuple[float, str]]:
    text = resources.files("tcomp.estimation").joinpath("typical.csv").read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    return {(row["kind"], row["figure"]): (float(row["value"]), row["source"]) for row in csv.DictReader(lines)}
