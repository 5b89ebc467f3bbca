"""Stopped runs taken up again, over TCP: what is kept is not swept again, what was broken off is
told, and nothing goes on that is not what it was."""

import os
import re
import shlex
import signal

import numpy as np
import pytest

from drivers.instruments.hand import Hand
from drivers.link.link import Link
from drivers.simulated.launch import SimulatedBenchProcess
from harness.evaluation.read_back import read_run
from harness.evaluation.run_analysis import assess
from harness.run_file import RunJournal, open_run, read_kept
from harness.running.locks import lock_run
from tests.harness.command_line import Started, tareline
from tests.harness.set_ups import replace
from tests.harness.short_run import BAND, ITEM, arm, ask, station_on
from tests.long_cases import long

QUALIFY = ("qualify", "--insertions", "3", "--sweeps", "2")
OVERNIGHT = ("overnight", "--every", "1 min", "--lasting", "12 min", "--check-every", "5 min")
NOBODY = "TCPIP0::127.0.0.1::1::SOCKET"


@pytest.fixture
def place(benches, tmp_path):
    """A folder with a station on a running bench, which is as it was when the last run ended."""
    bench = benches["vector"]
    station_on(bench, tmp_path, "vector")
    arm(bench)
    return tmp_path


ALL_JUDGED = '{"judged": 1}'
"""Mark behind the last check: nothing is left to be done but the end."""


def stopped(folder, number, sweeps, *command):
    """Carry a command out in a process that is sent a signal once so many sweeps are stored, or
    once a mark is, where `sweeps` is the text of one."""
    real, left = RunJournal.append, [sweeps]
    real_event = RunJournal.event

    def event(journal, told):
        real_event(journal, told)
        if told.text == sweeps:
            os.kill(os.getpid(), number)

    def append(journal, *arguments, **named):
        real(journal, *arguments, **named)
        left[0] = left[0] - 1 if isinstance(sweeps, int) else 1
        if left[0] == 0:
            os.kill(os.getpid(), number)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(RunJournal, "append", append)
        patch.setattr(RunJournal, "event", event)
        process = Started(command, folder, "")
    return process.finished()


def run_of(folder):
    (path,) = (folder / "results").glob("*.h5")
    return path


def kept_in(path):
    with open_run(path) as file:
        return read_kept(file)


def raw_readings(path, kind):
    with open_run(path) as file:
        part = file[f"bands/{BAND}/{kind}"]
        return part["time"][()], part["readings"][()]


def counts(path, kind):
    """Sound sweeps of each making or insertion, in order."""
    found = kept_in(path).sweeps
    return [found[key] for key in sorted(found) if key[1] == kind]


def told(path, kind):
    return [event.text for event in kept_in(path).events if event.kind == kind]


def resume(folder, *options):
    return tareline("resume", run_of(folder).relative_to(folder), *options, folder=folder)


def begun(place, number=signal.SIGKILL, sweeps=5, command=QUALIFY):
    """A run that is stopped, by default behind the first sweep of the first insertion."""
    ended = stopped(place, number, sweeps, "run", *command, "--item", ITEM)
    assert ended.returncode == (-number if number == signal.SIGKILL else 128 + number)
    return ended


@pytest.mark.parametrize(
    ("stored", "makings", "insertions"),
    [
        (5, [4, 4, 4], [2, 2, 2]),  # in the first insertion, before it was settled what it is
        (14, [4, 4], [2, 2, 2]),  # behind its last sweep, before anybody looked at it
        *long(
            (2, [4, 4], [2, 2, 2]),  # in the normalization: another making
            (12, [4, 4], [2, 2, 2]),  # in the closing check
            (ALL_JUDGED, [4, 4], [2, 2, 2]),  # when everything was done
        ),
    ],
)
def test_what_is_kept_is_not_swept_again(place, benches, stored, makings, insertions):
    begun(place, sweeps=stored)
    path = run_of(place)
    before = {kind: raw_readings(path, kind) for kind in ("normalization", "insertions")}
    if stored == ALL_JUDGED:
        # no instrument is needed then
        replace(place / "station.toml", (benches["vector"].addresses["analyzer"], NOBODY))
    done = resume(place, "--then", "echo then $TARELINE_STATUS $TARELINE_VERDICT")
    assert done.returncode == 0, done.stderr
    assert "then 0 " in done.stderr
    assert counts(path, "normalization") == makings
    assert counts(path, "insertions") == insertions
    for kind, (time, readings) in before.items():
        after_time, after = raw_readings(path, kind)
        assert np.array_equal(after[: len(time)], readings)
        assert np.array_equal(after_time[: len(time)], time)
        assert np.all(np.diff(after_time) > 0)
    said = {ALL_JUDGED: "everything had been swept", 2: "no zero before"}
    assert said.get(stored, "the zero has moved by") in told(path, "resumed")[0]
    run = read_run(path)
    assert run.finished
    assert np.array_equal(run.bands[BAND].insertion_loss_db, assess(path)[BAND].insertion_loss_db)
    refused(place, "is finished: there is nothing to resume.*tareline report")


@pytest.mark.long
def test_a_run_that_a_signal_ended_says_how_to_go_on_and_goes_on(place):
    """Whatever of what was under way came to the disk."""
    ended = begun(place, signal.SIGTERM)
    path = run_of(place)
    hint = re.search(r"tareline resume (\S+)", ended.stderr)
    assert hint is not None
    assert hint[1] == str(path.relative_to(place))
    assert resume(place).returncode == 0
    *_, first, second, third = counts(path, "insertions")
    assert [first, second, third] == [2, 2, 2]
    assert counts(path, "normalization") == [4, 4, 4]


def test_the_command_that_is_shown_goes_on_as_it_stands(place):
    """Pasted into a shell: blanks in the names of folder and station, and a second stop."""
    station, results = place / "the bench.toml", place / "night shift"
    (place / "station.toml").rename(station)
    where = ("--station", station.name, "--results", results.name)
    command = ["run", *QUALIFY, "--item", ITEM, *where]
    for sweeps in (2, 4):
        ended = stopped(place, signal.SIGTERM, sweeps, *command)
        assert ended.returncode == 128 + signal.SIGTERM, ended.stderr
        (line,) = (x for x in ended.stderr.splitlines() if x.lstrip().startswith("tareline resume"))
        _, *command = shlex.split(line)
    (path,) = results.glob("*.h5")
    assert command == ["resume", f"{results.name}/{path.name}", "--station", station.name]
    done = tareline(*command, folder=place)
    assert done.returncode == 0, done.stderr
    shown = next(x for x in done.stdout.splitlines() if x.startswith("tareline report"))
    assert tareline(*shlex.split(shown)[1:], folder=place).returncode == 0
    assert path.with_suffix(".html").is_file()


@pytest.mark.long
def test_going_on_may_be_killed_and_gone_on_with(place):
    """Again and again, in each phase of going on."""
    begun(place)
    path = run_of(place)
    for stored in (2, 5, 5):
        ended = stopped(place, signal.SIGKILL, stored, "resume", path)
        assert ended.returncode == -signal.SIGKILL, ended.stderr
    assert resume(place).returncode == 0
    assert counts(path, "normalization") == [4, 4, 4, 4, 4]
    assert counts(path, "insertions") == [2, 2, 2]


def test_a_night_is_gone_on_with_to_its_own_end(place):
    """Ticks keep their times, checks go on, and the ticks that nobody made are told."""
    begun(place, sweeps=4 + 3, command=OVERNIGHT)
    path = run_of(place)
    assert resume(place).returncode == 0
    (start,) = [e.time for e in kept_in(path).events if e.kind == "schedule"]
    time, _ = raw_readings(path, "insertions")
    ticks = np.floor((time - start) / 60.0).astype(int)
    missed = [int(text.split()[0]) for text in told(path, "missed")]
    assert len(set(ticks)) == len(ticks)
    assert len(ticks) + sum(missed) == 12
    # opening, going on, one or two in between (the run may be gone on with after one was due),
    # closing
    assert set(counts(path, "normalization")) == {4}
    assert 4 <= len(counts(path, "normalization")) <= 5
    assert "insertion 1 was broken off; insertion 2 replaces it" in told(path, "resumed")[0]
    assert read_run(path).finished


def test_a_night_that_was_over_before_it_was_gone_on_with_comes_to_an_end(place, benches):
    """Stopped before its first sweep of the item: there is nothing to tell, and no trap."""
    real = RunJournal.event

    def event(journal, told):
        real(journal, told)
        if told.kind == "schedule":
            os.kill(os.getpid(), signal.SIGKILL)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(RunJournal, "event", event)
        tareline("run", *OVERNIGHT, "--item", ITEM, folder=place)
    path = run_of(place)
    hand = Hand(Link(benches["vector"].addresses["hand"]))
    hand.open()
    hand.advance_to(kept_in(path).last_time + 3600.0)
    hand.close()
    for _ in range(2):
        done = resume(place)
        assert done.returncode == 1, done.stderr
        assert f"nothing was swept of {ITEM} in band {BAND}" in done.stderr
        assert "measure the item anew" in done.stderr
        assert ask(benches["vector"], "analyzer", "OUTPut?") == "0"
    assert "12 ticks missed" in told(path, "missed")[0]
    (said,) = told(path, "stopped")
    assert said.startswith("nothing was swept")
    assert not read_run(path).finished


def refused(place, says, *options, status=2):
    before = run_of(place).read_bytes()
    done = resume(place, *options)
    assert done.returncode == status, done.stderr
    assert re.search(says, " ".join(done.stderr.split())), done.stderr
    assert "Traceback" not in done.stderr
    assert run_of(place).read_bytes() == before


def test_others_are_refused(place, benches):
    """Another process that works on it, another station, another instrument."""
    begun(place)
    path, station = run_of(place), place / "station.toml"
    with lock_run(path):
        refused(place, "the run goes on in process", status=3)
    replace(station, ('torque = "', 'torque = "1'))
    refused(place, r"not as it was.*leads.torque_n_m was 0\.\d+, is 1")
    # its serial number is its seed
    with SimulatedBenchProcess(benches["vector"].path, seed=4711) as other:
        station_on(other, place / "other", "vector")
        says = "the network analyzer is not the one.*that was .*SIM-.*this is .*SIM-4711"
        refused(place, says, "--station", "other/station.toml")


def test_a_zero_that_moved_is_told_and_kept_apart(place):
    """Allowed is what the station states, here next to nothing."""
    station = place / "station.toml"
    text = re.sub(r'most_change = ".*?"', 'most_change = "0.1 mdB"', station.read_text("utf-8"))
    station.write_text(text, "utf-8")
    begun(place)
    path = run_of(place)
    done = resume(place)
    assert done.returncode == 3, done.stderr
    said = " ".join(done.stderr.split())
    assert re.search(r"the zero has moved by 0\.\d+ dB \(band \S+ \d", said)
    assert "0.0001 dB allowed" in said
    assert "look for the cause" in said
    assert counts(path, "normalization") == [4]
    assert counts(path, "insertions") == []
    with open_run(path) as file:
        assert file[f"bands/{BAND}/normalization/suspect"][()].tolist() == 4 * [0] + 4 * [1]


def test_a_changed_procedure_of_ones_own_is_refused_and_a_moved_one_is_found(place):
    mine = place / "mine.py"
    mine.write_text(
        "def mine(bench, n: int = 2):\n    bench.normalize(n)\n"
        "    for _ in bench.insertions(3):\n        bench.sweep(1)\n"
    )
    begun(place, sweeps=3, command=("./mine.py",))
    text = mine.read_text()
    mine.write_text(text.replace("normalize(n)", "normalize(1)"))
    refused(place, "not the one that this run was made with")
    mine.unlink()
    refused(place, "stood in .*mine.py.*--procedure FILE")
    (place / "moved").mkdir()
    (place / "moved" / "mine.py").write_text(text)
    assert resume(place, "--procedure", "moved/mine.py").returncode == 0
    assert counts(run_of(place), "insertions") == [1, 1, 1]
