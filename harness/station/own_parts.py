"""A user's own catalogue file: entries that add to, or stand for, those that come with Tareline.

A cable in it may say `points = "points.csv"`: a plain table of published points, two columns
with their units in the header.
"""

from __future__ import annotations

import csv
import io
import math
import re
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, ValidationError

from drivers.quantities import FREQUENCY_UNITS
from drivers.toml_file import Mistake, ReadFile, problem, read_table
from harness.analysis.expected.catalogue_files import CatalogueFile
from harness.analysis.expected.catalogue_parts import METRES_PER_UNIT

_HEADER = re.compile(
    r"\s*(frequency|attenuation)\s*[,(\[]?\s*([^)\]]*?)\s*[)\]]?\s*", re.IGNORECASE
)
EXAMPLE_HEADER = "frequency (MHz); attenuation (dB/100 m)"
FEWEST_POINTS = 2
_STAND_IN = {"unit": "dB/m", "points_mhz": [[1.0, 1.0], [2.0, 1.0]]}


class _AsWritten(BaseModel):
    """Any TOML file, before its entries are looked at."""

    model_config = ConfigDict(extra="allow")


def read_catalogue_file(path: Path) -> ReadFile[CatalogueFile]:
    """Read a catalogue file and the tables of points that it names.

    Those stand relative to the file. Collects mistakes, each with file and key.
    """
    written = read_table(path, _AsWritten)
    if written.content is None:
        return ReadFile(None, written.mistakes)
    data = written.content.model_dump()
    mistakes = []
    cables = data.get("cables")
    for name, entry in cables.items() if isinstance(cables, dict) else ():
        if isinstance(entry, dict) and "points" in entry:
            wrong = _take_points(path, f"cables.{name}.points", entry)
            if wrong:
                # so that what else is wrong with the entry is still found
                entry.update(_STAND_IN)
            mistakes += wrong
    try:
        content = CatalogueFile.model_validate(data)
    except ValidationError as error:
        mistakes += [
            Mistake(str(path), ".".join(map(str, e["loc"])), problem(CatalogueFile, dict(e)))
            for e in error.errors()
        ]
    return ReadFile(None, tuple(mistakes)) if mistakes else ReadFile(content, ())


def _take_points(path: Path, key: str, entry: dict[str, Any]) -> list[Mistake]:
    """Put the table that `entry` names in its place; what is wrong with it."""
    named = entry.pop("points")
    for other in ("points_mhz", "unit", "constants"):
        if entry.pop(other, None) is not None:
            return [Mistake(str(path), key, f"excludes {other}: the table has both; take one out")]
    if not isinstance(named, str):
        return [Mistake(str(path), key, f'expected the name of a file, as "points.csv": {named!r}')]
    table = path.parent / named
    try:
        entry["unit"], entry["points_mhz"] = read_points(table.read_text("utf-8-sig"))
    except FileNotFoundError:
        return [Mistake(str(path), key, f"there is no file {str(table)!r}")]
    except (OSError, UnicodeDecodeError) as error:
        return [Mistake(str(path), key, f"{str(table)!r} cannot be read: {error}")]
    except ValueError as error:
        return [Mistake(str(table), "", str(error))]
    return []


def read_points(text: str) -> tuple[str, list[list[float]]]:
    """Unit and [MHz, attenuation] pairs of a table of published points.

    Columns are parted by commas, semicolons or tabs; in a table with semicolons or tabs numbers
    may have a decimal comma. Empty lines and lines that begin with # are left out.

    Raises:
        ValueError: says in which line, and what to do.
    """
    lines = [
        (number, line)
        for number, line in enumerate(text.splitlines(), start=1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if not lines:
        raise ValueError(f"is empty: begin with a header such as {EXAMPLE_HEADER!r}")
    separator = next((sign for sign in ";\t" if sign in lines[0][1]), ",")
    columns = _columns(_cells(lines[0][1], separator))
    points: list[list[float]] = []
    for number, line in lines[1:]:
        cells = _cells(line, separator)
        if len(cells) != 2:
            raise ValueError(
                f"line {number} has {len(cells)} columns: two are wanted, as in the header"
                + ("" if separator != "," else " (for decimal commas part them by semicolons)")
            )
        values = {
            name: _number(cell, number, separator) * scale
            for (name, scale, _), cell in zip(columns, cells, strict=True)
        }
        point = [values["frequency"], values["attenuation"]]
        if min(point) <= 0.0 or not all(map(math.isfinite, point)):
            raise ValueError(f"line {number}: both numbers must be above zero")
        if points and point[0] <= points[-1][0]:
            raise ValueError(f"line {number}: the frequencies must rise from line to line")
        points.append(point)
    if len(points) < FEWEST_POINTS:
        raise ValueError(f"has {len(points)} points: at least {FEWEST_POINTS} are needed")
    unit = next(unit for name, _, unit in columns if name == "attenuation")
    return unit, points


def _cells(line: str, separator: str) -> list[str]:
    (row,) = csv.reader(io.StringIO(line), delimiter=separator, skipinitialspace=True)
    return row


def _columns(header: list[str]) -> list[tuple[str, float, str]]:
    """Name, factor to MHz or 1, and unit of each column."""
    columns = []
    for cell in header:
        match = _HEADER.fullmatch(cell)
        if match is None:
            raise ValueError(f"header {cell!r} is no column here: write {EXAMPLE_HEADER!r}")
        name, unit = match.group(1).lower(), match.group(2)
        known = FREQUENCY_UNITS if name == "frequency" else METRES_PER_UNIT
        if unit not in known:
            raise ValueError(
                f"header {cell!r}: {unit!r} is not a unit that fits here: "
                f"use one of {', '.join(known)}"
            )
        columns.append((name, FREQUENCY_UNITS[unit] / 1e6 if name == "frequency" else 1.0, unit))
    if sorted(name for name, _, _ in columns) != ["attenuation", "frequency"]:
        raise ValueError(f"the header must have one column of each: {EXAMPLE_HEADER!r}")
    return columns


def _number(cell: str, line: int, separator: str) -> float:
    text = cell.strip() if separator == "," else cell.strip().replace(",", ".")
    try:
        return float(text)
    except ValueError:
        raise ValueError(f"line {line}: {cell!r} is not a number") from None
