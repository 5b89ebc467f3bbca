"""Power meter, signal generator and the stepped source on the simulated bench."""

import io
from contextlib import ExitStack, closing
from typing import Any

import numpy as np
import pytest

from drivers.dialects.dialect import load_dialect, wire_settings
from drivers.errors import (
    AnswerError,
    InputError,
    InstrumentError,
    LinkError,
    RefusedError,
)  # fmt: skip
from drivers.instruments.hand import Hand
from drivers.instruments.power_meter import PowerMeter
from drivers.instruments.signal_generator import SignalGenerator
from drivers.instruments.signal_switch import SignalSwitch
from drivers.instruments.stepped_source import SteppedSource
from drivers.link.link import Link
from drivers.link.traffic_log import TrafficLog
from drivers.simulated.launch import SimulatedBenchProcess
from drivers.sweep import SweepSettings
from harness.station.starter_files import write_starter
from tests.harness.set_ups import SWITCH_ON_THE_BENCH

SETTINGS = SweepSettings(1e9, 1.1e9, 5, 0.0, 1000.0)
FLOOR_DBM = -65.0


@pytest.fixture(scope="module")
def process(tmp_path_factory):
    """A bench with a switch."""
    folder = tmp_path_factory.mktemp("bench")
    write_starter(folder)
    path = folder / "simulated-bench.toml"
    text = path.read_text("utf-8")
    path.write_text(text.replace("[leads]", f"{SWITCH_ON_THE_BENCH}\n[leads]"), "utf-8")
    with SimulatedBenchProcess(path) as process:
        yield process


@pytest.fixture
def bench(process):
    """The bench, and what closes it all."""
    with ExitStack() as stack:
        yield process, stack


def linked(bench, name, dialect, log=None):
    process, stack = bench
    link = Link(process.addresses[name], timeout_s=2.0, wire=wire_settings(dialect), log=log)
    stack.callback(link.close)
    return link


@pytest.fixture
def hand(bench):
    process, stack = bench
    hand = stack.enter_context(closing(Hand(Link(process.addresses["hand"]))))
    hand.open()
    hand.connect_through()
    return hand


@pytest.fixture
def switch(bench):
    dialect = load_dialect("scpi-99-signal-switch")
    switch = SignalSwitch(linked(bench, "switch", dialect), dialect)
    switch.open()  # every channel open
    return switch


@pytest.fixture
def generator(bench):
    dialect = load_dialect("scpi-99-signal-generator")
    generator = SignalGenerator(linked(bench, "generator", dialect), dialect, maximum_power_dbm=5.0)
    generator.open()
    yield generator
    if generator.link.in_step:
        generator.rf_off()


@pytest.fixture
def meter(bench):
    dialect = load_dialect("scpi-99-power-meter")
    log = io.StringIO()
    meter: Any = PowerMeter(
        linked(bench, "power_meter", dialect, TrafficLog(log)), dialect, floor_dbm=FLOOR_DBM
    )
    meter.open()
    meter.heard = log
    return meter


def spoiled(instrument, table, **changes):
    """The instrument's dialect with one table changed."""
    changed = getattr(instrument.dialect, table).model_copy(update=changes)
    instrument.dialect = instrument.dialect.model_copy(update={table: changed})


def test_the_level_has_a_ceiling_and_is_read_back(generator):
    before = generator.link.query("SOURce:POWer?")
    with pytest.raises(InputError, match="nothing was sent"):
        generator.set_level(5.01)
    assert generator.link.query("SOURce:POWer?") == before
    generator.set_level(-3.0)
    assert float(generator.link.query("SOURce:POWer?")) == -3.0
    stated = generator.dialect.settings.power_dbm.model_copy(update={"get": "SOURce:FREQuency?"})
    spoiled(generator, "settings", power_dbm=stated)
    with pytest.raises(AnswerError, match=r"power_dbm was set to -3\.0 but"):
        generator.set_level(-3.0)


def test_the_meter_reads_what_the_generator_sends(generator, meter, switch, hand):
    switch.select("101")
    generator.set_level(0.0)
    generator.set_frequency(1e9)
    meter.set_frequency(1e9)
    meter.zero()
    meter.set_averages(8)
    generator.rf_on()
    reading = meter.read()
    generator.rf_off()
    # two pads of 10 dB, leads and switch
    assert -24.0 < 10.0 * np.log10(reading.milliwatts) < -20.0
    assert not reading.overloaded
    assert abs(meter.read().milliwatts) < 1e-6


def test_zeroing_with_the_source_on_is_refused(generator, meter, switch, hand):
    switch.select("101")
    generator.set_level(0.0)
    generator.rf_on()
    with pytest.raises(RefusedError, match="is the source off"):
        meter.zero()


def test_averages_by_the_driver_are_of_power(meter):
    """About zero half of the readings are negative; their mean is nearer to it than one."""
    meter.dialect = meter.dialect.model_copy(update={"averaging": None})
    meter.zero()
    meter.set_averages(16)
    before = meter.heard.getvalue().count("FETCh?")
    meter.read()
    assert meter.heard.getvalue().count("FETCh?") == before + 16


def test_a_reading_that_never_ends_is_told_in_time(meter):
    spoiled(meter, "reading", start=("*CLS",))
    meter.link.timeout_s = 0.2
    with pytest.raises(LinkError, match="a reading that should take 0 s was not finished"):
        meter.read()


def test_stepping_zeroes_with_the_source_off_before_each_band(generator, meter, switch, hand):
    switch.select("101")
    source = SteppedSource(generator, meter)
    source.open()
    zeroings = meter.heard.getvalue().count("ZERO:AUTO")
    source.configure(SETTINGS)
    source.rf_on()
    source.sweep()
    assert meter.heard.getvalue().count("ZERO:AUTO") == zeroings + 1
    assert meter.heard.getvalue().count("SENSe:FREQuency:CW 10") >= SETTINGS.points
    source.configure(SweepSettings(2e9, 2.1e9, 5, 0.0, 1000.0))
    assert meter.heard.getvalue().count("ZERO:AUTO") == zeroings + 2
    assert not generator.rf_state()


def test_readings_below_the_floor_stand_at_it_with_a_remark(generator, meter, switch, hand):
    """Nothing is connected: no channel of the switch is closed."""
    source = SteppedSource(generator, meter)
    source.open()
    source.configure(SETTINGS)
    source.rf_on()
    sweep = source.sweep()
    assert sweep.remarks[0].startswith("5 of 5 points are at or below the power meter's floor")
    level_dbm = 20.0 * np.log10(np.abs(sweep.readings[0])) + SETTINGS.power_dbm
    assert level_dbm == pytest.approx(FLOOR_DBM)


def test_losing_the_meter_leaves_the_source_off(generator, meter, switch, hand):
    source = SteppedSource(generator, meter)
    source.open()
    source.configure(SETTINGS)
    source.rf_on()
    meter.link.close()
    with pytest.raises(LinkError):
        source.sweep()
    source.make_safe()
    assert not generator.rf_state()
    source.configure(SETTINGS)
    source.rf_on()
    source.sweep()
    source.rf_off()


def test_losing_the_generator_warns_that_rf_may_be_on(start_bench):
    process = start_bench()
    with ExitStack() as stack:
        words = load_dialect("scpi-99-signal-generator")
        generator = SignalGenerator(
            linked((process, stack), "generator", words), words, maximum_power_dbm=5.0
        )
        words = load_dialect("scpi-99-power-meter")
        source = SteppedSource(
            generator, PowerMeter(linked((process, stack), "power_meter", words), words)
        )
        source.open()
        source.rf_on()
        process.close()
        with pytest.raises(InstrumentError, match="RF may be ON"):
            source.close()
