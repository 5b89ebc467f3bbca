"""Tables as CSV for a spreadsheet.

RFC 4180: commas, CRLF, quotes where needed. A byte order mark goes before the UTF-8, because
spreadsheets take a file without one for something else. Decimal point; a number that is not known
is an empty cell. A text that a spreadsheet would take for a formula gets an apostrophe.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Sequence

import numpy as np

ENCODING = "utf-8-sig"
_STARTS_A_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")

Cell = str | float | int | bool | None


def as_csv(columns: Sequence[str], rows: Iterable[Sequence[Cell]]) -> str:
    """The table as text, without byte order mark: write it with `ENCODING`."""
    written = io.StringIO()
    writer = csv.writer(written, lineterminator="\r\n")
    writer.writerow(columns)
    writer.writerows([cell(value) for value in row] for row in rows)
    return written.getvalue()


def cell(value: Cell) -> str:
    """One value as it stands in the file. Numbers come back exactly as they were."""
    if value is None:
        return ""
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    if isinstance(value, int | float | np.integer | np.floating):
        number = float(value)
        if math.isnan(number):
            return ""
        return str(int(value)) if isinstance(value, int | np.integer) else repr(number)
    text = str(value).replace("\x00", "\ufffd")
    # leading blanks would hide the sign from this look, but not from a spreadsheet
    return f"'{text}" if text.lstrip(" \u00a0").startswith(_STARTS_A_FORMULA) else text
