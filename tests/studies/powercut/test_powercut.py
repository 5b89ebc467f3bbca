"""A few states of `make powercut`, of a journal; and that the study would notice a loss."""

import h5py
import numpy as np
import pytest

from drivers.errors import InputError
from harness.run_file import open_run, take_up
from harness.run_file.lookup3 import lookup3
from harness.run_file.resumption import read_rows
from tests.studies.powercut.crashes import SECTOR, Crash, crash, problems
from tests.studies.powercut.recorded_runs import of_journal

STATES = 6


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    return of_journal(tmp_path_factory.mktemp("journal"), 20)


def taken_up(path):
    journal = take_up(path)
    with journal.open_for_reading() as file:
        rows = read_rows(file)
    journal.close()
    return rows


def torn(states):
    """As HDF5 writes over blocks that reach over a sector: half of each change, everywhere."""
    old, new = (np.frombuffer(each, np.uint8) for each in states)
    data = new.copy()
    for at in range(0, len(old), 2 * SECTOR):
        part = old[at : at + SECTOR]
        data[at : at + len(part)] = part
    return data.tobytes()


def test_no_sweep_that_was_done_is_lost(recording, tmp_path):
    """Unfinished files whose pages came to the disk in part: none hangs, each goes on."""
    random, path = np.random.default_rng(5), tmp_path / "state.h5"
    drawn = [crash(recording.states, random) for _ in range(STATES)]
    later = recording.states[-3:-1]
    drawn.append(Crash(torn(later), len(recording.states) - 3, "every other sector"))
    for state in drawn:
        path.write_bytes(state.data)
        rows = taken_up(path)
        for place, count in recording.done[state.after].items():
            assert rows[place] >= count, (state.kind, state.after, place)


def is_followed_by_hdf5(data, path):
    """With the marks of a writer cleared, and nothing else."""
    head = bytearray(data[:48])
    head[11] = 0
    head[44:48] = lookup3(bytes(head[:44])).to_bytes(4, "little")
    path.write_bytes(head + data[48:])
    try:
        with h5py.File(path) as file:
            file.visititems(lambda name, it: it[()] if isinstance(it, h5py.Dataset) else None)
    except (OSError, RuntimeError, KeyError):
        return False
    return True


def test_a_block_that_was_torn_is_one_that_hdf5_refuses(recording, tmp_path):
    """Clearing the marks of the writer would not do."""
    random, path = np.random.default_rng(6), tmp_path / "state.h5"
    drawn = (crash(recording.states, random) for _ in range(40))
    refused = [state for state in drawn if not is_followed_by_hdf5(state.data, path)]
    assert len(refused) > 4
    for state in refused[:3]:
        path.write_bytes(state.data)
        with open_run(path) as file:
            rows = read_rows(file)
        assert all(rows[place] >= count for place, count in recording.done[state.after].items())


def test_the_file_itself_is_not_mended(recording, tmp_path):
    path = tmp_path / "torn.h5"
    path.write_bytes(torn(recording.states[-3:-1]))
    before = path.read_bytes()
    with open_run(path):
        pass
    assert path.read_bytes() == before


def test_an_unclosed_file_that_is_wrong_does_not_hang(recording, tmp_path):
    """A page of its groups, which nobody writes any more, is gone: nothing can mend that."""
    data = bytearray(recording.states[-2])
    data[512:1536] = bytes(1024)
    path = tmp_path / "wrong.h5"
    path.write_bytes(data)
    with pytest.raises(InputError), open_run(path):
        pass


def test_the_study_would_notice_a_loss(recording):
    state = Crash(b"", 5, "")
    whole = {f"{band} {kind}": count for (band, kind), count in recording.done[5].items()}
    right = {"verify": "unfinished", "watch": 3, "resume": whole, "again": "unfinished"}
    assert problems(recording, state, right) == []
    first = next(iter(whole))
    less = {**right, "resume": {**whole, first: whole[first] - 1}}
    assert problems(recording, state, less)[0].startswith("lost: 1 of")
    assert problems(recording, state, None) == ["hang or crash"]
    assert problems(recording, state, {**right, "resume": "refused: x"}) == ["lost: refused: x"]


def test_the_checksum_is_that_of_its_author():
    """Values that Bob Jenkins states in lookup3.c (public domain), `driver5`, with 0 and no seed.

    hashlittle("", 0) is deadbeef; hashlittle("Four score and seven years ago", 0) is 17770551.
    """
    assert lookup3(b"") == 0xDEADBEEF
    assert lookup3(b"Four score and seven years ago") == 0x17770551
