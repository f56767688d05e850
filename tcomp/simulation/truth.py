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
    centred_c = np.asarray(temperature_c, dtype=np.float64) - curve["centre_c"]
    return np.asarray(document["base_at_end_ppb"] + np.polynomial.polynomial.polyval(centred_c, powers))
