"""Invented lots for tests: small boards of one kind, logged up and down."""

from __future__ import annotations

from pathlib import Path

import numpy as np

JOB = """
[oscillator]
name = "gauge {unit}"
nominal_hz = 10_000_000
cut = "AT"
[[run]]
file = "{file}"
time = "utc"
temperature = "board_c"
frequency = "osc_hz"
[fit]
models = ["crystal"]
lag = "none"
ageing = "none"
hysteresis = "none"
[table]
form = "steps"
max_error_ppb = 20
[use]
needed_ppb = 60
"""
LOT = """[lot]
make = []
[units]
files = "logs/{unit}.csv"
"""
ROWS = 240


def offset_ppb(temperature_c: np.ndarray, slope: float = -200.0, base: float = 500.0) -> np.ndarray:
    """An AT crystal: the cubic's coefficient is the handbook's (tcomp/simulation/crystal.py)."""
    away = temperature_c - 26.4
    return base + slope * away + 0.1086 * away**3


def sweep_c(low_c: float = -20.0, high_c: float = 60.0) -> np.ndarray:
    up = np.linspace(low_c, high_c, ROWS // 2)
    return np.concatenate([up, up[::-1]])


def log_text(
    seed: int, slope: float = -200.0, base: float = 500.0, high_c: float = 60.0, noise_ppb: float = 2.0
) -> str:
    """10 s samples of a 10 MHz board."""
    temperature_c = sweep_c(high_c=high_c)
    noise = np.random.default_rng(seed).normal(0.0, noise_ppb, ROWS)
    shown_hz = 1e7 * (1 + (offset_ppb(temperature_c, slope, base) + noise) * 1e-9)
    rows = (
        f"{1_700_000_000 + 10 * i},{t:.4f},{f:.6f}"
        for i, (t, f) in enumerate(zip(temperature_c, shown_hz, strict=True))
    )
    return "utc,board_c,osc_hz\n" + "\n".join(rows) + "\n"


def write_lot(folder: Path, logs: dict[str, str], lot: str = LOT, job: str = JOB) -> Path:
    """A lot file with its job's sections in it, beside its logs."""
    (folder / "logs").mkdir(exist_ok=True)
    for name, text in logs.items():
        (folder / "logs" / f"{name}.csv").write_text(text)
    (folder / "lot.toml").write_text(lot + job)
    return folder / "lot.toml"


def sound_logs(count: int) -> dict[str, str]:
    """Boards of one lot: bases and slopes vary."""
    rng = np.random.default_rng(42)
    return {
        f"g{number:02d}": log_text(
            number, slope=-200 + 10 * rng.standard_normal(), base=500 + 100 * rng.standard_normal()
        )
        for number in range(1, count + 1)
    }
