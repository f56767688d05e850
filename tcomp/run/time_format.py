"""How a time is written, told from the times themselves.

Examples
--------
>>> fitting_formats(["02.03.2026 10:00:00", "02.03.2026 10:00:10"])
('%d.%m.%Y %H:%M:%S', '%m.%d.%Y %H:%M:%S')
>>> fitting_formats(["03/25/2026 10:00 PM"])
('%m/%d/%Y %I:%M %p',)
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from datetime import datetime

_DATES = (
    *(f"%d{mark}%m{mark}{year}" for year in ("%Y", "%y") for mark in "./-"),
    *(f"%m{mark}%d{mark}{year}" for year in ("%Y", "%y") for mark in "/-."),
    *(f"%Y{mark}%m{mark}%d" for mark in "/."),
    *("%d %b %Y", "%d-%b-%Y", "%b %d %Y", "%b %d, %Y", "%Y%m%d"),
)
"""Ways of writing a date besides ISO 8601, which needs no format; the day before the month first."""
_TIMES = ("%H:%M:%S", "%H:%M:%S.%f", "%H:%M", "%I:%M:%S %p", "%I:%M:%S.%f %p", "%I:%M %p", "%H.%M.%S", "%H%M%S")
_BETWEEN = (" ", "T", ", ", "-", "_")
FORMATS = tuple(
    f"{date}{between}{time}" for date, between, time in itertools.product(_DATES, _BETWEEN, _TIMES)
)  # fmt: skip


def fitting_formats(fields: Sequence[str]) -> tuple[str, ...]:
    """The formats that read every one of a log's times, the likelier first.

    Where the day may stand before the month or behind it, the order in which the log's times do not go back is likelier;
    if that does not tell, day before month, unless the hours are counted to twelve, as is usual with the month first.

    Parameters
    ----------
    fields : sequence of str
        Times in the order of the log; best from its beginning and its end.
    """
    read = {form: times for form in FORMATS if (times := _times(fields, form))}
    return tuple(sorted(read, key=lambda form: (not _advances(read[form]), _unusual(form))))


def _times(fields: Sequence[str], form: str) -> list[datetime]:
    try:
        return [datetime.strptime(field, form) for field in fields]
    except ValueError:
        return []


def _advances(times: list[datetime]) -> bool:
    return all(earlier <= later for earlier, later in itertools.pairwise(times))


def _unusual(form: str) -> bool:
    month_first = form.startswith(("%m", "%b"))
    return month_first != ("%p" in form)
