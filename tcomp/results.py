"""What the stages leave in a folder, each file written once and read back by the stages after it."""

from __future__ import annotations

import io
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from tcomp.curve.curve import Curve, curve_text, read_curve
from tcomp.errors import StageError
from tcomp.files import json_text, read_json, write_bytes, write_text
from tcomp.table import CorrectionTable, read_table, table_text

if TYPE_CHECKING:
    import pandas as pd

    from tcomp.curve.few_points import Placed
    from tcomp.curve.learn import Learnt
    from tcomp.curve.samples import Samples
    from tcomp.run.prepared import PreparedRun

Floats = NDArray[np.float64]


RESULTS = ("clean", "curve", "explored", "fitted", "proof", "report", "summary", "table", "validation", "verdict")
"""Names, without what follows the dot, that the firmware's files may not take."""


@dataclass(frozen=True)
class Folder:
    """The folder of one job's results."""

    path: Path

    def _of(self, name: str, stage: str) -> Path:
        if not (self.path / name).is_file():
            raise StageError(f"{self.path / name}: is not there yet; run `tcomp {stage}` on the job first")
        return self.path / name

    @contextmanager
    def _reading(self, name: str, stage: str) -> Iterator[Path]:
        """A file of the folder while it is read; what is damaged in it is told as such."""
        path = self._of(name, stage)
        try:
            yield path
        except (OSError, ValueError, LookupError, TypeError) as error:
            raise StageError(
                f"{path}: cannot be read, so it is damaged; run `tcomp {stage}` on the job again"
            ) from error

    def job_path(self) -> Path:
        """The job of these results: ``NAME.toml`` beside ``NAME.out/``.

        Raises
        ------
        StageError
            It is not there.
        """
        if not self.path.is_dir():
            raise StageError(
                f"{self.path}: is no folder of results; expected one that `tcomp build` has made, NAME.out/"
            )
        folder = self.path.resolve()
        beside = folder.with_suffix(".toml")
        if folder.suffix != ".out" or not beside.is_file():
            raise StageError(
                f"{self.path}: the job of these results is not beside them (as NAME.toml is of NAME.out/); "
                "name it with --job"
            )
        return Path(os.path.relpath(beside)) if not self.path.is_absolute() else beside

    def write_curve(self, curve: Curve) -> None:
        """``curve.json`` alone: its base has been trimmed."""
        write_text(self.path / "curve.json", curve_text(curve))

    def write_runs(self, runs: tuple[PreparedRun, ...]) -> None:
        """``clean.parquet``: every row of every run, with the reason if it was dropped."""
        from tcomp.run.prepared import clean_frame

        write_bytes(self.path / "clean.parquet", parquet_bytes(clean_frame(runs)))

    def read_runs(self) -> tuple[PreparedRun, ...]:
        """Read ``clean.parquet`` back."""
        import pandas as pd

        from tcomp.run.prepared import from_clean_frame

        with self._reading("clean.parquet", "inspect") as path:
            return from_clean_frame(pd.read_parquet(path))

    def write_learnt(self, samples: Samples, learnt: Learnt) -> None:
        """``curve.json``, ``validation.csv`` (a row per candidate) and ``fitted.parquet`` (a row per sample)."""
        self.write_curve(learnt.curve)
        write_text(self.path / "validation.csv", scores_frame(learnt).to_csv(index=False, lineterminator="\n"))
        write_bytes(self.path / "fitted.parquet", parquet_bytes(fitted_frame(samples, learnt)))

    def write_placed(self, samples: Samples, placed: Placed) -> None:
        """The same files, of a unit that a lot's prior and a few soaks placed."""
        write_text(self.path / "curve.json", curve_text(placed.curve))
        scores = placed_scores_frame(placed)
        write_text(self.path / "validation.csv", scores.to_csv(index=False, lineterminator="\n"))
        write_bytes(self.path / "fitted.parquet", parquet_bytes(placed_fitted_frame(samples, placed)))

    def read_curve(self) -> Curve:
        """Read ``curve.json`` back."""
        return read_curve(self._of("curve.json", "fit"))

    def read_scores(self) -> pd.DataFrame:
        """Read ``validation.csv`` back."""
        import pandas as pd

        with self._reading("validation.csv", "fit") as path:
            return pd.read_csv(path).astype({"fold_mean_square_ppb2": np.float64, "chosen": np.bool_})

    def read_fitted(self) -> pd.DataFrame:
        """Read ``fitted.parquet`` back."""
        import pandas as pd

        with self._reading("fitted.parquet", "fit") as path:
            return pd.read_parquet(path)

    def write_table(self, table: CorrectionTable) -> None:
        """``table.json``."""
        write_text(self.path / "table.json", table_text(table))

    def read_table(self) -> CorrectionTable:
        """Read ``table.json`` back."""
        return read_table(self._of("table.json", "table"))

    def write_texts(self, texts: dict[str, str]) -> None:
        """The firmware's files."""
        for name, text in texts.items():
            write_text(self.path / name, text)

    def write_image(self, symbol: str, image: bytes) -> None:
        """``SYMBOL.bin``."""
        write_bytes(self.path / f"{symbol}.bin", image)

    def read_sources(self, symbol: str) -> dict[str, str]:
        """The C files as they stand in the folder: the proof is of them."""
        return self._read_texts(f"{symbol}.h", f"{symbol}.c", f"{symbol}_selftest.c")

    def read_reader(self, symbol: str) -> dict[str, str]:
        """The C that reads an image, as it stands in the folder."""
        return self._read_texts(f"{symbol}_image.h", f"{symbol}_image.c")

    def _read_texts(self, *names: str) -> dict[str, str]:
        texts = {}
        for name in names:
            with self._reading(name, "export") as path:
                texts[name] = path.read_text(encoding="utf-8")
        return texts

    def write_proof(self, found: dict[str, Any]) -> None:
        """``proof.json``."""
        write_text(self.path / "proof.json", json_text(found))

    def read_proof(self) -> dict[str, Any]:
        """Read ``proof.json`` back."""
        return self._read_figures("proof.json", "prove", "holds")

    def _read_figures(self, name: str, stage: str, needed: str) -> dict[str, Any]:
        with self._reading(name, stage) as path:
            document: dict[str, Any] = read_json(path)
            document[needed]
            return document

    def write_verdict(self, figures: dict[str, Any]) -> None:
        """``verdict.json``."""
        write_text(self.path / "verdict.json", json_text(figures))

    def read_verdict(self) -> dict[str, Any]:
        """Read ``verdict.json`` back."""
        return self._read_figures("verdict.json", "judge", "answer")


def parquet_bytes(frame: pd.DataFrame) -> bytes:
    """A frame as Parquet."""
    buffer = io.BytesIO()
    frame.to_parquet(buffer, index=False)
    return buffer.getvalue()


def scores_frame(learnt: Learnt) -> pd.DataFrame:
    """A row per candidate, simplest first."""
    import pandas as pd

    rows = []
    for score in learnt.validation.scores:
        row: dict[str, Any] = {
            "model": score.candidate.name,
            "coefficients": score.size,
            "chosen": score.candidate == learnt.validation.chosen,
            "rms_ppb": score.rms_ppb,
            "p95_ppb": score.p95_ppb,
            "max_ppb": score.max_ppb,
            "heating_minus_cooling_ppb": score.heating_minus_cooling_ppb,
            "fold_mean_square_ppb2": score.mse,
            "fold_mean_square_se_ppb2": score.mse_se,
        }
        rows.append(row | {f"fold_{i + 1}_rms_ppb": float(np.sqrt(mse)) for i, mse in enumerate(score.fold_mse)})
    return pd.DataFrame(rows)


def fitted_frame(samples: Samples, learnt: Learnt) -> pd.DataFrame:
    """A row per kept sample or cell of samples: what the crystal saw and what is left over.

    Residuals are NaN outside the range and where the lag filter had not settled; ``used`` tells the
    samples that carried weight.
    """
    import pandas as pd

    fit = learnt.estimate.fit
    held_out = np.full(samples.offset_ppb.size, np.nan)
    held_out[learnt.scored] = learnt.validation.held_out_ppb
    columns = {name: value for name, value in asdict(samples).items() if name not in ("segment", "leg", "cells")}
    if samples.cells is not None:
        columns["samples"] = samples.cells.count.astype(np.int64)
    return pd.DataFrame(
        columns
        | {
            "crystal_c": fit.crystal_c,
            "corrected_ppb": fit.corrected_ppb,
            "residual_ppb": np.where(fit.usable, fit.residual_ppb, np.nan),
            "used": fit.used,
            "held_out_ppb": held_out,
        }
    )


def placed_scores_frame(placed: Placed) -> pd.DataFrame:
    """The one candidate there is, scored on soaks that it had not seen."""
    import pandas as pd

    squares, held_out = placed.held_out_ppb**2, placed.curve.held_out
    return pd.DataFrame(
        {
            "model": [placed.curve.model],
            "coefficients": [len(placed.curve.coef)],
            "chosen": [True],
            "rms_ppb": [held_out.rms_ppb],
            "p95_ppb": [held_out.p95_ppb],
            "max_ppb": [held_out.max_ppb],
            "heating_minus_cooling_ppb": [held_out.heating_minus_cooling_ppb],
            "fold_mean_square_ppb2": [float(squares.mean())],
            "fold_mean_square_se_ppb2": [float(squares.std(ddof=1) / np.sqrt(squares.size))],
        }
    )


def placed_fitted_frame(samples: Samples, placed: Placed) -> pd.DataFrame:
    """A row per kept sample; residuals only where a soak had settled, and foretold by the other soaks."""
    import pandas as pd

    residual_ppb, held_out_ppb = np.full((2, samples.offset_ppb.size), np.nan)
    for soak, left_ppb in zip(placed.soaks, placed.held_out_ppb, strict=True):
        inside = (samples.time_s >= soak.start_s) & (samples.time_s <= soak.end_s)
        residual_ppb[inside] = samples.offset_ppb[inside] - placed.curve.offset_ppb(samples.temperature_c[inside])
        held_out_ppb[inside] = samples.offset_ppb[inside] - soak.offset_ppb + left_ppb
    columns = {name: value for name, value in asdict(samples).items() if name not in ("segment", "leg")}
    return pd.DataFrame(
        columns
        | {
            "crystal_c": samples.temperature_c,
            "corrected_ppb": samples.offset_ppb,
            "residual_ppb": residual_ppb,
            "used": ~np.isnan(residual_ppb),
            "held_out_ppb": held_out_ppb,
        }
    )
