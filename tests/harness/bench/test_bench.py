"""What procedures may do, and how their mistakes are found before anything is connected."""

from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.errors import InputError, InstrumentError, RunFileError
from drivers.stop_signals import StopSignals
from drivers.sweep import SweepSettings
from harness.bench import rehearsal
from harness.bench.operator_lines import OperatorLine
from harness.bench.procedure import Procedure
from harness.bench.rehearsal import rehearse
from harness.connections.operator_exchange import OperatorExchange
from harness.running.finding_procedures import find_procedure, procedure_names
from harness.running.item_run import Assignment, ItemRun
from harness.running.measure import rehearsed
from harness.running.open_station import OpenStation
from harness.station.items import Item
from procedures.qualify import qualify

BANDS = {
    "low": SweepSettings(1e8, 2e8, 11, -10.0, 1e3),
    "high": SweepSettings(1e9, 2e9, 21, -10.0, 1e3),
}

STATION = SimpleNamespace(bands=BANDS, settings=BANDS.__getitem__, needs_a_person=True)


@given(insertions=st.integers(1, 9), sweeps=st.integers(1, 9))
def test_rehearsal_tells_the_work(insertions, sweeps):
    """Two normalizations of 4 sweeps, and the insertions, in each of two bands."""
    work = rehearse(lambda bench: qualify(bench, insertions, sweeps), "X", BANDS)
    assert work.sweeps == 2 * (4 + insertions * sweeps + 4)
    assert work.connections == insertions + 2
    assert work.swept == {(k, b) for k in ("normalization", "insertions") for b in BANDS}


@given(insertions=st.integers(1, 6), makings=st.integers(1, 3), check_every=st.integers(0, 7))
def test_rehearsal_tells_makings_and_checks(insertions, makings, check_every):
    """An opening and a closing check, and one after every so many insertions but the last."""
    work = rehearse(lambda bench: qualify(bench, insertions, 2, makings, check_every), "X", BANDS)
    between = (insertions - 1) // check_every if check_every else 0
    assert work.connections == insertions + makings * (2 + between)
    assert work.sweeps == 2 * (2 * insertions + 4 * makings * (2 + between))


def test_a_person_is_told_what_is_between_the_leads():
    """After a check between two insertions the item is put in, not undone."""
    asked = []
    leads = SimpleNamespace(
        connector="SMA", torque_n_m=0.56, far_connector=None, far_torque_n_m=None
    )
    station = SimpleNamespace(through=None, leads=leads)
    terminal = SimpleNamespace(say_all=asked.extend, ask=lambda prompt: OperatorLine())
    person = OperatorExchange(station, terminal, asked.append, {"X": Item()})
    person.connect_through(again=False)
    for number in (1, 2):
        person.connect_item("X", number, 3)
    person.connect_through(again=True)
    person.connect_item("X", 3, 3)
    verbs = ("Put ", "Undo ", "Join ", "Again, join ")
    said = [verb for text in asked for verb in verbs if text.startswith(verb)]
    assert said == ["Join ", "Put ", "Undo ", "Again, join ", "Put "]


def sweeps_without_insertion(bench):
    bench.normalize()
    bench.sweep(1)


def inserts_before_normalizing(bench):
    for _ in bench.insertions(1):
        bench.sweep()


def checks_before_normalizing(bench):
    bench.check_normalization()


def asks_for_nothing(bench):
    bench.normalize()
    for _ in bench.insertions(0):
        bench.sweep()


def sweeps_after_the_insertion(bench):
    bench.normalize()
    for _ in bench.insertions(1):
        pass
    bench.sweep()


def checks_within_an_insertion(bench):
    bench.normalize()
    for _ in bench.insertions(3):
        bench.check_normalization(1)
        bench.sweep(1)


def never_measures(bench):
    bench.normalize()


def measures_without_sweeping(bench):
    bench.normalize()
    for _ in bench.insertions(2):
        pass


def never_ends(bench):
    bench.normalize()
    for _ in bench.insertions(10**9):
        bench.sweep(10**6)


@pytest.mark.parametrize(
    ("procedure", "says"),
    [
        (checks_within_an_insertion, "nothing is inserted"),
        (never_measures, "never sweeps the item in band low"),
        (measures_without_sweeping, "never sweeps the item in band low"),
        (never_ends, "does it ever end"),
        (sweeps_without_insertion, "nothing is inserted"),
        (sweeps_after_the_insertion, "nothing is inserted"),
        (inserts_before_normalizing, "before the station is normalized"),
        (checks_before_normalizing, "before the station is normalized"),
        (asks_for_nothing, "0 insertions were asked for"),
    ],
)
def test_wrong_order_is_explained(procedure, says, monkeypatch):
    monkeypatch.setattr(rehearsal, "MOST_SWEEPS", 10_000)
    with pytest.raises(InputError, match=says):
        rehearse(procedure, "X", BANDS)


def test_a_procedure_that_fails_is_told_with_its_line(tmp_path):
    def divides(bench):
        bench.normalize(1 // 0)

    assignment = Assignment(Procedure("divides", divides, ()), {}, tmp_path)
    with pytest.raises(InputError, match=r"before anything was connected.*ZeroDivisionError") as e:
        rehearsed(assignment, "X", STATION)
    assert "test_bench.py, line" in str(e.value)


def test_built_in_procedures_are_found_with_their_parameters():
    assert "qualify" in procedure_names()
    found = find_procedure("qualify")
    assert found.function is qualify
    assert [p.name for p in found.parameters] == [
        "insertions", "sweeps", "makings", "check_every",
    ]  # fmt: skip
    assert found.told.summary.startswith("Normalize")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (None, "no procedure file"),
        ("def mine(bench:", "cannot be loaded"),
        ("x = 1", "0 public functions"),
        ("def a(bench): ...\ndef b(bench): ...", "2 public functions"),
        ("def mine(n: int): ...", "must take the Bench first"),
        ("def mine(bench, n): ...", "no usable type"),
        ("def mine(bench, n: list): ...", "no usable type"),
        ("def mine(bench, *n: int): ...", "cannot be given by name"),
        ("def mine(bench, n: int, /): ...", "cannot be given by name"),
        ("1 // 0", "ZeroDivisionError"),
        ("raise SystemExit(0)", "SystemExit"),
    ],
)
def test_wrong_procedure_files_are_explained(tmp_path, text, says):
    path = tmp_path / "mine.py"
    if text is not None:
        path.write_text(text, "utf-8")
    with pytest.raises(InputError, match=says):
        find_procedure(str(path))


def test_an_unknown_procedure_names_the_nearest():
    with pytest.raises(InputError, match="did you mean 'qualify'"):
        find_procedure("qualfy")


def test_rf_that_may_be_on_is_told_before_a_full_disk(tmp_path):
    """Both fail on the way out: the instrument cannot be reached and the disk takes no remark."""

    def refuse(*_):
        raise RunFileError("no space left on device")

    def unreachable():
        raise InstrumentError("RF could not be shown to be off", hint="RF may be ON")

    connected = SimpleNamespace(source=SimpleNamespace(make_safe=unreachable), clock=lambda: 0.0)
    place = OpenStation(SimpleNamespace(station=STATION), connected, StopSignals())
    run = ItemRun(place, None, "X", None)
    with pytest.raises(InstrumentError, match="RF may be ON"):
        run._shut_down(SimpleNamespace(event=refuse, close=lambda: None), None, "error", "cause")
