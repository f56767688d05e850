"""What fuzzing has found, replayed without the fuzzer: `benchmarks/fuzz.py` tells how it is found."""

from __future__ import annotations

from pathlib import Path

import pytest
from fuzz_readers import READERS, SEEDS

FINDINGS = Path(__file__).parent / "data" / "fuzz"
FILES = sorted(path for path in FINDINGS.rglob("*") if path.is_file() and path.name != "README.md")


@pytest.mark.parametrize("path", FILES, ids=lambda path: f"{path.parent.name}/{path.name}")
def test_what_was_found_once_is_an_orderly_end_now(path: Path) -> None:
    READERS[path.parent.name](path.read_bytes())


@pytest.mark.parametrize("reader", READERS)
def test_each_reader_takes_its_seeds_and_their_prefixes(reader: str) -> None:
    for seed in SEEDS[reader]:
        for end in range(0, len(seed) + 1, max(1, len(seed) // 20)):
            READERS[reader](seed[:end])


def test_there_are_findings_to_replay() -> None:
    assert len(FILES) >= 5
    assert {path.parent.name for path in FILES} <= READERS.keys()
