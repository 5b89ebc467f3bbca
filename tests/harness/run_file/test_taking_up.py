"""An unfinished run is taken up with everything that it held, and goes on as if never stopped."""

from pathlib import Path

import h5py
import numpy as np
import pytest

from drivers.errors import InputError, RunFileError
from drivers.sweep import S_PARAMETERS, Sweep
from harness.evaluation.read_back import read_run
from harness.evaluation.run_analysis import assess, finish
from harness.run_file import (
    RunHeader,
    RunJournal,
    count_suspects,
    open_run,
    read_header,
    read_kept,
    read_readings,
    read_temperature,
    take_up,
)
from harness.run_file.run import Event

SAMPLE = Path(__file__).parents[3] / "results/sample/qualify-PIG-0451.h5"
GRID = np.linspace(1e9, 2e9, 7)
HEADER = RunHeader(
    "r1", "overnight", {"interval": "5 min"}, "2026-01-01T00:00:00+00:00", "tareline",
    {"name": "bench"}, {"id": "X"}, ({"role": "network analyzer"},), simulated=True,
    simulated_bench="seed = 3",
)  # fmt: skip


def sweep(value, time):
    return Sweep(GRID, S_PARAMETERS, np.full((4, 7), value, complex), time)


def prepare(root):
    pooled = root.create_dataset("history/b/variance_db2", data=np.full(len(GRID), 0.5))
    pooled.attrs["unit"] = "dB2"


@pytest.fixture
def left_behind(tmp_path):
    """A file as a killed writer leaves it, in the middle of a row."""
    journal = RunJournal(tmp_path / "going.h5", HEADER, {"b": GRID}, S_PARAMETERS, prepare)
    journal.append("b", "normalization", 0, sweep(1.0, 10.0))
    journal.append("b", "normalization", 0, sweep(9.0, 11.0), is_suspect=True)
    journal.append("b", "insertions", 0, sweep(0.5, 20.0))
    journal.append("b", "insertions", 0, sweep(0.6, 21.0))
    journal.append("b", "insertions", 3, sweep(0.7, 22.0))
    journal.event(Event(30.0, "note", "Wind aus Nordost"))
    journal.temperature(15.0, 21.5)
    journal._file["bands/b/insertions/readings"].resize(4, axis=0)
    journal._file["bands/b/insertions/insertion"].resize(4, axis=0)
    journal._file.flush()
    path = tmp_path / "left.h5"
    path.write_bytes(journal.path.read_bytes())
    journal.close()
    return path


def contents(path):
    with open_run(path) as file:
        readings = read_readings(file)["b"]
        return (
            read_header(file), read_kept(file).events, count_suspects(file),
            [column.tolist() for column in read_temperature(file)],
            file["history/b/variance_db2"][()].tolist(),
            readings.normalization.tolist(), readings.insertions.tolist(),
            readings.insertion_time.tolist(), readings.insertion.tolist(),
        )  # fmt: skip


def test_nothing_that_was_whole_is_lost(left_behind):
    before = contents(left_behind)
    journal = take_up(left_behind)
    assert contents(left_behind) == before
    journal.append("b", "insertions", 3, sweep(0.8, 40.0))
    journal.event(Event(41.0, "note", "goes on"))
    journal.temperature(42.0, 22.0)
    kept = journal.kept()
    journal.close()
    assert kept.sweeps == {
        ("b", "normalization", 0): 1, ("b", "insertions", 0): 2, ("b", "insertions", 3): 2,
    }  # fmt: skip
    assert kept.last_time == 41.0
    assert [event.text for event in kept.events] == ["Wind aus Nordost", "goes on"]
    assert kept.traces == S_PARAMETERS
    with open_run(left_behind) as file:
        assert read_kept(file).sweeps == kept.sweeps
        assert read_readings(file)["b"].insertion_time.tolist() == [20, 21, 22, 40]
        assert [column.tolist() for column in read_temperature(file)] == [[15, 42], [21.5, 22]]
    assert [path.name for path in left_behind.parent.glob(".*")] == []


def test_it_can_be_taken_up_again_and_again(left_behind):
    before = contents(left_behind)
    for _ in range(3):
        take_up(left_behind).close()
    assert contents(left_behind) == before


def test_a_finished_run_is_not_taken_up():
    before = SAMPLE.read_bytes()
    with pytest.raises(InputError, match="is finished"):
        take_up(SAMPLE)
    assert SAMPLE.read_bytes() == before


def test_a_damaged_run_is_not_taken_up(left_behind):
    take_up(left_behind).close()
    with h5py.File(left_behind, "r+") as file:
        del file["bands/b/insertions/time"]
    before = left_behind.read_bytes()
    with pytest.raises(InputError, match="damaged"):
        take_up(left_behind)
    assert left_behind.read_bytes() == before
    assert [path.name for path in left_behind.parent.glob(".*")] == []


def test_a_disk_that_refuses_leaves_the_old_file(left_behind, monkeypatch):
    before = left_behind.read_bytes()

    def refuse(*_):
        raise OSError("no space left on device")

    monkeypatch.setattr("harness.run_file.publishing.os.replace", refuse)
    with pytest.raises(RunFileError, match="no space left"):
        take_up(left_behind)
    assert left_behind.read_bytes() == before
    assert [path.name for path in left_behind.parent.glob(".*")] == []


def test_a_run_is_evaluated_while_it_is_written(tmp_path):
    """The same result from the journal's own handle as from the file once it is closed."""
    with open_run(SAMPLE) as file:
        header, readings = read_header(file), read_readings(file)
    journal = RunJournal(
        tmp_path / "x.h5", RunHeader(**{**vars(header), "finished": ""}),
        {band: each.frequency_hz for band, each in readings.items()},
        next(iter(readings.values())).traces,
    )  # fmt: skip
    for band, each in readings.items():
        for n, time in enumerate(each.normalization_time):
            journal.append(
                band, "normalization", int(each.normalization_making[n]),
                Sweep(each.frequency_hz, each.traces, each.normalization[n], float(time)),
            )  # fmt: skip
        for n, time in enumerate(each.insertion_time):
            journal.append(
                band, "insertions", int(each.insertion[n]),
                Sweep(each.frequency_hz, each.traces, each.insertions[n], float(time)),
            )  # fmt: skip
    running = assess(journal)
    journal.close()
    finish(journal.path, header.finished)
    for band, result in read_run(journal.path).bands.items():
        assert np.array_equal(running[band].insertion_loss_db, result.insertion_loss_db)
        assert np.array_equal(running[band].expanded_uncertainty_db, result.expanded_uncertainty_db)
