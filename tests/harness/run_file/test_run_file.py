"""The run file: nothing reported done is lost, nothing is overwritten, nothing else is read."""

from pathlib import Path

import h5py
import numpy as np
import pytest

from drivers.errors import InputError, RunFileError
from drivers.sweep import S_PARAMETERS, Sweep
from harness.evaluation.read_back import read_run
from harness.run_file import (
    RunHeader,
    RunJournal,
    finish_run,
    open_run,
    read_events,
    read_readings,
)
from harness.run_file.run import Event

SAMPLE = Path(__file__).parents[3].joinpath("results/sample/qualify-PIG-0451.h5").read_bytes()
GRID = np.linspace(1e9, 2e9, 7)
HEADER = RunHeader(
    run_id="r1", procedure="qualify", parameters={"insertions": 5},
    started="2026-01-01T00:00:00+00:00",
    software="tareline", station={"name": "bench", "bands": {"b": {}}}, item={"id": "X"},
    instruments=({"role": "network analyzer", "resource": "r", "identity": "i"},), simulated=True,
)  # fmt: skip


def sweep(value, time=1.0):
    return Sweep(GRID, S_PARAMETERS, np.full((4, 7), value, complex), time)


@pytest.fixture
def journal(tmp_path):
    journal = RunJournal(tmp_path / "run.h5", HEADER, {"b": GRID}, S_PARAMETERS)
    yield journal
    journal.close()


def test_every_appended_sweep_can_be_read_at_once_by_another(journal):
    """While the run goes on, without waiting for its end."""
    for n in range(5):
        journal.append("b", "normalization" if n == 0 else "insertions", n, sweep(n, float(n)))
        with open_run(journal.path) as file:
            readings = read_readings(file)["b"]
        assert len(readings.normalization_time) + len(readings.insertion_time) == n + 1
    assert readings.insertions[:, 0, 0].real.tolist() == [1, 2, 3, 4]
    assert readings.insertion.tolist() == [1, 2, 3, 4]


def test_a_file_that_was_never_closed_opens(journal, tmp_path):
    """What a killed writer leaves behind: a copy made while it writes."""
    journal.append("b", "insertions", 0, sweep(1))
    left_behind = tmp_path / "left.h5"
    left_behind.write_bytes(journal.path.read_bytes())
    run = read_run(left_behind)
    assert run.finished == ""
    assert run.bands == {}
    with open_run(left_behind) as file:
        assert len(read_readings(file)["b"].insertion_time) == 1


def test_a_row_without_its_time_was_not_finished(journal):
    """Time is written last; a kill between leaves one row of readings more."""
    journal.append("b", "insertions", 0, sweep(1))
    journal._file["bands/b/insertions/readings"].resize(2, axis=0)
    journal._file.flush()
    with open_run(journal.path) as file:
        assert read_readings(file)["b"].insertions.shape == (1, 4, 7)


def test_events_keep_text_of_any_language(journal):
    text = "Überwurfmutter 0,56 N·m " + "é" * 600
    journal.event(Event(2.0, "note", text))
    with open_run(journal.path) as file:
        (event,) = read_events(file)
    assert event.kind == "note"
    assert text.startswith(event.text)
    assert len(event.text) > 240


def test_a_run_is_never_overwritten(journal):
    journal.append("b", "insertions", 0, sweep(1))
    journal.close()
    before = journal.path.read_bytes()
    with pytest.raises(RunFileError, match="never overwritten"):
        RunJournal(journal.path, HEADER, {"b": GRID}, S_PARAMETERS)
    assert journal.path.read_bytes() == before


def test_a_folder_that_cannot_be_written_is_told(tmp_path):
    (tmp_path / "results").write_text("a file, not a folder")
    with pytest.raises(RunFileError, match=r"cannot be written|already there"):
        RunJournal(tmp_path / "results" / "run.h5", HEADER, {"b": GRID}, S_PARAMETERS)


def test_failing_to_finish_leaves_the_run_as_it_was(journal):
    journal.append("b", "insertions", 0, sweep(1))
    journal.close()
    before = journal.path.read_bytes()

    def fail(group):
        raise OSError("no space left on device")

    with pytest.raises(RunFileError, match="no space left"):
        finish_run(journal.path, "2026-01-01T01:00:00+00:00", fail)
    assert journal.path.read_bytes() == before
    assert [path.name for path in journal.path.parent.iterdir()] == ["run.h5"]


def write_other_hdf5(path):
    with h5py.File(path, "w") as file:
        file.attrs["schema"] = "tareline-run/9"


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda path: None, "there is no run file"),
        (lambda path: path.write_bytes(b"band,loss\n"), "not readable as HDF5"),
        (lambda path: path.write_bytes(b""), "not readable as HDF5"),
        (lambda path: path.mkdir(), "there is no run file"),
        (lambda path: path.write_bytes(SAMPLE[:100]), "only a part of one"),
        (lambda path: path.write_bytes(SAMPLE[:2000]), "only a part of one"),
        (lambda path: path.write_bytes(SAMPLE[: len(SAMPLE) // 2]), "only a part of one"),
        (lambda path: path.write_bytes(b"\n" + SAMPLE[1:]), "not readable as HDF5"),
        (write_other_hdf5, "schema is 'tareline-run/9'"),
        (lambda path: h5py.File(path, "w").close(), "schema is None"),
    ],
)
def test_what_is_not_a_run_file_is_wrong_input(tmp_path, make, says):
    path = tmp_path / "x.h5"
    make(path)
    with pytest.raises(InputError, match=says):
        read_run(path)


def test_a_damaged_run_file_is_told(journal):
    journal.close()
    with h5py.File(journal.path, "r+") as file:
        del file["bands"]
    with pytest.raises(InputError, match="damaged"), open_run(journal.path) as file:
        read_readings(file)
