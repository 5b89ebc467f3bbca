"""What a disk may do to a run, for real: full, read-only, gone. Said plainly, exit status 3, and
what was finished stays readable."""

import os
import shutil
import subprocess
from contextlib import contextmanager

import h5py
import numpy as np
import pytest

from drivers.errors import InputError, RunFileError
from drivers.sweep import Sweep
from harness.bench.rehearsal import Workload
from harness.evaluation.run_analysis import finish
from harness.evaluation.verification import verify
from harness.run_file import (
    RESERVE_BYTES,
    RunJournal,
    open_run,
    publishing,
    read_kept,
    read_readings,
    take_up,
)
from harness.running.planned_room import planned_bytes
from tests.harness.command_line import tareline
from tests.harness.made_runs import BAND, Length, header, make_run
from tests.harness.short_run import ITEM, ask, station_on

SHORT = Length(3, 11, check_every=3, through_sweeps=2, insert_every=3)
LENGTH = Length(6, 201, check_every=3, through_sweeps=2, insert_every=3)
QUALIFY = ("run", "qualify", "--item", "PIG-0451", "--insertions", "3", "--sweeps", "2")


@contextmanager
def mounted(folder, *options):
    """A file system of its own; skipped where mounting is not allowed."""
    folder.mkdir(exist_ok=True)
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", ",".join(options), "tmpfs", folder],
        capture_output=True, text=True,
    ) if shutil.which("mount") and os.geteuid() == 0 else None  # fmt: skip
    if done is None or done.returncode:
        pytest.skip("mounting a file system is not allowed here")
    try:
        yield folder
    finally:
        subprocess.run(["umount", folder], check=True)


@contextmanager
def suppress_refusal():
    """What the disk refused within, as a list of one."""
    refused = []
    try:
        yield refused
    except RunFileError as error:
        refused.append(error)


@pytest.fixture
def place(benches, tmp_path):
    station_on(benches["vector"], tmp_path, "vector")
    return tmp_path


def overnight(place, happens):
    """A night in which something happens once the first tick is on disk."""
    real = RunJournal.append

    def append(journal, band, kind, *others, **named):
        real(journal, band, kind, *others, **named)
        if kind == "insertions":
            monkeypatch.setattr(RunJournal, "append", real)
            happens()

    with pytest.MonkeyPatch.context() as monkeypatch:
        monkeypatch.setattr(RunJournal, "append", append)
        run = ("run", "overnight", "--item", ITEM, "--every", "1 min", "--lasting", "5 min")
        return tareline(*run, folder=place)


def sweeps(path):
    with open_run(path) as file:
        return {name: len(band.insertion_time) for name, band in read_readings(file).items()}


@pytest.fixture
def workplace(tmp_path):
    done = tareline("init", "station", folder=tmp_path)
    assert done.returncode == 0, done.stderr
    return tmp_path / "station"


def test_a_run_that_has_no_room_is_not_begun(workplace):
    with mounted(workplace / "results", "size=700k") as results:
        done = tareline(*QUALIFY, folder=workplace)
        assert done.returncode == 3, done.stderr
        said = " ".join(done.stderr.split())
        assert "sweeps that are planned take about 1.0 MB, and there is room for 0.7 MB" in said
        assert "Traceback" not in done.stderr
        assert not list(results.iterdir())


def test_what_is_planned_is_about_what_is_written(tmp_path):
    for count in (6, 60):
        length = Length(count, 201, check_every=3, through_sweeps=2, insert_every=3)
        made = make_run(tmp_path / f"{count}.h5", header(tmp_path / f"s{count}", 201), length)
        with open_run(made) as file:
            written = sum(read_kept(file).sweeps.values())
        planned = planned_bytes([Workload(sweeps=written)], [201], 1) - RESERVE_BYTES
        assert planned == pytest.approx(2 * made.stat().st_size, rel=0.1)


def test_a_results_folder_that_is_renamed_in_the_night_ends_the_run_at_once(place, benches):
    """Before the next tick, RF off, and what was swept is in the file wherever it is."""
    ended = overnight(place, lambda: (place / "results").rename(place / "old results"))
    assert ended.returncode == 3, ended.stderr
    said = " ".join(ended.stderr.split())
    assert "no longer where it was: it, or a folder above it, was renamed" in said
    assert "give it its name back" in said
    assert "tareline resume results/" in said
    assert ask(benches["vector"], "analyzer", "OUTPut?") == "0"
    assert not (place / "results").exists()
    (path,) = (place / "old results").glob("*.h5")
    assert sum(sweeps(path).values()) in (1, 2)  # the second tick may be under way already


def test_a_results_folder_that_is_removed_in_the_night_ends_the_run_at_once(place):
    ended = overnight(place, lambda: shutil.rmtree(place / "results"))
    assert ended.returncode == 3, ended.stderr
    said = " ".join(ended.stderr.split())
    assert "the run file was removed while the run went on, so its sweeps are lost" in said
    assert "resume" not in said
    assert not (place / "results").exists()


def test_a_new_folder_and_the_ones_above_it_are_put_on_disk(tmp_path, monkeypatch):
    """A name stands in the folder above, so that is what is synchronized (POSIX, fsync)."""
    told = []
    monkeypatch.setattr(publishing, "synchronize_folder", told.append)
    publishing.make_folder(tmp_path / "a" / "b")
    assert told == [tmp_path / "a", tmp_path]
    make_run(tmp_path / "c" / "x.h5", header(tmp_path / "s", 11), SHORT)
    assert tmp_path in told[2:]


def test_a_full_disk_leaves_an_unfinished_run_as_it_was(tmp_path):
    """Neither taking up nor finishing has room for the copy."""
    made = make_run(tmp_path / "x.h5", header(tmp_path / "s", 201), LENGTH)
    size_kb = made.stat().st_size // 1024
    with mounted(tmp_path / "results", f"size={size_kb + 260}k") as results:
        path = results / "x.h5"
        shutil.copyfile(made, path)
        before = path.read_bytes()
        for work in (take_up, lambda path: finish(path, "2027-01-16T08:00:00+00:00")):
            with pytest.raises(RunFileError, match="cannot be written"):
                work(path)
            assert path.read_bytes() == before
            assert [each.name for each in results.iterdir()] == ["x.h5"]


def test_a_disk_that_fills_up_keeps_every_sweep_that_was_reported(tmp_path):
    made = make_run(tmp_path / "x.h5", header(tmp_path / "s", 201), LENGTH)
    room_kb = 2 * made.stat().st_size // 1024 + 400
    with mounted(tmp_path / "results", f"size={room_kb}k") as results:
        path = results / "x.h5"
        shutil.copyfile(made, path)
        with h5py.File(path) as file:
            frequency_hz = file[f"bands/{BAND}/frequency_hz"][()]
        journal, kept = take_up(path), LENGTH.sweeps
        readings = np.full((1, 201), 0.5, complex)
        with suppress_refusal() as refused:
            for number in range(1000):
                sweep = Sweep(frequency_hz, ("S21",), readings, 2e9 + number)
                journal.append(BAND, "insertions", 9, sweep)
                kept += 1
        assert "No space left" in refused[0].what
        assert LENGTH.sweeps < kept < 1000
        left_behind = tmp_path / "left.h5"
        shutil.copyfile(path, left_behind)
        assert sweeps(left_behind)[BAND] == kept
        assert verify(left_behind).state == "unfinished"
        journal.close()


def test_a_folder_that_may_not_be_written_is_told(workplace):
    with mounted(workplace / "results", "ro"):
        done = tareline(*QUALIFY, folder=workplace)
    assert done.returncode == 3
    assert "cannot be written" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_folder_that_is_removed_during_a_run_is_told(tmp_path):
    (tmp_path / "results").mkdir()
    of = header(tmp_path / "s", 201)
    path = make_run(tmp_path / "results/x.h5", of, LENGTH)
    journal = take_up(path)
    shutil.rmtree(tmp_path / "results")
    journal.close()
    with pytest.raises((RunFileError, InputError)) as raised:
        finish(path, "2027-01-16T08:00:00+00:00")
    assert str(path) in str(raised.value)
