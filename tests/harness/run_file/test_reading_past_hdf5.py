"""Sweeps read past HDF5's selections, and texts looked for past it, are those that it knows."""

from itertools import pairwise

import h5py
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.sweep import Sweep
from harness.run_file import RunJournal, open_run, read_blocks
from harness.run_file.digests import ROWS_AT_ONCE, DamagedError
from harness.run_file.heaps import require_sound_texts
from harness.run_file.on_disk import ReadingsOnDisk
from tests.harness.made_runs import BAND, Length, header, make_run

SIGNATURE = b"GCOL\x01\0\0\0"
"""HDF5 file format 3.0, III.E."""


def a_collection(sizes):
    """One of objects of such sizes, and free space to its end (HDF5 file format 3.0, III.E)."""
    objects = b"".join(
        number.to_bytes(2, "little") + bytes(6) + size.to_bytes(8, "little")
        + bytes((size + 7) // 8 * 8)
        for number, size in enumerate(sizes, 1)
    )  # fmt: skip
    left = 4096 - 16 - len(objects)
    free = bytes(8) + left.to_bytes(8, "little") + bytes(left - 16)
    return SIGNATURE + (4096).to_bytes(8, "little") + objects + free


@pytest.fixture(scope="module")
def long_run(tmp_path_factory):
    folder = tmp_path_factory.mktemp("long")
    of = header(folder / "station", 3)
    return make_run(folder / "run.h5", of, Length(2 * ROWS_AT_ONCE + 5, 3, check_every=700))


@given(data=st.data())
@settings(max_examples=15)
def test_rows_are_those_of_hdf5(tmp_path_factory, data):
    """Whatever else was written between them."""
    path = tmp_path_factory.mktemp("rows") / "made.h5"
    shape = tuple(data.draw(st.lists(st.integers(1, 5), min_size=2, max_size=2)))
    order = data.draw(st.permutations(range(data.draw(st.integers(1, 12)))))
    rng = np.random.default_rng(data.draw(st.integers(0, 99)))
    with h5py.File(path, "w", libver="latest") as file:
        rows = file.create_dataset(
            "rows", (len(order), *shape), "<c16", maxshape=(None, *shape), chunks=(1, *shape)
        )
        for row in order:
            rows[row] = rng.normal(size=shape) + 1j * rng.normal(size=shape)
            if data.draw(st.booleans()):
                file[f"between {row}"] = rng.normal(size=row + 1)
    with h5py.File(path, "r") as file:
        begin = data.draw(st.integers(0, len(order)))
        on_disk = ReadingsOnDisk.of(file["rows"], len(order))
        assert on_disk is not None
        for part in (slice(begin, None), slice(0, begin), slice(None)):
            np.testing.assert_array_equal(on_disk.read(part), file["rows"][part])


@pytest.mark.parametrize("odd", [
    {"compression": "gzip"}, {"fletcher32": True}, {"chunks": (2, 1, 3)}, {"dtype": "<c8"},
    {"dtype": ">c16"}, {"chunks": None}, {"fill": False},
])  # fmt: skip
def test_what_is_laid_out_otherwise_is_left_to_hdf5(tmp_path, odd):
    options = {"dtype": "<c16", "chunks": (1, 1, 3)} | odd
    is_filled = options.pop("fill", True)
    with h5py.File(tmp_path / "odd.h5", "w") as file:
        rows = file.create_dataset("rows", (4, 1, 3), **options)
        rows[: 4 if is_filled else 2] = 1.0
    with h5py.File(tmp_path / "odd.h5", "r") as file:
        assert ReadingsOnDisk.of(file["rows"], 4) is None


def test_a_file_being_written_is_left_to_hdf5(tmp_path):
    journal = RunJournal(
        tmp_path / "run.h5", header(tmp_path / "station", 3), {BAND: np.arange(1.0, 4.0)}, ("S21",)
    )
    with journal.open_for_reading() as file:
        journal.append(
            BAND, "insertions", 0, Sweep(np.arange(1.0, 4.0), ("S21",), np.ones((1, 3), complex), 1)
        )
        assert ReadingsOnDisk.of(file[f"bands/{BAND}/insertions/readings"], 1) is None
        with open_run(journal.path) as beside:
            assert ReadingsOnDisk.of(beside[f"bands/{BAND}/insertions/readings"], 1) is None
    journal.close()
    with open_run(journal.path) as file:
        assert ReadingsOnDisk.of(file[f"bands/{BAND}/insertions/readings"], 1) is not None


def test_blocks_are_the_readings_in_their_order(long_run):
    with open_run(long_run) as file:
        blocks = list(read_blocks(file)[BAND].insertions)
        assert len(blocks) == 3
        np.testing.assert_array_equal(
            np.concatenate(blocks), file[f"bands/{BAND}/insertions/readings"][()]
        )


@pytest.mark.parametrize("row", [0, ROWS_AT_ONCE - 1, ROWS_AT_ONCE, 2 * ROWS_AT_ONCE + 3])
def test_a_changed_reading_is_told_before_its_block_is_given(long_run, tmp_path, row):
    copy = tmp_path / "copy.h5"
    copy.write_bytes(long_run.read_bytes())
    with h5py.File(copy, "r+", libver="latest") as file:
        readings = file[f"bands/{BAND}/insertions/readings"]
        value = readings[row, 0, 1]
        readings[row, 0, 1] = complex(np.nextafter(value.real, 2.0), value.imag)
    with open_run(copy) as file:
        blocks = iter(read_blocks(file)[BAND].insertions)
        for _ in range(row // ROWS_AT_ONCE):
            next(blocks)
        # what a file says of its damage names the first sweep that differs
        with pytest.raises(DamagedError, match=rf"sweep {row + 1} "):
            next(blocks)


@pytest.mark.parametrize("begin", [*range(9), *range((1 << 20) - 9, (1 << 20) + 9), 2_500_001])
def test_texts_are_looked_at_wherever_they_stand(tmp_path, begin):
    """A collection with a zeroed object is found at any byte, beside the seams of what is read."""
    path = tmp_path / "file"
    noise = np.random.default_rng(begin).bytes(begin)
    sound = a_collection([5, 1000, 16])
    path.write_bytes(noise + sound + noise[:77])
    require_sound_texts(path)
    zeroed = bytearray(sound)
    zeroed[16 + 16 + 8 : 16 + 16 + 8 + 16] = bytes(16)
    path.write_bytes(noise + zeroed + noise[:77])
    with pytest.raises(OSError, match=f"byte {begin} "):
        require_sound_texts(path)


def test_every_collection_of_a_file_is_looked_at(tmp_path):
    path = tmp_path / "file"
    sound = a_collection([8])
    broken = bytearray(sound)
    broken[40:56] = bytes(16)
    for one, other in pairwise([0, 1, 2, 3, 0]):
        path.write_bytes(bytes(one) + sound + bytes(other) + broken)
        with pytest.raises(OSError, match=f"byte {one + 4096 + other} "):
            require_sound_texts(path)
