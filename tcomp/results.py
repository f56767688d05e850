"""What the stages leave in a folder, each file written once and read back by the stages after it."""

from __future__ import annotations

import io
import os
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from tcomp.curve.curve import Curve, curve_text, read_curve
from tcomp.errors import StageError
from tcomp.files import held, json_text, read_json, write_bytes, write_text
from tcomp.frames import fitted_frame, placed_fitted_frame, placed_scores_frame, scores_frame
from tcomp.table import CorrectionTable, read_table, table_text

if TYPE_CHECKING:
    import pandas as pd

    from tcomp.curve.few_points import Placed
    from tcomp.curve.learn import Learnt
    from tcomp.curve.samples import Samples
    from tcomp.run.prepared import PreparedRun

RESULTS = ("clean", "curve", "explored", "fitted", "proof", "report", "summary", "table", "validation", "verdict")
"""Names, without what follows the dot, that the firmware's files may not take."""


@dataclass(frozen=True)
class Folder:
    """The folder of one job's results."""

    path: Path

    def held(self) -> AbstractContextManager[None]:
        """No other process writes into it meanwhile, nor sees half of what belongs together."""
        return held(self.path)

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
