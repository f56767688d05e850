"""What an exporter is given and what it gives; and how text of a user is made harmless in what it writes.

The stamp says where a table comes from: no clock, no path, so the same input gives the same bytes.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from tcomp.errors import FirmwareError
from tcomp.firmware.actuators import Actuator
from tcomp.tables.follow import FollowFilter
from tcomp.tables.layout import CorrectionTable
from tcomp.units import PPT_PER_PPB

SERIAL_BYTES = 16
AvrEntries = Literal["flash", "ram"]
_SPELT_OUT = str.maketrans(
    {
        "\N{DEGREE SIGN}": "deg",
        "\N{PLUS-MINUS SIGN}": "+/-",
        "\N{GREEK SMALL LETTER MU}": "u",
        "\N{GREEK CAPITAL LETTER OMEGA}": "ohm",
        "\N{EN DASH}": "-",
        "\N{EM DASH}": "-",
    }
)


@dataclass(frozen=True)
class Stamp:
    """Origin of a table.

    Parameters
    ----------
    version : str
        Of tcomp.
    input_digest : str
        Digest of the inputs that the table follows from.
    oscillator : str
        Its name in the job file; free text.
    budget_ppb : tuple of (str, float)
        Error budget, a line each: what, and how much. [ppb]
    validity : str
        What the figures hold for; free text.
    """

    version: str
    input_digest: str
    oscillator: str
    budget_ppb: tuple[tuple[str, float], ...]
    validity: str


@dataclass(frozen=True)
class Unit:
    """Whose image a table is.

    Parameters
    ----------
    serial : str
        Serial number, up to 16 printable characters of ASCII; "": of no unit in particular.
    build : int
        Counter of the unit's images; a reader refuses one below its least build.
    """

    serial: str = ""
    build: int = 0

    def __post_init__(self) -> None:
        if len(self.serial) > SERIAL_BYTES or not (self.serial.isascii() and (self.serial + "0").isprintable()):
            raise FirmwareError(
                f'serial "{self.serial}" will not do; expected up to {SERIAL_BYTES} printable characters of ASCII'
            )
        if not 0 <= self.build < 2**32:
            raise FirmwareError(f"build is {self.build}; expected 0 to {2**32 - 1}")


ANY_UNIT = Unit()


@dataclass(frozen=True, kw_only=True)
class Points:
    """How plain points are written.

    Parameters
    ----------
    columns : tuple of str
        Names of :data:`tcomp.firmware.exporters.points.QUANTITIES`.
    step_c : float
        The temperatures are its multiples. [degC]
    separator : {"comma", "semicolon", "tab", "space"}
        What stands between the columns.
    heading : bool
        Whether the first line holds the columns' names.
    """

    columns: tuple[str, ...] = ("temperature_c", "offset_ppb")
    step_c: float = 1.0
    separator: str = "comma"
    heading: bool = True


@dataclass(frozen=True, kw_only=True)
class Export:
    """A table to be written, and what goes with it.

    Parameters
    ----------
    table : CorrectionTable
    symbol : str
        Every name in a program, and the name of every file, begins with it.
    stamp : Stamp
        Origin, error budget and validity, for the comments.
    formats : tuple of str
        The formats asked for, as in ``[firmware] formats``.
    corrections : tuple of str
        Names of the corrections that a program is to have.
    image_address : int
        Where an image lies in the memory of its part.
    unit : Unit
        Whose image it is.
    follow : FollowFilter or None
        A filter that a program is to have; None: none.
    avr_entries : {"flash", "ram"}
        Where the entries of C lie on AVR.
    points : Points
        How plain points are written.
    actuators : tuple of Actuator
        What the C steers.
    """

    table: CorrectionTable
    symbol: str
    stamp: Stamp
    formats: tuple[str, ...]
    corrections: tuple[str, ...] = ()
    image_address: int = 0
    unit: Unit = ANY_UNIT
    follow: FollowFilter | None = None
    avr_entries: AvrEntries = "flash"
    points: Points = Points()
    actuators: tuple[Actuator, ...] = ()


Files = dict[str, str | bytes]
"""Content of each file by its name."""


@dataclass(frozen=True, kw_only=True)
class Exporter:
    """One language or file format.

    Parameters
    ----------
    format : str
        Its name in ``[firmware] formats``.
    files : callable
        The files of a table; the same table gives the same bytes.
    language : str
        What the language is called in a message; "" for a file that is no program.
    reserved : frozenset of str
        Words that the language keeps to itself, so that no symbol can be one.
    """

    format: str
    files: Callable[[Export], Files]
    language: str = ""
    reserved: frozenset[str] = frozenset()


def cell_text(text: str) -> str:
    """The same for a comment line of a CSV file, which a spreadsheet cuts into cells: none of them begins a formula.

    Examples
    --------
    >>> cell_text("gauge 07,=1+1; -2")
    "gauge 07,'=1+1; '-2"
    """
    return re.sub(r"([,;|]\s*)(?=[=+@-])", r"\1'", comment_text(text))


def comment_text(text: str) -> str:
    """Make free text harmless inside a C comment, and readable with ASCII alone.

    No end or beginning of a comment, no line end, no backslash (it may join lines), no trigraph.

    Examples
    --------
    >>> comment_text("gauge 07, 25 °C */ int x; ??/")
    'gauge 07, 25 degC * / int x; ? ?/'
    """
    # Decomposed first: the micro and the ohm sign become Greek letters, a letter loses its accent.
    spelt = unicodedata.normalize("NFKD", text).translate(_SPELT_OUT)
    plain = "".join(character for character in spelt if not unicodedata.combining(character))
    plain = re.sub(r"[^\x20-\x7e]+", "_", re.sub(r"\s+", " ", plain)).replace("\\", "_")
    for pattern in (r"\*(?=/)", r"/(?=\*)", r"\?(?=\?)"):
        plain = re.sub(pattern, lambda found: found.group() + " ", plain)
    return plain.strip()


def offset_ppb_text(offset_ppt: int) -> str:
    """Write an offset in ppb with all its three decimals, by integers alone.

    Examples
    --------
    >>> offset_ppb_text(-51968)
    '-51.968'
    """
    whole, thousandths = divmod(abs(offset_ppt), PPT_PER_PPB)
    return f"{'-' if offset_ppt < 0 else ''}{whole}.{thousandths:03d}"
