"""The truth beside a sample: what the oscillator did at the end of its last run."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
from numpy.typing import NDArray


def true_offset_ppb(truth: Path, temperature_c: NDArray[np.float64]) -> NDArray[np.float64]:
    """Offset at crystal temperatures, from the ``truth.json`` that stands beside a sample. [ppb]"""
    document = json.loads(truth.read_text(encoding="utf-8"))
    curve = document["curve"]
    powers = np.array([0.0, *curve["coefficients_ppb_per_c_k"]])
    at_c = np.append(np.asarray(temperature_c, dtype=np.float64), curve["reference_c"]) - curve["centre_c"]
    shape_ppb = np.polynomial.polynomial.polyval(at_c, powers)
    return np.asarray(document["base_at_end_ppb"] + shape_ppb[:-1] - shape_ppb[-1])
