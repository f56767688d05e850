"""The registries of layouts and of exporters: what a job may ask for is what there is, and a new one is used."""

from __future__ import annotations

from pathlib import Path
from typing import get_args, get_type_hints

import pytest
from tables import step_table

from tcomp.errors import FirmwareError
from tcomp.firmware import EXPORTERS, Export, Stamp, exported
from tcomp.firmware.exporter import Exporter
from tcomp.job.sections import Firmware, Table
from tcomp.results import Folder
from tcomp.tables import TemperatureScale
from tcomp.tables.layouts import LAYOUTS

TABLE = step_table(
    scale=TemperatureScale(16), low_code=0, high_code=512, first_code=0, step_log2=8, entry_bits=16, unit_log2_ppt=6,
    interpolation="linear", entries=(-9, 0, 7), max_error_ppb=1.0, rms_error_ppb=0.5,
)  # fmt: skip
STAMP = Stamp("1", "0", "gauge 07", (), "now")


def export(*formats: str) -> Export:
    return Export(table=TABLE, symbol="gauge07", stamp=STAMP, formats=formats, corrections=("frequency",))


def test_a_job_may_ask_for_each_exporter_and_each_layout() -> None:
    formats, _ = get_args(get_type_hints(Firmware)["formats"])
    assert set(get_args(formats)) == set(EXPORTERS)
    assert get_args(get_type_hints(Table)["form"]) == ("auto", *LAYOUTS)


@pytest.mark.parametrize(
    ("formats", "names"),
    [
        ((), ()),
        (("csv",), (".csv",)),
        (("json", "c"), (".h", ".c", "_selftest.c", ".json")),
        (("bin",), (".bin",)),
        (("ihex", "bin"), (".hex", ".bin")),
        (("c", "bin"), (".h", ".c", "_selftest.c", ".bin", "_image.h", "_image.c")),
    ],
)
def test_each_format_writes_its_files_and_the_reader_comes_with_image_and_c(
    formats: tuple[str, ...], names: tuple[str, ...]
) -> None:
    found = exported(export(*formats))
    assert set(found) == {f"gauge07{name}" for name in names}
    assert {name for name, content in found.items() if isinstance(content, bytes)} <= {"gauge07.bin"}


def test_a_new_exporter_is_used_by_being_registered(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    points = Exporter(format="points", files=lambda of: {f"{of.symbol}.points": "\n".join(map(str, of.table.entries))})
    monkeypatch.setitem(EXPORTERS, "points", points)
    found = exported(export("csv", "points"))
    assert list(found) == ["gauge07.csv", "gauge07.points"]
    Folder(tmp_path).write_files(found | {"gauge07.bin": b"\x00\xff"})
    assert (tmp_path / "gauge07.points").read_text() == "-9\n0\n7"
    assert (tmp_path / "gauge07.bin").read_bytes() == b"\x00\xff"


def test_a_symbol_that_will_not_do_is_refused_by_each_program_and_text() -> None:
    for name in ("c", "csv"):
        odd = Export(table=TABLE, symbol="07", stamp=STAMP, formats=(name,))
        with pytest.raises(FirmwareError, match='symbol "07" begins with a digit'):
            exported(odd)
