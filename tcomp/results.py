"""The results of a job in a folder: each stage writes its files, and later stages read them."""

from __future__ import annotations

import hashlib
import io
import os
from collections.abc import Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from pathlib import Path
from threading import Lock
from typing import TYPE_CHECKING

import numpy as np

from tcomp.documents.fields import document_text, from_json
from tcomp.documents.folder import MadeFromDocument
from tcomp.documents.proof import ProofDocument
from tcomp.documents.summary import SummaryDocument
from tcomp.documents.verdict import VerdictDocument
from tcomp.errors import StageError
from tcomp.estimation.curve import Curve, curve_text, read_curve
from tcomp.files import held, read_json, write_bytes, write_files, write_text
from tcomp.frames import legs_frame, placed_fitted_frame, placed_scores_frame, samples_frame, scores_frame
from tcomp.tables import CorrectionTable, read_table, table_text

if TYPE_CHECKING:
    import pandas as pd

    from tcomp.estimation.few_points import Placed
    from tcomp.estimation.fit_result import FitResult
    from tcomp.estimation.samples import Samples
    from tcomp.logs.prepared import PreparedRun

Inputs = Mapping[str, str]
"""The inputs of a file: names of sections of the job, logs and other results, with the digest of each."""
MADE_FROM = "made_from.json"
_RECORDING = Lock()
"""Held while ``made_from.json`` is read and written again: a build proves and judges in two threads."""
RESULTS = (
    "clean",
    "curve",
    "explored",
    "fitted",
    "legs",
    "made_from",
    "proof",
    "report",
    "summary",
    "table",
    "validation",
    "verdict",
)
"""Names without extension that the firmware's files may not have."""


@dataclass(frozen=True)
class Folder:
    """The folder of one job's results."""

    path: Path

    def held(self) -> AbstractContextManager[None]:
        """Lock the folder: no other process writes into it meanwhile, or reads a part of several files."""
        return held(self.path)

    def _of(self, name: str, stage: str) -> Path:
        if not (self.path / name).is_file():
            raise StageError(f"{self.path / name}: is not there yet; run `tcomp {stage}` on the job first")
        return self.path / name

    @contextmanager
    def _reading(self, name: str, stage: str) -> Iterator[Path]:
        """The path of a file while it is read; an error of reading becomes one that says it is damaged."""
        path = self._of(name, stage)
        try:
            yield path
        except (OSError, ValueError, LookupError, TypeError) as error:
            raise StageError(
                f"{path}: cannot be read, so it is damaged; run `tcomp {stage}` on the job again"
            ) from error

    def job_path(self) -> Path:
        """The path of the job of these results: ``NAME.toml`` next to ``NAME.out/``.

        Raises
        ------
        StageError
            It is not there.
        """
        if not self.path.is_dir():
            raise StageError(
                f"{self.path}: is not a folder of results; expected one that `tcomp build` made, NAME.out/"
            )
        folder = self.path.resolve()
        beside = folder.with_suffix(".toml")
        if folder.suffix != ".out" or not beside.is_file():
            raise StageError(
                f"{self.path}: the job of these results is not next to them (as NAME.toml next to NAME.out/); name it with --job"
            )
        return Path(os.path.relpath(beside)) if not self.path.is_absolute() else beside

    def has(self, name: str) -> bool:
        """Whether a result exists."""
        return (self.path / name).is_file()

    def digests(self, *names: str) -> dict[str, str]:
        """SHA-256 of the files of results; empty for a missing one."""
        return {name: hashlib.sha256(self._bytes(name)).hexdigest() if self.has(name) else "" for name in names}

    def _bytes(self, name: str) -> bytes:
        try:
            return (self.path / name).read_bytes()
        except OSError as error:
            raise StageError(f"{self.path / name}: cannot be read ({error.strerror})") from error

    def record(self, name: str, inputs: Inputs) -> None:
        """Write the inputs of a result into ``made_from.json``."""
        with _RECORDING:
            files = self._made_from() | {name: dict(sorted(inputs.items()))}
            document = MadeFromDocument(kind="made_from", files=files)
            # After a power cut it may be empty; then everything is made again.
            write_text(self.path / MADE_FROM, document_text(document), lasting=False)

    def made_from(self, name: str) -> Inputs | None:
        """The inputs of a result; None if they are not known."""
        return self._made_from().get(name)

    def _made_from(self) -> dict[str, dict[str, str]]:
        """The known inputs of all results; none if the file is missing or damaged."""
        try:
            return from_json(MadeFromDocument, read_json(self.path / MADE_FROM)).files
        except (OSError, ValueError):
            return {}

    def write_curve(self, curve: Curve) -> None:
        """Write ``curve.json`` alone, as after a trim of its base."""
        write_text(self.path / "curve.json", curve_text(curve))

    def write_runs(self, runs: tuple[PreparedRun, ...]) -> None:
        """Write ``clean.parquet``: every row of every run, with the reason if it is dropped."""
        from tcomp.logs.prepared import clean_frame

        write_bytes(self.path / "clean.parquet", parquet_bytes(clean_frame(runs)))

    def write_legs(self, runs: tuple[PreparedRun, ...]) -> None:
        """Write ``legs.csv``: a row for each leg of each run."""
        write_text(self.path / "legs.csv", legs_frame(runs).to_csv(index=False, lineterminator="\n"))

    def read_runs(self) -> tuple[PreparedRun, ...]:
        """Read ``clean.parquet``."""
        import pandas as pd

        from tcomp.logs.prepared import from_clean_frame

        with self._reading("clean.parquet", "inspect") as path:
            return from_clean_frame(pd.read_parquet(path))

    def write_fit(self, fit_result: FitResult) -> None:
        """Write ``curve.json``, ``validation.csv`` (a row per candidate) and ``fitted.parquet`` (a row per sample)."""
        self.write_curve(fit_result.curve)
        write_text(self.path / "validation.csv", scores_frame(fit_result).to_csv(index=False, lineterminator="\n"))
        write_bytes(self.path / "fitted.parquet", parquet_bytes(samples_frame(fit_result)))

    def write_placed(self, samples: Samples, placed: Placed) -> None:
        """Write the same files for a unit fitted from a lot's prior and a few soaks."""
        write_text(self.path / "curve.json", curve_text(placed.curve))
        scores = placed_scores_frame(placed)
        write_text(self.path / "validation.csv", scores.to_csv(index=False, lineterminator="\n"))
        write_bytes(self.path / "fitted.parquet", parquet_bytes(placed_fitted_frame(samples, placed)))

    def read_curve(self) -> Curve:
        """Read ``curve.json``."""
        return read_curve(self._of("curve.json", "fit"))

    def read_scores(self) -> pd.DataFrame:
        """Read ``validation.csv``."""
        import pandas as pd

        with self._reading("validation.csv", "fit") as path:
            return pd.read_csv(path).astype({"fold_mean_square_ppb2": np.float64, "chosen": np.bool_})

    def read_fitted(self) -> pd.DataFrame:
        """Read ``fitted.parquet``."""
        import pandas as pd

        with self._reading("fitted.parquet", "fit") as path:
            return pd.read_parquet(path)

    def write_table(self, table: CorrectionTable) -> None:
        """Write ``table.json``."""
        write_text(self.path / "table.json", table_text(table))

    def read_table(self) -> CorrectionTable:
        """Read ``table.json``."""
        return read_table(self._of("table.json", "table"))

    def write_files(self, files: Mapping[str, str | bytes]) -> None:
        """Write the firmware's files."""
        write_files(self.path, files)

    def read_sources(self, symbol: str, *, follow: bool = False, actuators: bool = False) -> dict[str, str]:
        """The C files in the folder, which the proof is about; with those of the filter, and of the actuators."""
        ends = (".h", ".c", "_selftest.c", *(("_follow.h", "_follow.c") if follow else ()))
        ends = (*ends, *(("_actuators.h", "_actuators.c") if actuators else ()))
        return self._read_texts(*(f"{symbol}{end}" for end in ends))

    def read_reader(self, symbol: str) -> dict[str, str]:
        """The C files in the folder that read an image."""
        return self._read_texts(f"{symbol}_image.h", f"{symbol}_image.c")

    def _read_texts(self, *names: str) -> dict[str, str]:
        texts = {}
        for name in names:
            with self._reading(name, "export") as path:
                texts[name] = path.read_text(encoding="utf-8")
        return texts

    def write_proof(self, proof: ProofDocument) -> None:
        """Write ``proof.json``."""
        write_text(self.path / "proof.json", document_text(proof))

    def read_proof(self) -> ProofDocument:
        """Read ``proof.json``."""
        with self._reading("proof.json", "prove") as path:
            return from_json(ProofDocument, read_json(path))

    def write_summary(self, summary: SummaryDocument) -> None:
        """Write ``summary.json``."""
        write_text(self.path / "summary.json", document_text(summary))

    def read_summary(self) -> SummaryDocument:
        """Read ``summary.json``."""
        with self._reading("summary.json", "report") as path:
            return from_json(SummaryDocument, read_json(path))

    def write_verdict(self, verdict: VerdictDocument) -> None:
        """Write ``verdict.json``."""
        write_text(self.path / "verdict.json", document_text(verdict))

    def read_verdict(self) -> VerdictDocument:
        """Read ``verdict.json``."""
        with self._reading("verdict.json", "judge") as path:
            return from_json(VerdictDocument, read_json(path))


def parquet_bytes(frame: pd.DataFrame) -> bytes:
    """A frame as Parquet."""
    buffer = io.BytesIO()
    frame.to_parquet(buffer, index=False)
    return buffer.getvalue()
