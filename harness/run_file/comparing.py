"""The analysis that stands in a run file against one that is made anew."""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Iterator, Set
from typing import Any

import h5py
import numpy as np

from harness.run_file.figures import AGAIN, FIGURES
from harness.run_file.schema import Group

BESIDE = {"sha256", "content_sha256", FIGURES, AGAIN}
"""Attributes of /analysis that follow from no readings."""
RELATIVE, ABSOLUTE = 1e-6, 1e-9
"""By how much figures may differ through rounding alone."""


def analysis_differences(
    file: Group, write_analysis: Callable[[Group], None], *, beside: Collection[str] = ()
) -> list[str]:
    """What differs between /analysis of an open run file and what `write_analysis` writes, but
    for attributes named in `beside`.

    What does not follow from readings is left to `require_intact`.
    """
    left_out = {*BESIDE, *beside}
    with h5py.File("made-anew", "w", driver="core", backing_store=False) as made:
        write_analysis(made)
        return list(_differences("", file["analysis"], made, left_out))


def _differences(place: str, stored: Any, made: Any, beside: Set[str]) -> Iterator[str]:
    for name in sorted({*stored.attrs, *made.attrs} - beside):
        where = f"{place} {name}".strip()
        if name not in stored.attrs:
            yield f"{where} is not stated there"
        elif name not in made.attrs:
            yield f"{where} is stated there and would not be now"
        else:
            yield from _of_values(where, stored.attrs[name], made.attrs[name])
    if isinstance(stored, h5py.Dataset) and isinstance(made, h5py.Dataset):
        yield from _of_values(place, stored[()], made[()])
        return
    if isinstance(stored, h5py.Dataset) or isinstance(made, h5py.Dataset):
        yield f"{place} is of another kind"
        return
    for name in sorted({*stored, *made}):
        where = f"{place}/{name}".strip("/")
        if name not in stored:
            yield f"{where} is not stated there"
        elif name not in made:
            yield f"{where} is stated there and would not be now"
        else:
            yield from _differences(where, stored[name], made[name], beside)


def _of_values(where: str, stored: Any, made: Any) -> Iterator[str]:
    one, other = np.asarray(stored), np.asarray(made)
    if one.dtype.kind in "fiub" and other.dtype.kind in "fiub":
        if one.shape != other.shape:
            yield f"{where} has {one.size} values, made anew it has {other.size}"
        elif not np.allclose(one, other, RELATIVE, ABSOLUTE, equal_nan=True):
            apart = np.abs(one.astype(np.float64) - other.astype(np.float64))
            largest = np.nanmax(apart) if np.any(np.isfinite(apart)) else np.nan
            yield f"{where} differs by up to {largest:.3g}"
    elif not _says_the_same(str(stored), str(made)):
        yield f"{where} reads otherwise"


def _says_the_same(stored: str, made: str) -> bool:
    """Whether two texts agree; figures in JSON text to rounding."""
    if stored == made:
        return True
    try:
        return _are_alike(json.loads(stored), json.loads(made))
    except json.JSONDecodeError:
        return False


def _are_alike(one: Any, other: Any) -> bool:
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(_are_alike(one[k], other[k]) for k in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(_are_alike, one, other))
    if isinstance(one, float) and isinstance(other, float):
        return bool(np.isclose(one, other, RELATIVE, ABSOLUTE, equal_nan=True))
    return bool(one == other)
