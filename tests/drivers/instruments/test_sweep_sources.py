"""One contract for whatever sweeps: every set-up, unlike dialects, over TCP and a serial line."""

import io
from contextlib import ExitStack
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from drivers.errors import AnswerError, InputError, InstrumentError, RefusedError
from drivers.instruments.hand import Hand
from drivers.link.link import Link
from drivers.link.traffic_log import TrafficLog
from drivers.recorded import read_recording
from drivers.simulated.launch import SimulatedBenchProcess
from drivers.sweep import SCALAR, SuspectSweepError, SweepSettings, require_usable
from harness.station.starter_files import write_starter
from tests.drivers.sweep_cases import CEILING_DBM, KINDS, UNLIKE, Case, made
from tests.drivers.unlike import line_response
from tests.drivers.unlike_bench import unlike_bench
from tests.long_cases import long

SETTINGS = SweepSettings(2.4e9, 2.48e9, 51, -10.0, 1000.0)


IN_OTHER_WORDS = [kind for kind in KINDS if kind.startswith(UNLIKE) or "unlike" in kind]


@pytest.fixture(scope="module")
def addresses(tmp_path_factory):
    """Every simulated instrument: those of the bench with the leads joined, and the unlike ones."""
    folder = tmp_path_factory.mktemp("bench")
    write_starter(folder)
    with ExitStack() as stack:
        bench = stack.enter_context(SimulatedBenchProcess(folder / "simulated-bench.toml"))
        unlike = stack.enter_context(unlike_bench())
        hand = Hand(Link(bench.addresses["hand"]))
        hand.open()
        hand.connect_through()
        hand.close()
        yield {**bench.addresses, **unlike}


QUICK = ("vector", "stepped", "tracking unlike", "centre-span serial", "listed")


@pytest.fixture(params=[*QUICK, *long(*(kind for kind in KINDS if kind not in QUICK))])
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
    require_asked_for(sweep)


def require_asked_for(sweep):
    """That a sweep, whatever it comes from, is one of `SETTINGS`."""
    assert sweep.readings.shape == (len(sweep.traces), SETTINGS.points)
    assert sweep.readings.dtype == np.complex128
    assert sweep.frequency_hz == pytest.approx(SETTINGS.frequency_hz())
    assert not sweep.overloaded
    assert sweep.remarks == ()
    is_scalar = sweep.traces == SCALAR
    transmission = sweep.readings[sweep.traces.index(SCALAR[0] if is_scalar else "S21")]
    # two pads of 10 dB and the leads on the bench; 20 dB exactly in the unlike analyzers
    assert np.all((np.abs(transmission) > 0.03) & (np.abs(transmission) < 0.11))
    if is_scalar:
        assert np.all(transmission.imag == 0.0)
        assert np.all(transmission.real >= 0.0)


@pytest.mark.parametrize(
    "case",
    [
        *(n for n in IN_OTHER_WORDS if "serial" not in n),
        *long(*(n for n in IN_OTHER_WORDS if "serial" in n)),
    ],
    indirect=True,
)
def test_unlike_words_give_the_same_numbers(case):
    """Against the response that the analyzers are declared to have, but for their noise."""
    case.source.configure(SETTINGS)
    case.source.rf_on()
    sweep = case.source.sweep()
    for trace, readings in zip(sweep.traces, sweep.readings, strict=True):
        expected = line_response("S21" if case.is_scalar() else trace, SETTINGS.frequency_hz())
        expected = np.abs(expected) if case.is_scalar() else expected
        assert readings == pytest.approx(expected, rel=1e-5)


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
    inner = case.switch()
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
    source.source_link.write(case.switch().safe_commands[-1])
    with pytest.raises(AnswerError, match="RF was found off") as raised:
        source.sweep()
    error: Any = raised.value
    assert error.sweep.readings.shape == (len(source.traces), SETTINGS.points)


def test_settings_in_force_are_confirmed_with_questions_only(case):
    source = case.source
    with pytest.raises(InstrumentError, match="before a band was set up"):
        source.confirm()
    source.configure(replace(SETTINGS, averages=2))
    source.confirm()
    source.rf_on()
    source.sweep()
    said = len(case.traffic.getvalue())
    source.confirm()
    source.confirm()
    asked = [line.split("  ->  ")[1] for line in case.traffic.getvalue()[said:].splitlines()
             if "  ->  " in line]  # fmt: skip
    assert asked
    assert all(question.endswith("?") for question in asked)
    assert case.rf_is_on()
    source.sweep()


def test_what_was_changed_by_hand_is_found(case):
    """Every setting that is read back, one after the other, on the link that nobody looks at."""
    source = case.source
    source.configure(replace(SETTINGS, averages=2))
    source.rf_on()
    sweep = source.sweep()
    source.confirm()
    for link, name, change, put_back in changes_by_hand(case):
        link.write(change)
        with pytest.raises(SuspectSweepError, match="not what they were set to any more") as raised:
            source.confirm()
        assert name in raised.value.what
        assert raised.value.sweep is not None
        assert raised.value.sweep.time == sweep.time
        link.write(put_back)
        source.confirm()
    rf = case.switch().dialect.rf
    source.source_link.write(rf.off)
    with pytest.raises(SuspectSweepError, match="RF was switched on but"):
        source.confirm()
    source.recover()
    source.confirm()
    source.source_link.write(rf.on)
    with pytest.raises(AnswerError, match="RF was switched off but"):
        source.confirm()
    source.rf_off()


def changes_by_hand(case):
    """Link, name, a command that changes the setting and one that puts it back."""
    other = {
        "power_dbm": -12.0, "start_hz": 2.41e9, "stop_hz": 2.47e9, "centre_hz": 2.45e9,
        "span_hz": 70e6, "points": 11, "if_bandwidth_hz": 300.0, "reference_dbm": -20.0,
        "frequency_hz": 2.46e9,
    }  # fmt: skip
    now = {
        "power_dbm": -10.0, "start_hz": 2.4e9, "stop_hz": 2.48e9, "centre_hz": 2.44e9,
        "span_hz": 80e6, "points": 51, "if_bandwidth_hz": 1000.0, "reference_dbm": -10.0,
        "frequency_hz": 2.48e9,
    }  # fmt: skip
    inner = [case.switch(), *([case.source.meter] if hasattr(case.source, "meter") else [])]
    found = 0
    for instrument in inner:
        for name, value in other.items():
            setting = getattr(instrument.dialect.settings, name, None)
            if setting is not None and setting.get is not None:
                found += 1
                yield instrument.link, name, setting.message(value), setting.message(now[name])
        stated = getattr(instrument.dialect, "averaging", None)
        if stated is not None and stated.get is not None:
            one, two = (stated.on[0].format(value=count) for count in (3, 2))
            yield instrument.link, "averages", one, two
        if instrument.dialect.role == "network analyzer" and instrument.dialect.data.axis:
            spacing = instrument.dialect.spacing
            yield instrument.link, "point 2 should be", spacing.logarithmic[0], spacing.linear[0]
    assert found


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


@pytest.mark.parametrize("case", ["vector", *long("vector S21", "centre-span")], indirect=True)
@pytest.mark.parametrize("ports", [1, 2])
@pytest.mark.parametrize(
    ("form", "unit", "unit_hz"), [("ri", "Hz", 1.0), ("ma", "MHz", 1e6), ("db", "GHz", 1e9)]
)
def test_files_of_a_sweep_end_in_the_same_sweep(case, tmp_path, ports, form, unit, unit_hz):
    """Written by scikit-rf as Touchstone 1.1, as by an instrument without a remote port.

    The file reaches beyond the band at both ends.
    """
    import skrf

    case.source.configure(SETTINGS)
    case.source.rf_on()
    sweep = case.source.sweep()
    readings = dict(zip(sweep.traces, sweep.readings, strict=True))
    nothing = np.full(SETTINGS.points, 1e-3, complex)
    if ports == 1:
        rows = [[readings["S21"]]]
    else:
        rows = [[readings.get(f"S{out}{into}", nothing) for into in (1, 2)] for out in (1, 2)]
    s = np.pad(np.transpose(rows, (2, 0, 1)), ((1, 1), (0, 0), (0, 0)), constant_values=2.0)
    frequency_hz = np.array([1e9, *sweep.frequency_hz, 3e9])
    network = skrf.Network(f=frequency_hz / unit_hz, s=s, f_unit=unit)
    network.write_touchstone("through", dir=tmp_path, form=form)
    recording = read_recording(
        tmp_path / f"through.s{ports}p", transmission="S21" if ports == 2 else "S11"
    )
    again = recording.within(SETTINGS.start_hz, SETTINGS.stop_hz, sweep.time)
    require_asked_for(again)
    require_usable(again, "the file")
    assert again.time == sweep.time
    assert set(again.traces) == ({"S21"} if ports == 1 else {"S11", "S21", "S12", "S22"})
    for name in set(again.traces) & set(readings):
        assert again.readings[again.traces.index(name)] == pytest.approx(readings[name], rel=1e-9)
