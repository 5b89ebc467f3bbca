"""The gate through which every run file is read: nothing is in it that Tareline does not write.

A stranger's file may point elsewhere, name filters that load a library, claim sizes that no memory
holds, or hold other types and shapes than those that are worked with. So before anything is read,
every object is compared with `places`, and all sizes with the size of the file.
"""

from __future__ import annotations

from math import prod

import h5py
import numpy as np
from h5py import h5a, h5d, h5f, h5g, h5l, h5o, h5z

from harness.run_file.places import ATTRIBUTES, DATASETS, GROWING, IN_FILE, OF_EACH, Kind, Place

MOST_DEPTH = 6
"""Of groups within groups; Tareline makes five."""
_PLAIN: dict[tuple[np.dtype[np.generic], tuple[int, ...]], Kind] = {
    (np.dtype("<i8"), ()): "count",
    (np.dtype("<f8"), ()): "number",
    (np.dtype("?"), ()): "flag",
    (np.dtype("<f8"), (4,)): "estimate",
}
_LAYOUTS = (h5d.CONTIGUOUS, h5d.CHUNKED)
_GROUPS = {place.rpartition("/")[0] for place in DATASETS} | {"bands", "history", "analysis"}
_GROUPS |= {"bands/*", "analysis/*/stability"}
_Place = tuple[str, ...]


def admit(file: h5py.File, most_bytes: int) -> None:
    """Look at everything but values. All datasets together may have so many bytes: nothing in a
    run file is compressed.

    Raises:
        ValueError: something is not as Tareline writes it; says what and where.
    """
    root = h5g.open(file.id, b"/")
    gate = _Gate(most_bytes, is_finished=False)
    # its attributes are looked at before one of them is read
    gate.attributes(root, ())
    gate.is_finished = bool(file.attrs.get("finished"))
    gate.members(root, ())


def open_dataset(group: h5g.GroupID, name: bytes, place: Place, most_bytes: int) -> h5d.DatasetID:
    """A single dataset, looked at as `admit` does.

    Raises:
        ValueError: it is not as Tareline writes it. KeyError: there is none.
    """
    _require_hard(group, name, ())
    dataset = h5d.open(group, name)
    shape, _ = _require_plain(dataset, (name.decode(),), place)
    if prod(shape) * dataset.dtype.itemsize > most_bytes:
        raise _refused((name.decode(),), "claims to be larger than the file")
    return dataset


def open_group(group: h5f.FileID | h5g.GroupID, name: bytes) -> h5g.GroupID:
    """A group that stands in the file itself.

    Raises:
        ValueError: it is somewhere else, or no group. KeyError: there is none.
    """
    _require_hard(group, name, ())
    return h5g.open(group, name)


class _Gate:
    """What has been seen of one file so far."""

    def __init__(self, most_bytes: int, *, is_finished: bool) -> None:
        self.is_finished = is_finished
        self._most_bytes = most_bytes
        self._bytes = 0
        self._seen: set[int] = set()
        self._numbers: dict[tuple[str, str], int] = {}

    def members(self, group: h5g.GroupID, place: _Place) -> None:
        """Everything below a group."""
        if len(place) >= MOST_DEPTH:
            raise _refused(place, "holds groups within groups, deeper than any that are written")
        for name in group:
            where = (*place, name.decode())
            address = _require_hard(group, name, where)
            if address in self._seen:
                raise _refused(where, "is the same object as another")
            self._seen.add(address)
            it = h5o.open(group, name)
            is_group = isinstance(it, h5g.GroupID)
            if not is_group and not isinstance(it, h5d.DatasetID):
                raise _refused(where, "is neither a group nor a dataset")
            pattern = _pattern(where)
            if pattern in (DATASETS if is_group else _GROUPS):
                raise _refused(where, f"is a {'group' if is_group else 'dataset'}, and is none")
            self.attributes(it, where)
            if is_group:
                self.members(it, where)
            else:
                self._dataset(it, where, DATASETS.get(pattern))

    def attributes(self, it: h5g.GroupID | h5d.DatasetID, place: _Place) -> None:
        """Of one object."""
        for number in range(h5a.get_num_attrs(it)):
            attribute = h5a.open(it, index=number)
            name = attribute.name.decode()
            kind = _kind_of(attribute)
            if kind is None or ATTRIBUTES.get(name, kind) not in (kind, _WIDER.get(kind)):
                raise _refused(place, f"has an attribute {name!r} of another kind than written")

    def _dataset(self, dataset: h5d.DatasetID, place: _Place, known: Place | None) -> None:
        shape, largest = _require_plain(dataset, place, known)
        self._bytes += prod(shape) * dataset.dtype.itemsize
        if max(self._bytes, largest) > self._most_bytes:
            raise _refused(place, "claims to be larger than the file")
        if known is not None:
            for size, wanted in zip(shape, known.shape, strict=True):
                if isinstance(wanted, str) and wanted != OF_EACH:
                    self._number(size, wanted, place)

    def _number(self, size: int, letter: str, place: _Place) -> None:
        name = letter.removesuffix("?")
        if name in GROWING and not self.is_finished:
            return
        # datasets are met in the order of their names: marks after the readings of their sweeps
        known = self._numbers.setdefault((name, "" if name in IN_FILE else place[1]), size)
        if size != known and not (letter.endswith("?") and size < known):
            raise _refused(place, f"has {size} where others have {known}")


_WIDER: dict[Kind, Kind] = {"count": "number"}


def _pattern(place: _Place) -> str:
    """A place with stars for what has a name of its own."""
    named = {1} if place[0] in ("bands", "history", "analysis") else set()
    if len(place) == 4 and place[2].startswith("budget"):
        named.add(3)
    return "/".join("*" if at in named else part for at, part in enumerate(place))


def _kind_of(attribute: h5a.AttrID) -> Kind | None:
    """None where it is of none that is written."""
    dtype, shape = attribute.dtype, attribute.shape
    if dtype.hasobject:
        return "text" if h5py.check_string_dtype(dtype) is not None and shape == () else None
    return _PLAIN.get((dtype, shape))


def _require_hard(group: h5f.FileID | h5g.GroupID, name: bytes, place: _Place) -> int:
    """The address of what stands in the file itself under that name."""
    link = group.links.get_info(name)
    if link.type != h5l.TYPE_HARD:
        raise _refused(place or (name.decode(),), "is a link to somewhere else")
    return int(link.u)


def _require_plain(
    dataset: h5d.DatasetID, place: _Place, known: Place | None
) -> tuple[tuple[int, ...], int]:
    """Its values stand in the file itself, with nothing but a checksum on them, and are of the type
    and shape that they have to be; gives the shape, and the bytes of a chunk."""
    plan = dataset.get_create_plist()
    layout = plan.get_layout()
    if layout not in _LAYOUTS or plan.get_external_count():
        raise _refused(place, "has its values somewhere else")
    if any(plan.get_filter(n)[0] != h5z.FILTER_FLETCHER32 for n in range(plan.get_nfilters())):
        raise _refused(place, "has its values in a form that is never written")
    dtype, shape = dataset.dtype, dataset.shape
    is_as_written = shape is not None and not dtype.hasobject
    if is_as_written and known is not None:
        is_as_written = dtype == known.dtype and len(shape) == len(known.shape) and all(
            isinstance(wanted, str) or size == wanted
            for size, wanted in zip(shape, known.shape, strict=True)
        )  # fmt: skip
    if not is_as_written:
        raise _refused(place, f"is {dtype} of shape {shape}, which is never written there")
    return shape, prod(plan.get_chunk()) * dtype.itemsize if layout == h5d.CHUNKED else 0


def _refused(place: _Place, what: str) -> ValueError:
    return ValueError(f"{'/'.join(place) or 'the file'} {what}")
