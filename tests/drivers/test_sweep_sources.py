"""One contract for whatever sweeps: every set-up, unlike dialects, over TCP and a serial line."""

import io
import json
import subprocess
import sys
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest

from drivers.dialect import (
    NetworkAnalyzerDialect,
    PowerMeterDialect,
    SignalGeneratorDialect,
    SpectrumAnalyzerDialect,
    load_dialect,
    wire_settings,
)
from drivers.errors import AnswerError, InputError, InstrumentError, RefusedError
from drivers.hand import Hand
from drivers.link import Link
from drivers.network_analyzer import NetworkAnalyzer
from drivers.power_meter import PowerMeter
from drivers.recorded import read_recording
from drivers.signal_generator import SignalGenerator
from drivers.simulated.launch import SimulatedBenchProcess
from drivers.spectrum_analyzer import TrackingSpectrumAnalyzer
from drivers.stepped_source import SteppedSource
from drivers.sweep import SCALAR, SweepSettings, require_usable
from drivers.tracking_source import TrackingSource
from drivers.traffic_log import TrafficLog
from harness.starter_files import write_starter
from tests.drivers.serial_bridge import serial_bridge
from tests.drivers.unlike import line_response

HERE = Path(__file__).parent
UNLIKE = ("centre-span", "plain-text", "listed")
SETTINGS = SweepSettings(2.4e9, 2.48e9, 51, -10.0, 1000.0)
CEILING_DBM = 0.0
ABOVE_ANY_SOURCE_DBM = 60.0


@dataclass
class Case:
    """A source, and how to look at it from outside."""

    source: object
    traffic: io.StringIO
    rf_query: str
    rf_on: tuple[str, ...]
    can_be_logarithmic: bool

    def rf_is_on(self):
        """What another client sees; on a serial line there is only this one."""
        link = self.source.source_link
        if link.resource.startswith("ASRL"):
            return link.query(self.rf_query) in self.rf_on
        other = Link(link.resource)
        other.open()
        answer = other.query(self.rf_query)
        other.close()
        return answer in self.rf_on

    def sent(self):
        """How many messages went out so far."""
        return self.traffic.getvalue().count("  ->  ")

    def is_scalar(self):
        return self.source.traces == SCALAR


@pytest.fixture(scope="module")
def addresses(tmp_path_factory):
    """Every simulated instrument: those of the bench with the leads joined, and the unlike ones."""
    folder = tmp_path_factory.mktemp("bench")
    write_starter(folder)
    with ExitStack() as stack:
        bench = stack.enter_context(SimulatedBenchProcess(folder / "simulated-bench.toml"))
        unlike = subprocess.Popen(
            [sys.executable, HERE / "unlike.py"], stdin=subprocess.PIPE, stdout=subprocess.PIPE
        )
        stack.callback(unlike.wait, 10)
        stack.callback(unlike.stdout.close)
        stack.callback(unlike.stdin.close)
        hand = Hand(Link(bench.addresses["hand"]))
        hand.open()
        hand.connect_through()
        hand.close()
        yield {**bench.addresses, **json.loads(unlike.stdout.readline())}


def linked(resource, dialect, log):
    return Link(resource, timeout_s=2.0, wire=wire_settings(dialect), log=log)


def analyzer(resource, name, log, folder=Path(), **options):
    dialect = load_dialect(name, NetworkAnalyzerDialect, relative_to=folder)
    return NetworkAnalyzer(
        linked(resource, dialect, log), dialect, maximum_power_dbm=CEILING_DBM, **options
    )


def made(kind, addresses, log, stack):
    """A source of the named kind, not opened yet."""
    if kind in ("vector", "vector S21", "vector serial"):
        resource = addresses["analyzer"]
        if kind.endswith("serial"):
            resource = stack.enter_context(serial_bridge(resource))
        options = {"traces": ("S21",)} if kind.endswith("S21") else {}
        return analyzer(resource, "scpi-99-network-analyzer", log, **options)
    if kind == "stepped":
        words = load_dialect("scpi-99-signal-generator", SignalGeneratorDialect)
        generator = SignalGenerator(
            linked(addresses["generator"], words, log), words, maximum_power_dbm=CEILING_DBM
        )
        words = load_dialect("scpi-99-power-meter", PowerMeterDialect)
        meter = PowerMeter(linked(addresses["power_meter"], words, log), words, floor_dbm=-65.0)
        return SteppedSource(generator, meter)
    if kind == "tracking":
        words = load_dialect("scpi-99-spectrum-analyzer", SpectrumAnalyzerDialect)
        link = linked(addresses["spectrum_analyzer"], words, log)
        return TrackingSource(TrackingSpectrumAnalyzer(link, words, maximum_power_dbm=CEILING_DBM))
    name, _, serial = kind.partition(" ")
    resource = addresses[name]
    if serial:
        resource = stack.enter_context(serial_bridge(resource))
    return analyzer(resource, f"{name}.toml", log, HERE / "unlike_dialects")


KINDS = (
    "vector", "vector S21", "vector serial", "stepped", "tracking",
    *UNLIKE, *(f"{name} serial" for name in UNLIKE),
)  # fmt: skip


@pytest.fixture(params=KINDS)
def case(request, addresses):
    """Every kind of source, opened; RF is off when the test is over."""
    traffic = io.StringIO()
    with ExitStack() as stack:
        source = made(request.param, addresses, TrafficLog(traffic), stack)
        rf = (source.analyzer if hasattr(source, "analyzer") else
              getattr(source, "generator", source)).dialect.rf  # fmt: skip
        stack.callback(source.close)
        opened = source.open()
        assert all("Simulated" in identity for identity in opened)
        yield Case(
            source,
            traffic,
            rf.state,
            rf.answers_on,
            request.param.startswith(("stepped", "plain-text", "listed")),
        )


def test_opened_means_identified_and_rf_off(case):
    assert not case.rf_is_on()
    listed = case.source.instruments()
    assert all(set(one) == {"role", "resource", "identity"} for one in listed)
    assert all("Simulated" in one["identity"] for one in listed)


def test_nothing_sweeps_before_a_band_is_set_up(case):
    with pytest.raises(InstrumentError, match="before a band was set up"):
        case.source.sweep()


def test_a_sweep_is_what_was_asked_for(case):
    source = case.source
    source.configure(SETTINGS)
    assert not case.rf_is_on()
    source.rf_on()
    assert case.rf_is_on()
    sweep = source.sweep()
    source.rf_off()
    assert not case.rf_is_on()
    assert sweep.traces == source.traces
    assert sweep.readings.shape == (len(source.traces), SETTINGS.points)
    assert sweep.readings.dtype == np.complex128
    assert sweep.frequency_hz == pytest.approx(SETTINGS.frequency_hz())
    assert not sweep.overloaded
    assert sweep.remarks == ()
    transmission = sweep.readings[sweep.traces.index(SCALAR[0] if case.is_scalar() else "S21")]
    # two pads of 10 dB and the leads on the bench; 20 dB exactly in the unlike analyzers
    assert np.all((np.abs(transmission) > 0.03) & (np.abs(transmission) < 0.11))
    if case.is_scalar():
        assert np.all(transmission.imag == 0.0)
        assert np.all(transmission.real >= 0.0)


@pytest.mark.parametrize("case", [n for n in KINDS if n.startswith(UNLIKE)], indirect=True)
def test_unlike_words_give_the_same_numbers(case):
    """Against the response that the analyzers are declared to have, at single precision."""
    case.source.configure(SETTINGS)
    case.source.rf_on()
    sweep = case.source.sweep()
    for trace, readings in zip(sweep.traces, sweep.readings, strict=True):
        expected = line_response("S21" if case.is_scalar() else trace, SETTINGS.frequency_hz())
        expected = np.abs(expected) if case.is_scalar() else expected
        assert readings == pytest.approx(expected, rel=2e-6)


def test_power_above_the_ceiling_is_never_sent(case):
    before = case.sent()
    with pytest.raises(InputError, match=r"above the station's maximum.*nothing was sent"):
        case.source.configure(replace(SETTINGS, power_dbm=CEILING_DBM + 0.1))
    with pytest.raises(InputError, match="nothing was sent"):
        case.source.configure(replace(SETTINGS, power_dbm=float("nan")))
    assert case.sent() == before


def test_a_band_that_stands_is_not_set_up_again(case):
    case.source.configure(SETTINGS)
    before = case.sent()
    case.source.configure(replace(SETTINGS))
    assert case.sent() == before


def test_what_the_instrument_cannot_do_is_no_band(case):
    """Refused by the dialect, by the instrument in its own words, or read back as another value."""
    beyond = replace(SETTINGS, start_hz=90e9, stop_hz=99e9)
    with pytest.raises((InputError, RefusedError, AnswerError)):
        case.source.configure(beyond)
    with pytest.raises(InstrumentError, match="before a band was set up"):
        case.source.sweep()
    case.source.configure(SETTINGS)


def test_a_level_that_is_read_back_otherwise_is_no_band(case):
    """As if the instrument told twice the level that was set."""
    source = case.source
    inner = source.analyzer if hasattr(source, "analyzer") else getattr(source, "generator", source)
    told = inner.dialect.settings.power_dbm.model_copy(update={"answer_scale": 2.0})
    settings = inner.dialect.settings.model_copy(update={"power_dbm": told})
    inner.dialect = inner.dialect.model_copy(update={"settings": settings})
    with pytest.raises(AnswerError, match=r"power_dbm was set to -10\.0 but"):
        source.configure(SETTINGS)
    assert not case.rf_is_on()
    with pytest.raises(InstrumentError, match="before a band was set up"):
        source.sweep()


def test_averages_are_made_somewhere(case):
    averaged = replace(SETTINGS, averages=3, points=11)
    case.source.configure(averaged)
    case.source.rf_on()
    sweep = case.source.sweep()
    assert sweep.readings.shape[1] == 11
    case.source.configure(replace(averaged, averages=1))
    assert not case.rf_is_on()


def test_logarithmic_points_or_a_clear_refusal(case):
    settings = replace(SETTINGS, start_hz=1e9, stop_hz=4e9, points=11, spacing="logarithmic")
    before = case.sent()
    if not case.can_be_logarithmic:
        with pytest.raises(InputError, match="nothing was sent"):
            case.source.configure(settings)
        assert case.sent() == before
        return
    case.source.configure(settings)
    case.source.rf_on()
    sweep = case.source.sweep()
    # equal ratios from each point to the next
    assert np.diff(np.log(sweep.frequency_hz)) == pytest.approx(np.log(4.0) / 10)


def test_a_lost_link_is_recovered_with_the_band_set_up(case):
    source = case.source
    source.configure(SETTINGS)
    source.rf_on()
    before = source.sweep()
    source.source_link.close()
    with pytest.raises(InstrumentError):
        source.sweep()
    source.recover()
    assert not case.rf_is_on()
    source.rf_on()
    after = source.sweep()
    assert np.abs(after.readings) == pytest.approx(np.abs(before.readings), rel=0.02, abs=1e-3)


def test_rf_that_went_off_by_itself_is_noticed(case):
    source = case.source
    source.configure(SETTINGS)
    source.rf_on()
    switch = (
        source.analyzer if hasattr(source, "analyzer") else getattr(source, "generator", source)
    )
    source.source_link.write(switch.safe_commands[-1])
    with pytest.raises(AnswerError, match="RF was found off") as raised:
        source.sweep()
    assert raised.value.sweep.readings.shape == (len(source.traces), SETTINGS.points)


def test_made_safe_when_out_of_step(case):
    source = case.source
    source.configure(SETTINGS)
    source.rf_on()
    source.source_link._answer_outstanding = True
    source.make_safe()
    assert not case.rf_is_on()
    with pytest.raises(InstrumentError, match="before a band was set up"):
        source.sweep()
    source.configure(SETTINGS)
    source.rf_on()
    source.sweep()


@pytest.mark.parametrize("case", ["vector", "vector S21"], indirect=True)
def test_files_of_a_sweep_end_in_the_same_sweep(case, tmp_path):
    """Written by scikit-rf as Touchstone 1.1, as an instrument without a remote port would."""
    import skrf

    case.source.configure(SETTINGS)
    case.source.rf_on()
    sweep = case.source.sweep()
    readings = dict(zip(sweep.traces, sweep.readings, strict=True))
    nothing = np.full(SETTINGS.points, 1e-3, complex)
    s = [[readings.get(f"S{out}{into}", nothing) for into in (1, 2)] for out in (1, 2)]
    network = skrf.Network(f=sweep.frequency_hz, s=np.transpose(s, (2, 0, 1)), f_unit="hz")
    network.write_touchstone("through", dir=tmp_path)
    read = read_recording(tmp_path / "through.s2p")
    again = read.within(SETTINGS.start_hz, SETTINGS.stop_hz, sweep.time)
    assert again.frequency_hz == pytest.approx(sweep.frequency_hz)
    for name, values in readings.items():
        assert again.readings[again.traces.index(name)] == pytest.approx(values, rel=1e-9)
    require_usable(again, "the file")
