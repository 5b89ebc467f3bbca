"""Every wire fault: correct data or the right error, in time, RF off, and nothing lost that was
kept. `pytest -s` shows the table of faults and outcomes."""

import time

import numpy as np
import pytest

from drivers.errors import AnswerError, LinkError, RefusedError, TarelineError
from drivers.link.guard import PERSISTENCE_S
from drivers.simulated.described.bench_description import read_description
from drivers.simulated.faults.fault_kinds import KINDS
from drivers.simulated.physics.truth import insertion_loss_db
from drivers.sweep import RepeatedReadingsError
from harness.evaluation.read_back import read_run
from tests.harness.short_run import (
    DEADLINE_S,
    ITEM,
    SOURCES,
    SWEEPS,
    arm,
    ask,
    carry_out,
    kept_sweeps,
    show_table,
    station_on,
    struck,
)
from tests.long_cases import long

READ, START, STOP = "on=TRACe:DATA?", "on=INITiate:IMMediate", "on=SENSe:FREQuency:STOP"
AT = {"clipped-setting": STOP, "endless-sweep": START, "restart": START, "power-trip": START,
      "error-flood": START, "trigger-ignored": START, "half-old-trace": START,
      "late-start": START}  # fmt: skip
"""Where a kind strikes that acts on messages; all others strike when a trace is read."""
ERRORS = {
    "silence": LinkError, "late-answer": LinkError, "slow-drip": LinkError,
    "half-answer": LinkError, "drop-before": LinkError, "drop-inside": LinkError,
    "drop-after": LinkError, "wrong-length": (LinkError, AnswerError),
    "wrong-byte-order": AnswerError, "not-a-number": AnswerError, "wrong-points": AnswerError,
    "garbage": AnswerError, "clipped-setting": AnswerError, "endless-sweep": LinkError,
    "restart": (LinkError, AnswerError, RefusedError), "power-trip": (AnswerError, RefusedError),
    "trigger-ignored": RepeatedReadingsError, "half-old-trace": RepeatedReadingsError,
    "late-start": (RepeatedReadingsError, AnswerError), "answer-before": AnswerError,
    "trace-for-another": RepeatedReadingsError,
    "error-flood": RefusedError, "second-client": (AnswerError, RefusedError, LinkError),
}  # fmt: skip
"""What a fault is called that does not pass. A sweep that begins late on a busy machine may be read
while the trace of the preset settings still stands, of other points or of noise alone."""
UNANSWERING = ("silence", "half-answer", "garbage", "restart")
"""A source that meets every message so cannot be asked whether RF is off; that comes first."""
MOST_OFF_DB = {"switch": 0.10}
"""Largest error of the stated loss; elsewhere 0.05 dB."""
TIMES = ("once", "for ever")
STAYING = ("silence", "garbage", "trigger-ignored", "restart", "clipped-setting")
"""Of the kinds that stay, one of each error and of each message at which they strike."""
_outcomes = {}


@pytest.fixture(scope="module", autouse=True)
def table():
    yield
    if _outcomes:
        rows = [
            [set_up, role.replace("_", " "), kind, *(found.get(times, "") for times in TIMES)]
            for (set_up, role, kind), found in _outcomes.items()
        ]
        show_table(["set-up", "fault of", "fault", *TIMES], rows)


def strike(benches, folder, set_up, role, kind, times, *where):
    """A run during which a fault strikes, once or from then on; what must be true afterwards."""
    bench = benches[set_up]
    workplace = station_on(bench, folder, set_up)
    results = folder / "results"
    arm(bench, role, kind, *where, f"count={1 if times == 'once' else 0}")
    failed, path = None, None
    begun = time.monotonic()
    try:
        (path,) = carry_out(workplace, results)
    except TarelineError as error:
        failed = error
    took_s = time.monotonic() - begun
    if times == "once":
        assert struck(bench), "the fault never came"
    arm(bench)
    assert ask(bench, SOURCES[set_up], "OUTPut?") == "0"
    assert took_s < DEADLINE_S + PERSISTENCE_S * (failed is not None)
    sweeps, suspects = kept_sweeps(results)
    if failed is None:
        run = read_run(path)
        assert_true_loss(bench, run, MOST_OFF_DB.get(set_up, 0.05))
        assert sweeps == SWEEPS
        fresh = sum(event.kind == "recovery" for event in run.events)
        marked = f", {suspects} suspect" if suspects else ""
        text = f"recovered: {fresh} fresh start{'' if fresh == 1 else 's'}{marked}"
    else:
        assert times == "for ever", failed
        if role == SOURCES[set_up] and kind in UNANSWERING and not where[0].startswith("on="):
            assert "RF could not be shown to be off" in failed.what, repr(failed)
            assert "RF may be ON" in failed.hint
        else:
            assert isinstance(failed, ERRORS[kind]), repr(failed)
            assert failed.hint, "an error names a remedy"
            if kind == "late-start" and isinstance(failed, AnswerError):
                assert "read before the sweep was over" in failed.hint
        (unfinished,) = results.glob("*.h5")
        assert read_run(unfinished).events[-1].kind == "error"
        told = "RF may be on" if "may be ON" in failed.hint else type(failed).__name__
        text = f"{told}: {sweeps} kept"
    label = "setting changed" if any(each.startswith("says=") for each in where) else kind
    found = _outcomes.setdefault((set_up, role, label), {})
    found[times] = f"{text}, {took_s:.1f} s"
    return suspects


@pytest.mark.parametrize(
    ("set_up", "role", "says", "nth"),
    [
        ("vector", "analyzer", "SOURce:POWer -25 DBM", 6),
        *long(
            ("stepped", "generator", "SOURce:POWer -3 DBM", 140),
            ("tracking", "spectrum_analyzer", "SOURce:POWer -8 DBM", 6),
        ),
    ],
)
def test_a_setting_changed_at_the_front_panel_is_noticed(
    benches, tmp_path, set_up, role, says, nth
):
    """Nothing else tells of it: the link is sound, and readings a few dB lower can be true."""
    where = () if set_up == "stepped" else (READ,)
    suspects = strike(
        benches, tmp_path, set_up, role, "second-client", "once", *where, f"nth={nth}",
        f"says={says}",
    )  # fmt: skip
    assert suspects > 0


def assert_true_loss(bench, run, most_off_db):
    """The stated loss agrees with that of an ideal bench."""
    (result,) = run.bands.values()
    truth_db = insertion_loss_db(read_description(bench.path), ITEM, result.frequency_hz)
    off = np.abs(result.insertion_loss_db - truth_db)
    assert np.all(off <= result.expanded_uncertainty_db), off.max()
    assert off.max() < most_off_db


def test_every_kind_of_fault_is_looked_at():
    assert set(ERRORS) == set(KINDS)


@pytest.mark.parametrize(
    ("kind", "times"),
    [
        *((kind, "once") for kind in KINDS),
        *((kind, "for ever") for kind in STAYING),
        *long(*((kind, "for ever") for kind in KINDS if kind not in STAYING)),
    ],
)
def test_a_fault_is_survived_or_told(benches, tmp_path, kind, times):
    """One that passes costs a fresh start; one that stays is an error that says what it is."""
    at = AT.get(kind, READ)
    nth = 1 if at == STOP else 6
    strike(benches, tmp_path, "vector", "analyzer", kind, times, at, f"nth={nth}")


@pytest.mark.parametrize(
    ("role", "kind", "times"),
    [
        ("power_meter", "garbage", TIMES[:1]),
        *long(
            ("generator", "silence", TIMES), ("generator", "power-trip", TIMES),
            ("generator", "restart", TIMES[:1]), ("generator", "second-client", TIMES),
            ("generator", "error-flood", TIMES[:1]), ("power_meter", "drop-before", TIMES),
            ("power_meter", "garbage", TIMES[1:]), ("power_meter", "half-answer", TIMES),
            ("power_meter", "second-client", TIMES), ("power_meter", "trigger-ignored", TIMES),
        ),
    ],
)  # fmt: skip
def test_a_fault_of_a_stepped_set_up(benches, tmp_path, role, kind, times):
    """Wherever between two messages it strikes."""
    for each in times:
        strike(benches, tmp_path / each, "stepped", role, kind, each, "nth=90")


@pytest.mark.parametrize(
    ("kind", "times"),
    [
        ("half-old-trace", TIMES[:1]),
        *long(
            ("half-answer", TIMES[:1]), ("power-trip", TIMES), ("restart", TIMES),
            ("garbage", TIMES), ("second-client", TIMES), ("trigger-ignored", TIMES),
        ),
    ],
)  # fmt: skip
def test_a_fault_of_a_tracking_set_up(benches, tmp_path, kind, times):
    """Wherever between two messages it strikes."""
    for each in times:
        strike(benches, tmp_path / each, "tracking", "spectrum_analyzer", kind, each, "nth=60")


@pytest.mark.parametrize(
    ("kind", "times"),
    [
        ("silence", "once"),
        *long(
            ("silence", "for ever"),
            *((kind, times) for kind in ("drop-before", "garbage", "restart") for times in TIMES),
        ),
    ],
)
def test_a_fault_of_the_switch(benches, tmp_path, kind, times):
    """While it exchanges through and item."""
    strike(benches, tmp_path, "switch", "switch", kind, times, "on=ROUTe:CLOSe?", "nth=3")
