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

import h5py
import numpy as np
from h5py import h5a, h5d, h5g, h5o, h5s
from numpy.typing import NDArray

from harness.run_file.places import DIGEST_BYTES
from harness.run_file.schema import INDEX, Group, Kind

HEADER, CONTENT, ANALYSIS = "header_sha256", "content_sha256", "sha256"
ROWS_AT_ONCE = 1024
_IN_THE_CHAIN = {b"readings", b"time", b"sha256", *(name.encode() for name in INDEX.values())}
_GROWS = _IN_THE_CHAIN | {b"suspect"}


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
    return _Written(file).header_digest()


def seal(file: Group) -> None:
    """Put both digests of a file that is otherwise complete into it."""
    attributes, written = file["analysis"].attrs, _Written(file)
    attributes[CONTENT] = written.content_digest()
    # which is over the other one too
    attributes[ANALYSIS] = _Written(file).analysis_digest()


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
    if not all("sha256" in group[kind] for group in file["bands"].values() for kind in INDEX):
        raise DamagedError("the hashes of its sweeps are missing, and it has others")
    written = _Written(file)
    if file.attrs[HEADER] != written.header_digest():
        raise DamagedError("its header is not what was written (the SHA-256 differs)")
    if not file.attrs["finished"]:
        if "analysis" in file:
            raise DamagedError("it has an analysis, but does not say when it was finished")
        return
    stated = file["analysis"].attrs
    if stated[ANALYSIS] != written.analysis_digest():
        raise DamagedError("its analysis is not what was written (the SHA-256 differs)")
    if stated[CONTENT] != written.content_digest():
        raise DamagedError(
            "its events, marks or temperatures, or the number of its sweeps, are not what was "
            "written (the SHA-256 differs)"
        )


def _has_chains(file: Group) -> bool:
    return any("sha256" in group[kind] for group in file["bands"].values() for kind in INDEX)


class _Written:
    """An open run file as its digests see it: over names, attributes and values, in the order of
    their names. What is read for one digest is kept for the next; through the library's lower
    level, which takes a third of the time for the many small values."""

    def __init__(self, file: Group) -> None:
        self._file = file.id
        self._attributes: dict[tuple[bytes, ...], list[tuple[bytes, bytes]]] = {}
        self._values: dict[tuple[bytes, ...], bytes] = {}

    def header_digest(self) -> str:
        """Over all that stands there before the readings."""

        def leave_out(place: tuple[bytes, ...]) -> bool:
            if place[0] == b"bands":
                return len(place) == 4 and place[3] in _GROWS - {b"readings"}
            return place[0] != b"history"

        def in_short(place: tuple[bytes, ...], dataset: h5d.DatasetID) -> bytes | None:
            return b"" if place[-1] == b"readings" else None

        return self._digest((), {HEADER.encode(), b"finished"}, leave_out, in_short)

    def content_digest(self) -> str:
        """Over all but the analysis; sweeps by the last digest of each kind."""

        def in_short(place: tuple[bytes, ...], dataset: h5d.DatasetID) -> bytes | None:
            if place[0] != b"bands" or len(place) != 4 or place[3] not in _IN_THE_CHAIN:
                return None
            last = h5py.Dataset(dataset)[-1:].tobytes() if place[3] == b"sha256" else b""
            return str(dataset.shape).encode() + last

        return self._digest((), set(), lambda place: place[0] == b"analysis", in_short)

    def analysis_digest(self) -> str:
        """Over everything in /analysis but this digest itself."""
        return self._digest(
            (b"analysis",), {ANALYSIS.encode()}, lambda place: False, lambda place, dataset: None
        )

    def _digest(
        self,
        root: tuple[bytes, ...],
        without_attributes: set[bytes],
        leave_out: Callable[[tuple[bytes, ...]], bool],
        in_short: Callable[[tuple[bytes, ...], h5d.DatasetID], bytes | None],
    ) -> str:
        """Over what is below `root`; of the root's attributes without some, and of a dataset
        `in_short` where that is not None."""
        digest = hashlib.sha256()

        def add(place: tuple[bytes, ...], it: h5py.h5i.ObjectID) -> None:
            digest.update(b"/".join(place[len(root) :]) + b"\0")
            for name, value in self._attributes_of(place, it):
                if place != root or name not in without_attributes:
                    digest.update(b"@%b\0%b" % (name, value))
            if isinstance(it, h5d.DatasetID):
                short = in_short(place, it)
                digest.update(self._value_of(place, it) if short is None else short)
                return
            if not isinstance(it, h5g.GroupID):
                raise DamagedError("it holds an object that does not belong in a run file")
            for name in sorted(it):
                if not leave_out((*place, name)):
                    add((*place, name), h5o.open(it, name))

        add(root, h5o.open(self._file, b"/" + b"/".join(root)))
        return digest.hexdigest()

    def _attributes_of(
        self, place: tuple[bytes, ...], it: h5py.h5i.ObjectID
    ) -> list[tuple[bytes, bytes]]:
        if place not in self._attributes:
            found = (h5a.open(it, index=n) for n in range(h5a.get_num_attrs(it)))
            self._attributes[place] = sorted((each.name, _bytes_of(each)) for each in found)
        return self._attributes[place]

    def _value_of(self, place: tuple[bytes, ...], dataset: h5d.DatasetID) -> bytes:
        if place not in self._values:
            self._values[place] = _bytes_of(dataset)
        return self._values[place]


def _bytes_of(it: h5a.AttrID | h5d.DatasetID) -> bytes:
    """A value with its type and shape, so that no two different ones look the same."""
    dtype, shape = it.dtype, it.shape
    is_text = dtype.hasobject and shape == () and h5py.check_string_dtype(dtype)
    if shape is None or (dtype.hasobject and not is_text):
        raise DamagedError("it holds values of a kind that does not belong in a run file")
    value = np.empty(shape, dtype)
    if isinstance(it, h5d.DatasetID):
        it.read(h5s.ALL, h5s.ALL, value)
    else:
        it.read(value)
    if is_text:
        return b"text\0" + bytes(value[()]) + b"\0"
    return f"{dtype.descr}{shape}\0".encode() + value.tobytes()
