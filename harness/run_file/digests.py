"""Digests (SHA-256, FIPS 180-4) by which a run file shows that it is as it was written.

/bands/<band>/<kind>/sha256     (N, 32) one a sweep, chained: over band, kind, the digest before
                                (32 zeros at first), index, time and readings, all as stored
/analysis, attribute content_sha256    over the header, grids, last digests, marks, events,
                                temperatures and history
/analysis, attribute sha256     over everything in /analysis but itself
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from struct import pack
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from harness.run_file.schema import DIGEST_BYTES, INDEX, Group, Kind

HEADER, CONTENT, ANALYSIS = "header_sha256", "content_sha256", "sha256"
ROWS_AT_ONCE = 1024
_IN_THE_CHAIN = {"readings", "time", "sha256", *INDEX.values()}
_GROWS = _IN_THE_CHAIN | {"suspect"}


class DamagedError(ValueError):
    """A digest does not agree with what it was made of."""


def sweep_digest(
    band: str, kind: Kind, before: bytes, index: int, time: float, readings: NDArray[np.complex128]
) -> bytes:
    """The digest of one sweep; `before` is that of the sweep before it, or `NO_DIGEST`."""
    digest = hashlib.sha256(_begin(band, kind) + before + pack("<qd", index, time))
    digest.update(np.ascontiguousarray(readings, "<c16").data)
    return digest.digest()


def _begin(band: str, kind: Kind) -> bytes:
    return f"{band}\0{kind}\0".encode()


NO_DIGEST = bytes(DIGEST_BYTES)
"""Stands before the first sweep."""


class Chain:
    """The digests of the sweeps of one kind in one band, followed from the first on."""

    def __init__(self, band: str, kind: Kind) -> None:
        self._band, self._kind = band, kind
        self._rows = 0
        self.last = NO_DIGEST

    def extend(
        self,
        index: NDArray[np.int64],
        time: NDArray[np.float64],
        readings: NDArray[np.complex128],
        stored: NDArray[np.uint8] | None = None,
    ) -> NDArray[np.uint8]:
        """Digests (N, 32) of the next N sweeps, compared with those stored of them.

        Raises:
            DamagedError: one differs.
        """
        begin, last, digests = hashlib.sha256(_begin(self._band, self._kind)), self.last, []
        # as `sweep_digest`, at half its cost
        heads = np.rec.fromarrays([index, time], formats=["<i8", "<f8"]).tobytes()
        block = memoryview(np.ascontiguousarray(readings, "<c16").data).cast("B")
        size = block.nbytes // max(len(time), 1)
        for row in range(len(time)):
            digest = begin.copy()
            digest.update(last + heads[16 * row : 16 * row + 16])
            digest.update(block[size * row : size * (row + 1)])
            last = digest.digest()
            digests.append(last)
        self.last = last
        made = np.frombuffer(b"".join(digests), dtype=np.uint8).reshape(-1, DIGEST_BYTES)
        if stored is not None:
            wrong = np.flatnonzero(np.any(made != stored, axis=1))
            if len(wrong):
                raise DamagedError(
                    f"band {self._band}, {self._kind}: sweep {self._rows + int(wrong[0]) + 1} is "
                    "not what was written (its SHA-256 differs)"
                )
        self._rows += len(time)
        return made


def is_last_whole(band: str, kind: Kind, part: Group, rows: int) -> bool:
    """Whether the last of the first `rows` sweeps agrees with its digest."""
    digests = part["sha256"][max(rows - 2, 0) : rows]
    before = digests[0].tobytes() if len(digests) == 2 else NO_DIGEST
    row = rows - 1
    made = sweep_digest(
        band, kind, before, part[INDEX[kind]][row], part["time"][row], part["readings"][row]
    )
    return bool(made == digests[-1].tobytes())


def temperature_digests(
    time: NDArray[np.float64], temperature_c: NDArray[np.float64], before: bytes = NO_DIGEST
) -> NDArray[np.uint8]:
    """Digests (M, 32) of readings of the temperature that follow the one of digest `before`."""
    made = []
    for row in zip(time.tolist(), temperature_c.tolist(), strict=True):
        before = hashlib.sha256(b"temperature\0" + before + pack("<dd", *row)).digest()
        made.append(before)
    return np.frombuffer(b"".join(made), dtype=np.uint8).reshape(-1, DIGEST_BYTES)


def header_digest(file: Group) -> str:
    """Over what an open run file says before its readings."""

    def leave_out(place: tuple[str, ...]) -> bool:
        if place[0] == "bands":
            return len(place) == 4 and place[3] in _GROWS - {"readings"}
        return place[0] != "history"

    def in_short(place: tuple[str, ...], dataset: h5py.Dataset) -> bytes | None:
        return b"" if place[-1] == "readings" else None

    return _digest(file, {HEADER, "finished"}, leave_out, in_short)


def content_digest(file: Group) -> str:
    """Over all of an open run file but its analysis; sweeps by the last digest of each kind."""

    def in_short(place: tuple[str, ...], dataset: h5py.Dataset) -> bytes | None:
        if place[0] != "bands" or len(place) != 4 or place[3] not in _IN_THE_CHAIN:
            return None
        last = dataset[-1:].tobytes() if place[3] == "sha256" else b""
        return str(dataset.shape).encode() + last

    return _digest(file, set(), lambda place: place[0] == "analysis", in_short)


def analysis_digest(analysis: Group) -> str:
    """Over everything in /analysis but this digest itself."""
    return _digest(analysis, {ANALYSIS}, lambda place: False, lambda place, dataset: None)


def seal(file: Group) -> None:
    """Put both digests of a file that is otherwise complete into it."""
    analysis = file["analysis"]
    analysis.attrs[CONTENT] = content_digest(file)
    analysis.attrs[ANALYSIS] = analysis_digest(analysis)


def has_digests(file: Group) -> bool:
    """Whether an open run file has digests; those of earlier versions have none."""
    return HEADER in file.attrs or _has_chains(file)


def require_intact(file: Group) -> None:
    """Compare everything of an open run file but its single sweeps with its digests.

    Raises:
        DamagedError: something is not as it was written.
    """
    if not has_digests(file):
        return
    if file.attrs[HEADER] != header_digest(file):
        raise DamagedError("its header is not what was written (the SHA-256 differs)")
    if not file.attrs["finished"]:
        if "analysis" in file:
            raise DamagedError("it has an analysis, but does not say when it was finished")
        return
    analysis = file["analysis"]
    if analysis.attrs[ANALYSIS] != analysis_digest(analysis):
        raise DamagedError("its analysis is not what was written (the SHA-256 differs)")
    if analysis.attrs[CONTENT] != content_digest(file):
        raise DamagedError(
            "its events, marks or temperatures, or the number of its sweeps, are not what was "
            "written (the SHA-256 differs)"
        )


def _has_chains(file: Group) -> bool:
    return any("sha256" in group[kind] for group in file["bands"].values() for kind in INDEX)


def _digest(
    root: Group,
    without_attributes: set[str],
    leave_out: Callable[[tuple[str, ...]], bool],
    in_short: Callable[[tuple[str, ...], h5py.Dataset], bytes | None],
) -> str:
    """Over names, attributes and values below `root`, in the order of their names; of the root's
    attributes without some, and of a dataset `in_short` where that is not None."""
    digest = hashlib.sha256()

    def add(place: tuple[str, ...], it: Any) -> None:
        digest.update("/".join(place).encode() + b"\0")
        for name in sorted(it.attrs):
            if place or name not in without_attributes:
                digest.update(f"@{name}\0".encode() + _bytes_of(it.attrs[name]))
        if isinstance(it, h5py.Dataset):
            short = in_short(place, it)
            digest.update(_bytes_of(it[()]) if short is None else short)
            return
        for name in sorted(it):
            if not leave_out((*place, name)):
                add((*place, name), it[name])

    add((), root)
    return digest.hexdigest()


def _bytes_of(value: Any) -> bytes:
    """A value with its type and shape, so that no two different ones look the same."""
    if isinstance(value, str):
        return b"text\0" + value.encode(errors="surrogateescape") + b"\0"
    array = np.asarray(value)
    return f"{array.dtype.descr}{array.shape}\0".encode() + array.tobytes()
