"""`tareline watch`: a run in another process seen through its file, from first sweep to verdict."""

import json
import os
from io import StringIO
from typing import Any

import h5py
import numpy as np
import pytest
from rich.console import Console

from drivers.errors import InputError
from drivers.sweep import S_PARAMETERS, Sweep
from harness.report.tables.watch_view import watch_line, watch_screen
from harness.run_file import RunHeader, RunJournal
from harness.run_file.run import Event
from harness.running.watching import Watcher, newest_unfinished
from harness.station.items import item_as_dict
from tests.harness.command_line import Started, tareline
from tests.harness.short_run import BAND, ITEM, station_on

STARTED = "2026-03-02T09:14:05+00:00"
START = 1_772_442_845.0


@pytest.fixture
def journal(workplace_folder):
    """An unfinished run with one band, and a function that keeps sweeps in it."""
    from harness.station.items import read_workplace

    workplace = read_workplace(workplace_folder / "station.toml", workplace_folder / "items.toml")
    station = workplace.station.as_dict()
    station["bands"] = {BAND: station["bands"][BAND]}
    header = RunHeader(
        "r1", "elsewhere", {}, STARTED, "tareline", station,
        item_as_dict(ITEM, workplace.items[ITEM]), (), simulated=False,
    )  # fmt: skip
    grids = {BAND: workplace.station.settings(BAND).frequency_hz()}
    path = workplace_folder / "results" / "r1.h5"
    made: Any = RunJournal(path, header, grids, S_PARAMETERS)

    def sweep(kind, index, time, loss_db=0.0):
        for band, grid in grids.items():
            level = 10.0 ** (-loss_db / 20.0)
            readings = np.full((len(S_PARAMETERS), len(grid)), level, complex)
            made.append(band, kind, index, Sweep(grid, S_PARAMETERS, readings, START + time))

    made.keep = sweep
    yield made
    made.close()


def test_a_run_that_grows_is_seen_growing(journal):
    now = [os.stat(journal.path).st_mtime]
    watcher = Watcher(journal.path, clock=lambda: now[0])
    bands = len(watcher.look().bands)
    assert watcher.look().sweeps == 0
    schedule = {"start": START + 60.0, "every_s": 60.0, "lasting_s": 28800.0}
    journal.event(Event(START + 50.0, "schedule", json.dumps(schedule)))
    journal.keep("normalization", 0, 10.0)
    journal.keep("insertions", 0, 60.0, 0.5)
    journal.temperature(START + 60.0, 23.25)
    now[0] = os.stat(journal.path).st_mtime + 1.0
    first = watcher.look()
    assert (first.sweeps, first.ticks, first.planned_ticks) == (2 * bands, 1, 480)
    assert first.bands[0].mean_db == pytest.approx(first.bands[0].last_db[-1], abs=0.002)
    # the band mean of the loss is 0.5 dB and the adapter that closed the through
    assert 0.5 < first.bands[0].last_db[-1] < 0.6
    assert first.temperature_c == 23.25
    assert (first.zero_age_s, first.left_s) == (50.0, 28800.0)
    assert not first.is_quiet

    journal.event(Event(START + 100.0, "recovery", "the link was lost"))
    journal.keep("insertions", 0, 120.0, 0.6)
    now[0] = os.stat(journal.path).st_mtime + 3600.0
    second = watcher.look()
    assert second.bands[0].last_db[-1] - first.bands[0].last_db[-1] == pytest.approx(0.1)
    assert second.bands[0].mean_db - first.bands[0].mean_db == pytest.approx(0.05)
    assert (second.faults, second.last_fault, second.ticks) == (1, "the link was lost", 2)
    assert second.is_quiet
    journal.event(Event(START + 130.0, "stopped", "by SIGINT"))
    assert watcher.look().ended == "stopped: by SIGINT"


def test_what_is_shown_fits(journal):
    journal.keep("normalization", 0, 10.0)
    journal.keep("insertions", 0, 60.0, 0.5)
    journal.event(Event(START + 70.0, "recovery", "a long story " * 20))
    look = Watcher(journal.path).look()
    for width, height in ((80, 24), (40, 24), (120, 50)):
        console = Console(width=width, height=height, record=True, file=StringIO())
        console.print(watch_screen(look, console))
        lines = console.export_text().splitlines()
        assert max(map(len, lines)) <= width
        assert len(lines) <= height
    line = watch_line(look)
    assert "\n" not in line
    assert f"{look.sweeps} sweeps kept" in line


@pytest.mark.parametrize(
    ("procedure", "parameters", "planned"),
    [
        ("qualify", {"insertions": 3, "sweeps": 2, "makings": 1, "check_every": 0}, 4 + 6 + 4),
        # a tick a minute, and the zero checked before, in between and behind
        ("overnight", {"every": "1 min", "lasting": "10 min", "check_every": "5 min", "sweeps": 1,
                       "until": "", "patience": "10 min"}, 4 + 10 + 4 + 4),
        ("spot-check", {"insertions": 1, "sweeps": 2, "check_every": 10, "check_after": "30 min"},
         1 + 2),
        ("gauge-study", {"operators": "A, B", "repeats": 3, "sweeps": 2, "check_every": 10,
                         "check_after": "30 min", "operator": "A", "repeat": 1}, 1 + 2),
        ("weigh", {"sweeps": 2}, None),
    ],
)  # fmt: skip
def test_what_is_planned_is_told(journal, procedure, parameters, planned):
    """Of a lot's item the zero was swept before: what is kept of it counts, here one sweep."""
    journal.keep("normalization", 0, 10.0)
    path = journal.path
    journal.close()
    with h5py.File(path, "r+") as file:
        file.attrs["procedure"] = procedure
        file.attrs["parameters"] = json.dumps(parameters)
    assert Watcher(path).look(evaluates=False).planned == planned


def test_uncertainty_takes_a_bounded_share_of_the_time(journal, monkeypatch):
    import harness.evaluation.run_analysis

    journal.keep("normalization", 0, 10.0)
    journal.keep("insertions", 0, 60.0)
    now, calls = [0.0], []
    watcher = Watcher(journal.path, clock=lambda: now[0])
    real = harness.evaluation.run_analysis.assess
    monkeypatch.setattr(
        harness.evaluation.run_analysis,
        "assess",
        lambda *a, **k: (calls.append(now[0]), real(*a, **k))[1],
    )
    for second in (0.0, 8.0, 16.0, 24.0, 32.0, 40.0, 48.0):
        now[0] = second
        journal.keep("insertions", 0, 61.0 + second)
        watcher.look()
        watcher._cost_s = 2.0
    assert calls == [0.0, 24.0, 48.0]


def test_the_newest_unfinished_run_is_found(journal, tmp_path):
    folder = journal.path.parent
    (folder / "note.h5").write_text("no run", "utf-8")
    assert newest_unfinished(folder) == journal.path
    with pytest.raises(InputError, match="no unfinished run"):
        newest_unfinished(tmp_path / "elsewhere")


def test_a_real_run_is_watched_to_its_verdict(tmp_path, benches):
    """Run and watch are processes of their own that share nothing but the file."""
    station_on(benches["vector"], tmp_path, "vector")
    arguments = ("run", "qualify", "--item", ITEM, "--insertions", "2", "--sweeps", "60")
    run = Started(arguments, tmp_path, "")
    while not list(tmp_path.glob("results/*.h5")) and not run.has_ended():
        os.sched_yield()
    watched = tareline("watch", "--json", "--every", "0.2 s", folder=tmp_path)
    done = run.finished()
    assert done.returncode == 0, done.stderr
    assert watched.returncode == 0, watched.stderr
    looks = [json.loads(line) for line in watched.stdout.splitlines()]
    assert looks[-1]["finished"]
    assert [band["name"] for band in looks[-1]["bands"]] == [BAND]
    counts = [look["sweeps"] for look in looks]
    assert counts == sorted(counts)
    assert {look["planned"] for look in looks} == {4 + 120 + 4}
    assert looks[-1]["bands"][0]["expanded_uncertainty_db"] > 0.0


def test_wrong_usage_is_said(workplace_folder):
    done = tareline("watch", folder=workplace_folder)
    assert (done.returncode, "no unfinished run" in done.stderr) == (2, True)
    done = tareline("watch", "none.h5", folder=workplace_folder)
    assert (done.returncode, "no run file 'none.h5'" in done.stderr) == (2, True)
    done = tareline("watch", "x.h5", "--every", "2", folder=workplace_folder)
    assert (done.returncode, "--every" in done.stderr) == (2, True)
