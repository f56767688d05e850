"""The table as a folder that is dropped into a project of one ecosystem: its sources, and the files that its builder reads."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace

from tcomp.errors import FirmwareError
from tcomp.firmware.exporter import Export, Files, comment_text
from tcomp.firmware.exporters import check_reserved
from tcomp.firmware.exporters.c99 import c_source, code_type, example_code
from tcomp.firmware.exporters.python import python_source
from tcomp.firmware.exporters.rust import rust_source

VERSION = "1.0.0"


def packaged(name: str, export: Export) -> Files:
    """The files of one package, by their path in its folder.

    Raises
    ------
    FirmwareError
        There is no such package, or its language cannot hold the table or a correction.
    """
    check_packages((name,))
    readme = f"# {export.symbol}\n\n{_title(export)}\n\n{HOW[name].format(symbol=export.symbol)}\n"
    return PACKAGES[name](export) | {"README.md": readme}


def check_packages(names: tuple[str, ...]) -> None:
    """Refuse packages that do not exist.

    Raises
    ------
    FirmwareError
    """
    for name in names:
        if name not in PACKAGES:
            raise FirmwareError(f'there is no package "{name}"; expected some of {", ".join(PACKAGES)}')


def _title(export: Export) -> str:
    return (
        f"Frequency offset of the oscillator {comment_text(export.stamp.oscillator)} against temperature, as integers."
    )


def _c_files(export: Export, folder: str = "") -> dict[str, str]:
    texts = c_source(
        export.table,
        export.symbol,
        corrections=export.corrections,
        stamp=export.stamp,
        follow=export.follow,
        avr_entries=export.avr_entries,
        actuators=export.actuators,
    )
    return {f"{folder}{name}": text for name, text in texts.items()}


def _c_names(export: Export, folder: str = "") -> str:
    return " ".join(sorted(name for name in _c_files(export, folder) if name.endswith(".c")))


def _sketch(export: Export) -> str:
    """A program for boards whose program has a setup and a loop."""
    table, symbol = export.table, export.symbol
    code = example_code(table)
    return f"""#include <{symbol}.h>

void setup()
{{
    Serial.begin(115200);
    /* 0: the table and the functions are what was designed. */
    Serial.println({symbol}_selftest());
}}

void loop()
{{
    /* The code at {float(table.temperature_of(code)):.6g} degC: put the sensor's reading in its place. */
    const {code_type(table)} code = {code};

    Serial.println({symbol}_offset_ppt(code));
    delay(1000);
}}
"""


def _arduino(export: Export) -> Files:
    properties = {
        "name": export.symbol,
        "version": VERSION,
        "author": "generated",
        "maintainer": "generated",
        "sentence": _title(export),
        "paragraph": "Integers only, no heap. The self-test says whether table and functions are sound.",
        "category": "Timing",
        "url": "",
        "architectures": "*",
        "includes": f"{export.symbol}.h",
    }
    found: Files = {"library.properties": "".join(f"{key}={value}\n" for key, value in properties.items())}
    return found | _c_files(export, "src/") | {"examples/offset/offset.ino": _sketch(export)}


def _platformio(export: Export) -> Files:
    manifest = {
        "name": export.symbol,
        "version": VERSION,
        "description": _title(export),
        "frameworks": "*",
        "platforms": "*",
        "headers": f"{export.symbol}.h",
    }
    found: Files = {"library.json": json.dumps(manifest, indent=2) + "\n"}
    return found | _c_files(export, "src/")


def _cmake(export: Export) -> Files:
    text = f"""cmake_minimum_required(VERSION 3.13)
project({export.symbol} C)

add_library({export.symbol} STATIC {_c_names(export)})
target_include_directories({export.symbol} PUBLIC ${{CMAKE_CURRENT_SOURCE_DIR}})
set_target_properties({export.symbol} PROPERTIES C_STANDARD 99 C_STANDARD_REQUIRED ON C_EXTENSIONS OFF)
"""
    found: Files = {"CMakeLists.txt": text}
    return found | _c_files(export)


def _esp_idf(export: Export) -> Files:
    found: Files = {
        "CMakeLists.txt": f'idf_component_register(SRCS {_c_names(export)} INCLUDE_DIRS ".")\n',
        "idf_component.yml": f'version: "{VERSION}"\ndescription: "{_title(export)}"\n',
    }
    return found | _c_files(export)


def _zephyr(export: Export) -> Files:
    option = export.symbol.upper()
    sources = "\n".join(f"zephyr_library_sources(../{name})" for name in _c_names(export, "src/").split())
    found: Files = {
        "zephyr/module.yml": f"name: {export.symbol}\nbuild:\n  cmake: zephyr\n  kconfig: zephyr/Kconfig\n",
        "zephyr/CMakeLists.txt": (
            f"if(CONFIG_{option})\nzephyr_include_directories(../src)\nzephyr_library()\n{sources}\nendif()\n"
        ),
        "zephyr/Kconfig": f'config {option}\n\tbool "{_title(export)}"\n',
    }
    return found | _c_files(export, "src/")


def _cargo(export: Export) -> Files:
    check_reserved(export.symbol, ("rust",))
    manifest = f"""[package]
name = "{export.symbol.lower()}"
version = "{VERSION}"
edition = "2021"
description = {json.dumps(_title(export))}

[lib]
path = "src/lib.rs"
"""
    (text,) = rust_source(export).values()
    return {"Cargo.toml": manifest, "src/lib.rs": f"#![no_std]\n{text}"}


def _wheel(export: Export) -> Files:
    check_reserved(export.symbol, ("python",))
    modules = ", ".join(f'"{export.symbol}{end}.py"' for end in ("", "_selftest"))
    project = f"""[build-system]
requires = ["hatchling"]
build-backend = "hatchling.build"

[project]
name = "{export.symbol}"
version = "{VERSION}"
description = {json.dumps(_title(export))}

[tool.hatch.build.targets.wheel]
only-include = [{modules}]
"""
    found: Files = {"pyproject.toml": project}
    return found | python_source(replace(export, follow=None))


PACKAGES: dict[str, Callable[[Export], Files]] = {
    "arduino": _arduino,
    "platformio": _platformio,
    "cmake": _cmake,
    "esp-idf": _esp_idf,
    "zephyr": _zephyr,
    "cargo": _cargo,
    "wheel": _wheel,
}
"""What writes each package."""
CALL = "{symbol}_offset_ppt(code) is the offset in ppt (1e-12), positive where the oscillator is fast; {symbol}_selftest() is 0."
HOW = {
    "arduino": f"Put this folder into `libraries` of the sketchbook and write `#include <{{symbol}}.h>`. {CALL}",
    "platformio": f"Put this folder into `lib` of the project and write `#include <{{symbol}}.h>`. {CALL}",
    "cmake": f"Write `add_subdirectory({{symbol}})` and `target_link_libraries(YOURS {{symbol}})`. {CALL}",
    "esp-idf": f'Put this folder into `components` of the project and write `#include "{{symbol}}.h"`. {CALL}',
    "zephyr": f"Name this folder in `ZEPHYR_EXTRA_MODULES` and set the option of its Kconfig to y. {CALL}",
    "cargo": 'Write `{symbol} = {{ path = "..." }}` under `[dependencies]`. It needs no standard library. '
    "{symbol}::offset_ppt(code) is the offset in ppt (1e-12), positive where the oscillator is fast.",
    "wheel": "`pip install .` here, or `pip wheel .` and the wheel elsewhere. {symbol}.offset_ppt(code) is the offset in ppt "
    "(1e-12), positive where the oscillator is fast; {symbol}_selftest.selftest() is 0.",
}
"""What a user does with each."""
