"""What the generated text says of its origin: no clock, no path, so the same input gives the same bytes."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass

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
