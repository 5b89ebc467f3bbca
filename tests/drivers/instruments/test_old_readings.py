"""What instruments do that hand over old readings is noticed over TCP, by their drivers and by a
trial of their dialect; an instrument that is idle for a moment after its trigger can be told."""

import re

import numpy as np
import pytest

from drivers.dialects.dialect import load_dialect, wire_settings
from drivers.errors import AnswerError, InputError, InstrumentError, LinkError
from drivers.instruments.dialect_trial import FAILED, GOOD, Trial
from drivers.instruments.network_analyzer import NetworkAnalyzer
from drivers.link.link import Link
from drivers.simulated.launch import SimulatedBenchProcess
from drivers.sweep import RepeatedReadingsError, SuspectSweepError, SweepSettings
from harness.station.starter_files import write_starter

SETTINGS = SweepSettings(2.4e9, 2.5e9, 31, -10.0, 1000.0)
STARTED = "on=INITiate:IMMediate"
READ = "on=TRACe:DATA?"
FOR_EVER = "count=0"


@pytest.fixture(scope="module")
def benches(tmp_path_factory):
    """One whose sweeps take their time, and one whose analyzer measures in one direction."""
    folder = tmp_path_factory.mktemp("benches")
    write_starter(folder)
    text = (folder / "simulated-bench.toml").read_text("utf-8")
    made = {}
    try:
        for name, old, new in (
            ("paced", "pace = 0.0", "pace = 1.0"),
            ("one way", "[analyzer]\n", "[analyzer]\none_way = true\n"),
        ):
            assert old in text
            path = folder / f"{name}.toml"
            path.write_text(text.replace(old, new, 1), "utf-8")
            made[name] = SimulatedBenchProcess(path)
        yield made
    finally:
        for process in made.values():
            process.close()


@pytest.fixture
def hand(benches):
    link = Link(benches["paced"].addresses["hand"])
    link.open()
    link.write("FAULt:CLEar;:CONN:THR")
    yield link
    link.write("FAULt:CLEar")
    link.close()


def arm(hand, *texts):
    hand.write("FAULt:ARM " + ",".join(f'"{text}"' for text in texts))
    assert hand.query("SYST:ERR?") == '0,"No error"'


def changed(folder, *pairs, name="scpi-99-network-analyzer"):
    """The shipped dialect with other words."""
    from drivers.dialects.dialect import dialect_text

    text = dialect_text(name)
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new, 1)
    (folder / "mine.toml").write_text(text, "utf-8")
    return load_dialect("mine.toml", relative_to=folder)


def analyzer(bench, dialect, **options):
    link = Link(bench.addresses["analyzer"], timeout_s=2.0, wire=wire_settings(dialect))
    return NetworkAnalyzer(link, dialect, maximum_power_dbm=0.0, **options)


@pytest.fixture
def ready(benches, tmp_path, request):
    """An analyzer with a band set up and RF on, swept once; RF is off at the end."""
    made = []

    def make(*changes, averages=1):
        dialect = changed(tmp_path, *changes)
        source = analyzer(benches["paced"], dialect)
        made.append(source)
        source.open()
        source.configure(SweepSettings(**{**SETTINGS.__dict__, "averages": averages}))
        source.rf_on()
        source.sweep()
        return source

    yield make
    for source in made:
        source.close()


KINDS = {
    "trigger-ignored": (STARTED, "S11 came as the very same numbers"),
    "half-old-trace": (STARTED, "16 points of S11 in a row, from point 16 on"),
    "late-start": (STARTED, "S11 came as the very same numbers"),
    "answer-before": (READ, "S11 came as the very same numbers"),
    "trace-for-another": (READ, "S11 and S21 came as the very same numbers"),
}


@pytest.mark.parametrize("kind", KINDS)
def test_old_readings_are_an_error_and_the_next_sweep_is_good(hand, ready, kind):
    source = ready()
    where, says = KINDS[kind]
    arm(hand, "analyzer", kind, where)
    with pytest.raises(RepeatedReadingsError, match=says) as raised:
        source.sweep()
    assert raised.value.hint
    source.recover()
    source.rf_on()
    source.sweep()


@pytest.mark.parametrize("kind", ["trigger-ignored", "half-old-trace"])
def test_one_old_sweep_among_those_averaged_here_is_an_error(hand, ready, kind):
    """An instrument without averaging of its own: the mean alone would not show it."""
    table = (
        '[averaging]\non = ["SENSe:AVERage:COUNt {value}", "SENSe:AVERage:STATe ON"]\n'
        'off = ["SENSe:AVERage:STATe OFF"]\nget = "SENSe:AVERage:COUNt?"\n'
    )
    source = ready((table, ""), averages=4)
    arm(hand, "analyzer", kind, STARTED, "nth=3")
    with pytest.raises(RepeatedReadingsError):
        source.sweep()


@pytest.mark.parametrize("kind", KINDS)
def test_a_trial_finds_them(benches, hand, kind):
    arm(hand, "analyzer", kind, KINDS[kind][0], FOR_EVER)
    dialect = load_dialect("scpi-99-network-analyzer")
    steps = Trial(benches["paced"].addresses["analyzer"], dialect, SETTINGS, -10.0).run()
    (failed,) = [step for step in steps if step.verdict == FAILED]
    # the trigger of the next sweep may come while a late one is still being made
    assert re.search(r"very same numbers|in a row|Init ignored", failed.finding)
    assert "dialect" in failed.hint
    assert steps[-1].name == "RF off at the end"


BUSY_FIRST = (
    'start = "INITiate:IMMediate;*OPC"\n'
    'completion = { kind = "event-status-bit", query = "*ESR?", bit = 0 }',
    'start = "INITiate:IMMediate"\n'
    'completion = { kind = "status-condition-bit", bit = 3, busy_first = true }',
)


def test_an_instrument_that_is_idle_for_a_moment_is_waited_for(hand, ready):
    source = ready(BUSY_FIRST)
    arm(hand, "analyzer", "late-start", STARTED, FOR_EVER)
    first, second = source.sweep(), source.sweep()
    assert not np.any(first.readings == second.readings)


def test_one_that_never_begins_is_told(hand, ready):
    source = ready(BUSY_FIRST)
    source.link.timeout_s = 0.3
    arm(hand, "analyzer", "late-start", STARTED, "interval=1 s")
    with pytest.raises(LinkError, match="was not seen to begin") as raised:
        source.sweep()
    assert "busy_first" in raised.value.hint


def test_a_dialect_that_does_not_name_its_trace_is_refused(benches, tmp_path):
    dialect = changed(tmp_path, ("TRACe:DATA? {trace}", "TRACe:DATA? S21"))
    with pytest.raises(InputError, match=r"no command says which.*\{trace\}"):
        analyzer(benches["paced"], dialect)
    one = analyzer(benches["paced"], dialect, traces=("S21",))
    assert one.traces == ("S21",)
    twice = changed(tmp_path, ("[data]", '[data]\nnames = { S11 = "S21" }'))
    with pytest.raises(InputError, match="'S21' to more than one trace"):
        analyzer(benches["paced"], twice)


def test_another_instrument_at_the_address_is_told_with_rf_off(benches, tmp_path):
    """The link is led to another socket, as where an address was given away."""
    source = analyzer(benches["paced"], load_dialect("scpi-99-network-analyzer"))
    source.open()
    source.link.resource = benches["paced"].addresses["spectrum_analyzer"]
    with pytest.raises(AnswerError, match=r"spectrum analyzer.* answers, where it was .*network"):
        source.recover()
    with pytest.raises(InstrumentError, match="RF could not be shown to be off"):
        source.make_safe()
    source.link.resource = benches["paced"].addresses["analyzer"]
    source.recover()
    source.close()


def test_zeros_of_the_other_direction_are_no_readings(benches, tmp_path):
    hand = Link(benches["one way"].addresses["hand"])
    hand.open()
    hand.write("CONN:THR")
    assert hand.query("*OPC?") == "1"
    hand.close()
    dialect = load_dialect("scpi-99-network-analyzer")
    source = analyzer(benches["one way"], dialect)
    source.open()
    source.configure(SETTINGS)
    source.rf_on()
    with pytest.raises(SuspectSweepError, match="S12 and S22 read exactly nothing") as raised:
        source.sweep()
    assert 'traces = ["S11", "S21"]' in raised.value.hint
    source.close()
    forward = analyzer(benches["one way"], dialect, traces=("S11", "S21"))
    forward.open()
    forward.configure(SETTINGS)
    forward.rf_on()
    forward.sweep()
    forward.close()


def test_every_step_of_a_sound_trial_is_good(benches, hand):
    dialect = load_dialect("scpi-99-network-analyzer")
    steps = Trial(benches["paced"].addresses["analyzer"], dialect, SETTINGS, -10.0).run()
    assert [step for step in steps if step.verdict != GOOD] == []
    assert "S21" in next(step.finding for step in steps if step.name == "levels")
