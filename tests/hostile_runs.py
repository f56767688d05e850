"""A small run whose names can be anything, for the tests of hostile files; its figures are invented."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
from click.testing import CliRunner, Result

from tcomp.cli import main


def sweep_log(t: str = "t", y: str = "y") -> str:
    """Up and down over 50 degC, a parabola about 25 degC; invented."""
    up = np.linspace(0.0, 50.0, 200)
    temperature_c = np.concatenate([up, up[::-1]])
    offset_ppb = -3.0 * (temperature_c - 25.0) ** 2 + np.random.default_rng(8).normal(0.0, 2.0, temperature_c.size)
    pairs = zip(temperature_c, offset_ppb, strict=True)
    rows = [f"{1_700_000_000 + 20 * i},{t:.4f},{y:.4f}" for i, (t, y) in enumerate(pairs)]
    return f"utc,{t},{y}\n" + "\n".join(rows) + "\n"


def job_of(folder: Path, *, name: str = "gauge", file: str = "log.csv", run: str = "", more: str = "") -> Path:
    """A job for such a log; ``run`` are more keys of [[run]], ``more`` goes before all sections."""
    keys = {"file": file, "time": "utc", "temperature": "t", "offset": "y", "offset_unit": "ppb"}
    lines = [f"{key} = {json.dumps(value)}" for key, value in keys.items() if f"\n{key} =" not in f"\n{run}"]
    text = "\n".join([more, "[oscillator]", f"name = {json.dumps(name)}", "[[run]]", *lines, run])
    path = folder / "job.toml"
    path.write_text(text + "\n", encoding="utf-8")
    return path


def tcomp(*words: Any) -> Result:
    """Run a command; anything but an orderly end is raised."""
    return CliRunner().invoke(main, [str(word) for word in words], catch_exceptions=False)


def refusal(*words: Any) -> str:
    """The one sentence with which a command refuses its input."""
    result = tcomp(*words)
    assert result.exit_code == 2, result.output
    said = [line for line in result.stderr.splitlines() if line.startswith("Error: ")]
    assert len(said) == 1, result.stderr
    assert result.stderr.splitlines()[-1] == said[0]
    return said[0].removeprefix("Error: ")
