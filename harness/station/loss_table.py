"""A table of loss with its uncertainty over frequency, as CSV: written by one command, read by a
station."""

from __future__ import annotations

import csv
import math
from itertools import pairwise
from pathlib import Path

import numpy as np

from drivers.errors import InputError, UnwritableError
from harness.analysis.arrays import FloatArray

HEADER = ("frequency_hz", "loss_db", "standard_uncertainty_db")
EXAMPLE = ",".join(HEADER)

LossPoints = tuple[tuple[float, float, float], ...]
"""Rows of frequency in Hz, loss in dB, standard uncertainty in dB; frequency rises."""


def read_loss_table(path: Path) -> LossPoints:
    """Read a table; lines that begin with # are remarks.

    Raises:
        ValueError: the file is not there or not such a table; says which line is wrong.
    """
    try:
        text = path.read_text("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise ValueError(f"the file {str(path)!r} cannot be read: {error}") from error
    lines = [
        (number, line)
        for number, line in enumerate(text.splitlines(), 1)
        if line.strip() and not line.startswith("#")
    ]
    if not lines or tuple(cell.strip() for cell in lines[0][1].split(",")) != HEADER:
        raise ValueError(f"{str(path)!r} must begin with the line {EXAMPLE!r}, beside remarks")
    points = tuple(_row(path, number, line) for number, line in lines[1:])
    if len(points) < 2:
        raise ValueError(f"{str(path)!r} has {len(points)} rows; at least 2 are needed")
    if any(later[0] <= earlier[0] for earlier, later in pairwise(points)):
        raise ValueError(f"the frequencies in {str(path)!r} do not rise from row to row")
    return points


def _row(path: Path, number: int, line: str) -> tuple[float, float, float]:
    try:
        frequency_hz, loss_db, u_db = (float(cell) for cell in next(csv.reader([line])))
    except ValueError as error:
        raise ValueError(
            f"{str(path)!r}, line {number}: {line!r} is not three numbers ({EXAMPLE})"
        ) from error
    sound = all(map(math.isfinite, (frequency_hz, loss_db, u_db)))
    if not sound or frequency_hz <= 0.0 or u_db < 0.0:
        raise ValueError(
            f"{str(path)!r}, line {number}: the frequency must be above zero, the uncertainty "
            "not below it, and all finite"
        )
    return frequency_hz, loss_db, u_db


def write_loss_table(
    path: Path,
    frequency_hz: FloatArray,
    loss_db: FloatArray,
    standard_uncertainty_db: FloatArray,
    remark: str,
) -> None:
    """Write a table; the arrays have shape (P,). Refuses to overwrite.

    Raises:
        InputError: the file is there already.
        UnwritableError: it cannot be written.
    """
    rows = zip(frequency_hz, loss_db, standard_uncertainty_db, strict=True)
    text = "".join(f"# {line}\n" for line in remark.splitlines()) + EXAMPLE + "\n"
    text += "".join(f"{f:.3f},{loss:.6f},{u:.6f}\n" for f, loss, u in rows)
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError as error:
        raise InputError(
            f"the file {str(path)!r} is already there and is not overwritten",
            hint="choose another name, or remove it",
        ) from error
    except OSError as error:
        raise UnwritableError(path, error) from error


def at_frequency(points: LossPoints, frequency_hz: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Loss and standard uncertainty at `frequency_hz` (P,), on straight lines between rows."""
    rows = np.array(points)
    return (
        np.asarray(np.interp(frequency_hz, rows[:, 0], rows[:, 1])),
        np.asarray(np.interp(frequency_hz, rows[:, 0], rows[:, 2])),
    )
