"""Coverage-guided fuzzing of the readers, to find what ends in a traceback.

    python -m pip install atheris
    python benchmarks/fuzz.py READER CORPUS_FOLDER -max_total_time=600 -max_len=4096

READER is one of the names in ``tests/fuzz_readers.py``; without anything in CORPUS_FOLDER it begins with the seeds there.
What is found is made small with ``-minimize_crash=1``, mended, and kept in ``tests/data/fuzz/READER/``, where
``tests/test_fuzz_findings.py`` replays it without atheris.
"""

from __future__ import annotations

import sys
import warnings
from pathlib import Path

import atheris

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))
with atheris.instrument_imports(include=["tcomp", "tomllib"]):
    from fuzz_readers import READERS, SEEDS

    import tcomp.budget.history
    import tcomp.estimation.curve
    import tcomp.firmware
    import tcomp.job
    import tcomp.logs.log_file
    import tcomp.logs.stream
    import tcomp.tables  # noqa: F401  # what the readers import later would not be instrumented


def main() -> None:
    """Fuzz one reader until it fails or the time is over."""
    name, corpus = sys.argv[1], Path(sys.argv[2])
    corpus.mkdir(parents=True, exist_ok=True)
    for place, seed in enumerate(SEEDS[name]):
        (corpus / f"seed{place}").write_bytes(seed)
    warnings.simplefilter("ignore")
    atheris.Setup([sys.argv[0], str(corpus), *sys.argv[3:]], READERS[name])
    atheris.Fuzz()


if __name__ == "__main__":
    main()
