"""`tareline run spot-check` and `gauge-study`: lots on a simulated bench, over TCP."""

import json
import shutil
import signal
import time

import numpy as np
import pytest

from drivers.errors import InputError, RunFileError
from harness.evaluation.run_analysis import finish
from harness.evaluation.standing import Standing, standing_of_run
from harness.evaluation.verification import verify
from harness.run_file import amend_run, open_run, read_events, read_readings
from harness.run_file.run import OPERATORS_NOTE
from tests.harness.command_line import Started, tareline
from tests.harness.production_bench import BAD, GOOD, AtTheBench, production_station, runs_of
from tests.harness.short_run import arm, struck

QUICK = ("--sweeps", 1, "--results", "lot")


@pytest.fixture(scope="module")
def bench(benches):
    return benches["vector"]


@pytest.fixture
def folder(bench, tmp_path):
    production_station(bench, tmp_path)
    return tmp_path


def spot_check(folder, *options, typed=""):
    return tareline("run", "spot-check", *QUICK, *options, folder=folder, typed=typed)


@pytest.fixture(scope="module")
def typed_lot(bench, tmp_path_factory):
    """A lot that somebody typed, not without slips; its folder, and what was said."""
    folder = tmp_path_factory.mktemp("typed")
    production_station(bench, folder)
    typed = (
        f"{GOOD[0]}\n\nPI\x1bG\n/nope\n/skip\n  {BAD}\r\n/note label torn\nPIG-9999\n"
        f"{GOOD[0]}\n\n/stop\n"
    )
    return folder, spot_check(folder, typed=typed)


@pytest.fixture
def measured_folder(typed_lot, tmp_path):
    """A copy of it."""
    return shutil.copytree(typed_lot[0], tmp_path / "copy")


def test_a_typed_lot_is_measured(typed_lot):
    """Blank lines, commands that do nothing, misread labels and unknown numbers do no harm; every
    run stands alone, with a check of the zero before and after it."""
    folder, said = typed_lot
    assert said.returncode == 1, said.stderr
    assert f"{GOOD[0]}  ✓ pass" in said.stderr
    for text in (
        "control character", "no command '/nope'", "no item in hand", "no such item", "condemned",
        "The zero holds", f"{GOOD[0]} was measured already: ✓ pass", "SIMULATED",
    ):  # fmt: skip
        assert text in said.stderr
    assert "2 items done: 1 pass, 1 fail" in said.stdout
    runs = runs_of(folder / "lot")
    assert [(run.item["id"], run.item["kind"]) for run in runs] == [
        (GOOD[0], "pigtail-300"), (BAD, "pigtail-300"),
    ]  # fmt: skip
    good, bad = (run.bands["telemetry-868"] for run in runs)
    assert (len(good.insertion_means_db), len(bad.insertion_means_db)) == (1, 2)
    for run, band in zip(runs, (good, bad), strict=True):
        before, after = band.zero_time
        assert before < band.insertion_time.min() <= band.insertion_time.max() < after
        assert run.finished
        assert run.simulated
        assert not verify(run.path).problems
    notes = [[e.text for e in run.events if e.kind == OPERATORS_NOTE] for run in runs]
    assert notes == [[], ["label torn"]]


def test_a_listed_lot_leaves_out_what_is_done(measured_folder):
    serials = measured_folder / "serials.txt"
    serials.write_text(f"{GOOD[0]}\n{GOOD[1]}\nPIG-9999\n", "utf-8")
    result = spot_check(measured_folder, "--serials", "serials.txt", "--json")
    assert "Going on with the lot in lot: 2 items done: 1 pass, 1 fail" in result.stderr
    assert "3 serial numbers listed, 1 done already; 2 to go" in result.stderr
    assert "PIG-9999 is left out" in result.stderr
    assert [run["item"]["id"] for run in json.loads(result.stdout)["runs"]] == [GOOD[1]]
    assert result.returncode == 1


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--kind", "pigtial-300"), "did you mean 'pigtail-300'"),
        (("--check-after", "soon"), "check_after: 'soon' is not a number with a unit"),
        (("--serials", "nowhere.txt"), "cannot be read"),
        (("--insertions", 0), "0 insertions were asked for"),
    ],
)
def test_mistakes_are_told_before_anything_is_connected(folder, options, says):
    result = spot_check(folder, *options)
    assert result.returncode == 2
    assert says in result.stderr
    assert not (folder / "lot").exists()


def test_hands_free_needs_to_know_its_level(bench, tmp_path):
    production_station(bench, tmp_path)
    station = tmp_path / "station.toml"
    text = station.read_text("utf-8")
    station.write_text(text.replace('power = "-30 dBm"', 'power = "1 dBm"'), "utf-8")
    refused = spot_check(tmp_path, "--hands-free")
    assert refused.returncode == 2
    assert "above the least maximum_power" in refused.stderr
    head, tail = text.split("\n[hands_free]")
    station.write_text(f"{head}\n[zero]{tail.split('[zero]')[1]}", "utf-8")
    result = spot_check(tmp_path, "--hands-free")
    assert result.returncode == 2
    assert "does not say at which" in result.stderr


@pytest.fixture
def start(bench, tmp_path):
    """Start a sitting with a person in it."""
    started = []

    def one(*options):
        started.append(AtTheBench(bench, tmp_path, *options))
        return started[-1]

    yield one
    for person in started:
        person.close()


def test_a_person_is_asked_and_may_want_something_else(bench, tmp_path, start):
    """Every prompt says what to do and with which torque; a note, a wrong number, redo and skip at
    the prompts; an item that is open, after which the zero is looked at; a wrong thing joined as
    the through, after which the items are asked for again.

    The reader sends CR and LF, and Enter is pressed twice: neither confirms what comes next."""
    production_station(bench, tmp_path, by_hand=True)
    person = start("--sweeps", "1", "--results", "lot")

    def answers(expected, line="", does=None):
        shown = person.prompt()
        assert expected in " ".join(shown.split()), shown
        if does is not None:
            person.does(does)
        person.sends(f"{line}\r\n".encode())
        return shown

    first = answers("Join the two leads", does="through")
    assert "5.0 in lbf" in first
    assert "licence" in first
    answers("Serial number", GOOD[0])
    answers(f"Put {GOOD[0]} between", "/note stiff cable")
    answers("Noted.", "PIG-0702")
    answers("'PIG-0702' is not what is asked for", "/redo")
    answers("left by the operator (/redo)", GOOD[0], does=GOOD[0])
    answers("✓ pass", GOOD[2])
    answers(f"Put {GOOD[2]} between", does="nothing")
    answers("nothing comes through", does="nothing")
    answers("The zero is checked: something unusual happened", does="through")
    answers("The zero holds", GOOD[1])
    answers("Hold the cable still", "/skip")
    answers("no verdict, left by the operator (/skip)", BAD)
    answers(f"Put {BAD} between", does=BAD)
    answers(f"Undo {BAD}", does=BAD)
    answers("✗ fail", "/stop")
    answers("Again, join the two leads", does=GOOD[2])
    # joined again, and once more, before anybody is accused
    answers("Is the item still in?", does=GOOD[2])
    answers("Again, join the two leads", does=GOOD[2])
    shown, status = person.ended()
    assert b"An Enter at once after a line is dropped" in person.shown
    assert "The zero moved by" in shown
    assert f"asked for again: {BAD}." in " ".join(shown.split())
    assert f"{GOOD[2]}  broken off" in shown
    assert status == 1
    runs = runs_of(tmp_path / "lot")
    finished = {run.item["id"]: standing_of_run(run) for run in runs if run.finished}
    assert finished == {GOOD[0]: Standing.PASS, BAD: Standing.AGAIN}
    assert "nothing more is measured" in " ".join(shown.split())
    unfinished = {run.item["id"]: run for run in runs if not run.finished}
    assert sorted(unfinished) == [GOOD[0], GOOD[2]]
    noted = [event.text for event in unfinished[GOOD[0]].events if event.kind == OPERATORS_NOTE]
    assert noted == ["stiff cable"]


def test_busy_hands_are_watched(bench, tmp_path, start):
    """The first joint is confirmed; then the bench sees what is undone and made, by itself. Leads
    that are joined where the item should be are no item, Enter always works, and an instrument that
    is silent for once ends nothing."""
    production_station(bench, tmp_path, by_hand=True, look_every="50 ms")
    person = start("--sweeps", "1", "--results", "lot", "--hands-free")
    assert "RF comes on BY ITSELF" in person.prompt()
    person.does("through")
    person.type("")
    person.prompt()
    person.type(GOOD[0])
    person.shows("waiting until the connection that is there is undone")
    arm(bench, "analyzer", "silence", "on=TRACe:DATA?")
    person.does("nothing")
    person.shows("open: waiting for both ends")
    person.does("through")
    person.shows("at a level that cannot be right")
    person.does("nothing")
    person.does(GOOD[0])
    person.shows("made, and at rest")
    assert f"{GOOD[0]}  ✓ pass" in person.prompt()
    person.type("/stop")
    person.shows("Again, join")
    person.does("through")
    person.type("")
    shown, status = person.ended()
    assert "The zero holds" in shown
    assert status == 0
    assert struck(bench)
    (run,) = runs_of(tmp_path / "lot")
    assert any("hands-free: starting afresh" in event.text for event in run.events)


def test_an_instrument_lost_in_mid_item_leaves_what_is_done(bench, tmp_path, start):
    """What is safe is said, and what to do: the same command."""
    production_station(bench, tmp_path, by_hand=True)
    person = start("--sweeps", "1", "--results", "lot")
    for expected, line, does in (
        ("Join the two leads", "", "through"),
        ("Serial number", GOOD[0], None),
        (f"Put {GOOD[0]} between", "", GOOD[0]),
        ("✓ pass", GOOD[1], None),
    ):
        assert expected in " ".join(person.prompt().split())
        if does is not None:
            person.does(does)
        person.type(line)
    person.prompt()
    arm(bench, "analyzer", "silence", "on=TRACe:DATA?", "count=0")
    person.does(GOOD[1])
    person.type("")
    shown, status = person.ended()
    arm(bench)
    assert status == 3
    told = " ".join(shown.split())
    assert "1 item done: 1 pass, safe in" in told
    assert "the same command goes on with the lot" in told
    assert [bool(run.finished) for run in runs_of(tmp_path / "lot")] == [True]


def test_ctrl_c_while_an_item_is_judged(folder):
    """The item's file is closed by then: the stop is told as one, and the verdict stays."""
    (folder / "serials.txt").write_text("\n".join(GOOD), "utf-8")
    arguments = ["run", "spot-check", *map(str, QUICK), "--serials", "serials.txt"]
    run = Started(arguments, folder, "")
    deadline = time.monotonic() + 30.0
    while not _is_being_judged(folder / "lot"):
        assert not run.has_ended()
        assert time.monotonic() < deadline
    run.send_signal(signal.SIGINT)
    said = run.finished()
    assert said.returncode == 128 + signal.SIGINT, said.stderr
    assert "stopped by SIGINT; RF is off" in said.stderr
    first, *_ = runs_of(folder / "lot")
    assert (first.finished != "", first.events[-1].kind) == (True, "finished")


def _is_being_judged(lot):
    for path in lot.glob("*.h5"):
        with open_run(path) as file:
            if any(event.kind == "finished" for event in read_events(file)):
                return True
    return False


@pytest.mark.long
def test_a_switch_exchanges_through_and_item(benches, tmp_path):
    production_station(benches["switch"], tmp_path, set_up="switch")
    result = spot_check(tmp_path, typed=f"{GOOD[0]}\n")
    assert result.returncode == 0, result.stderr
    assert "The zero holds" in result.stderr
    (run,) = runs_of(tmp_path / "lot")
    assert len(np.unique(run.bands["telemetry-868"].zero_time)) == 2


@pytest.mark.long
def test_a_gauge_study_goes_on_where_it_stopped(folder):
    (folder / "serials.txt").write_text("\n".join(GOOD[:2]), "utf-8")
    options = ("--operators", "Ann, Bo", "--repeats", 2, "--serials", "serials.txt")
    study = ("run", "gauge-study", *QUICK, *options)
    whole = tareline(*study, folder=folder)
    assert whole.returncode == 0, whole.stderr
    assert "pass" not in whole.stderr
    runs = runs_of(folder / "lot")
    trials = [(r.item["id"], r.parameters["operator"], r.parameters["repeat"]) for r in runs]
    assert len(set(trials)) == len(trials) == 8
    runs[3].path.unlink()
    again = tareline(*study, folder=folder)
    assert "7 done already" in again.stderr
    repeated = runs_of(folder / "lot")[-1]
    assert (
        repeated.item["id"], repeated.parameters["operator"], repeated.parameters["repeat"],
    ) == trials[3]  # fmt: skip


def test_a_finished_run_is_amended_or_left_as_it_was(measured_folder):
    """What was there stays, bit for bit; whatever fails on the way leaves the old file."""
    path = runs_of(measured_folder / "lot")[0].path
    there = sorted(path.parent.iterdir())
    original = path.read_bytes()

    def refuse(_):
        raise RunFileError("no room")

    for amend, finished in ((refuse, finish), (lambda journal: None, refuse)):
        with pytest.raises(RunFileError, match="no room"):
            amend_run(path, amend, finished)
        assert path.read_bytes() == original
        assert sorted(path.parent.iterdir()) == there
    with open_run(path) as file:
        before = read_readings(file)["telemetry-868"]

    amend_run(path, lambda journal: None, lambda draft: finish(draft, "2026-01-01T00:00:00+00:00"))
    with open_run(path) as file:
        after = read_readings(file)["telemetry-868"]
    assert np.array_equal(before.insertions, after.insertions)
    assert np.array_equal(before.normalization, after.normalization)
    run = runs_of(measured_folder / "lot")[0]
    assert run.finished == "2026-01-01T00:00:00+00:00"
    with pytest.raises(InputError, match="no run file"):
        amend_run(path.with_name("none.h5"), lambda journal: None, refuse)
