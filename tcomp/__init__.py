"""Learn a crystal oscillator's frequency against temperature, and correct readings with it.

The names below are what a script needs; docs/python.md shows each at work.  They are loaded when they are first asked for, so
that ``import tcomp`` takes no time; ``__init__.pyi`` tells a type checker what they are.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

__version__ = "0.1.0"

_HOMES = {
    "tcomp.curve.curve": ("Curve", "read_curve"),
    "tcomp.curve.learn": ("Learnt",),
    "tcomp.curve.validation": ("Validation",),
    "tcomp.decision.apply": ("corrected",),
    "tcomp.decision.check": ("Checked", "check"),
    "tcomp.decision.plan": ("Planned", "plan"),
    "tcomp.decision.point": ("Point",),
    "tcomp.decision.retrim": ("Retrim",),
    "tcomp.decision.verdict": ("Verdict", "judge"),
    "tcomp.errors": ("TcompError",),
    "tcomp.frames": ("curve_frame", "samples_frame", "scores_frame", "table_frame"),
    "tcomp.job.reader": ("read_job", "read_job_text"),
    "tcomp.job.sections": ("Job",),
    "tcomp.model.crystal": ("CubicCrystal", "ParabolaCrystal"),
    "tcomp.model.polynomial": ("PolynomialCurve",),
    "tcomp.model.spline": ("SplineCurve",),
    "tcomp.proof.bit_exact": ("Proof", "prove"),
    "tcomp.results": ("Folder",),
    "tcomp.run.inspection": ("Survey",),
    "tcomp.run.prepared": ("PreparedRun", "prepare_frames", "prepare_runs"),
    "tcomp.table.lookup": ("CorrectionTable",),
    "tcomp.table.table_file": ("read_table",),
    "tcomp.upkeep": ("retrim",),
    "tcomp.workflow": ("Built", "build", "design", "export", "fit", "survey"),
}
_HOME = {name: module for module, names in _HOMES.items() for name in names}

__all__ = [*_HOME]  # noqa: PLE0604  # the test opens each


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'tcomp' has no attribute '{name}'")
    found = globals()[name] = getattr(import_module(_HOME[name]), name)
    return found


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
