"""One contract for thermometers: that of the simulated bench and one of unlike commands."""

from contextlib import ExitStack

import pytest

from drivers.dialects.dialect import load_dialect, wire_settings
from drivers.errors import AnswerError, InputError, InstrumentError, LinkError
from drivers.instruments.thermometer import Thermometer
from drivers.link.link import Link
from drivers.simulated.launch import SimulatedBenchProcess
from harness.station.starter_files import write_starter
from tests.drivers.scripted_peer import Close, ScriptedPeer
from tests.drivers.serial_bridge import serial_bridge
from tests.drivers.unlike_bench import unlike_bench

UNLIKE = "tests/drivers/unlike_dialects/kelvin.toml"
STANDARD = "scpi-99-thermometer"
KINDS = {
    "standard": (STANDARD, 20.1, 0.05),
    "unlike": (UNLIKE, 23.1, 1e-6),
    "unlike serial": (UNLIKE, 23.1, 1e-6),
}
"""Dialect, and the temperature in °C that is there, within how many K."""


@pytest.fixture(scope="module")
def addresses(tmp_path_factory):
    folder = tmp_path_factory.mktemp("bench")
    write_starter(folder)
    with (
        SimulatedBenchProcess(folder / "simulated-bench.toml") as bench,
        unlike_bench() as unlike,
    ):
        yield {"standard": bench.addresses["thermometer"], "unlike": unlike["kelvin"]}


def thermometer_at(resource, dialect, timeout_s=2.0):
    return Thermometer(Link(resource, timeout_s=timeout_s, wire=wire_settings(dialect)), dialect)


@pytest.fixture(params=KINDS)
def case(request, addresses, pytestconfig):
    """An opened thermometer, and what it ought to read."""
    name, expected_c, within_k = KINDS[request.param]
    dialect = load_dialect(name, relative_to=pytestconfig.rootpath)
    kind, _, serial = request.param.partition(" ")
    with ExitStack() as stack:
        resource = addresses[kind]
        if serial:
            resource = stack.enter_context(serial_bridge(resource))
        thermometer = thermometer_at(resource, dialect)
        stack.callback(thermometer.close)
        assert "Simulated" in thermometer.open()[0]
        yield thermometer, expected_c, within_k


def test_reads_the_temperature_in_celsius(case):
    thermometer, expected_c, within_k = case
    for _ in range(3):
        assert thermometer.read_c() == pytest.approx(expected_c, abs=within_k)
    (told,) = thermometer.instruments()
    assert told["role"] == "thermometer"


def test_what_no_bench_can_have_is_a_broken_sensor(case):
    thermometer, expected_c, _ = case
    reading = thermometer.dialect.reading.model_copy(update={"hottest_c": expected_c - 1.0})
    thermometer.dialect = thermometer.dialect.model_copy(update={"reading": reading})
    with pytest.raises(AnswerError, match="which is no temperature") as told:
        thermometer.read_c()
    assert "sensor" in told.value.hint


def test_a_lost_one_reads_again_on_a_fresh_connection(case):
    """Whoever reads decides what a failure means; the next reading starts afresh."""
    thermometer, expected_c, within_k = case
    thermometer.link._answer_outstanding = True
    assert thermometer.read_c() == pytest.approx(expected_c, abs=within_k)


@pytest.mark.parametrize("answer", [b"9.91E37\n", b"9.9E37\n", b"-2.42E2\n", b"8.5E2\n"])
def test_stand_ins_and_open_sensors_are_not_believed(answer):
    """SCPI-99 volume 1, 7.2.1.4 and 7.2.1.5: infinity and not-a-number."""
    dialect = load_dialect(STANDARD)
    with ScriptedPeer([], [], [], [b'0,"No error"\n'], [answer]) as peer:
        thermometer = thermometer_at(peer.resource, dialect)
        thermometer.open()
        with pytest.raises(AnswerError, match="no temperature"):
            thermometer.read_c()
        thermometer.close()


@pytest.mark.parametrize("answer", [b"warm\n", b"20.1,20.2\n", b"\n"])
def test_answers_that_are_no_reading_are_told(answer):
    dialect = load_dialect(STANDARD)
    with ScriptedPeer([], [], [], [b'0,"No error"\n'], [answer]) as peer:
        thermometer = thermometer_at(peer.resource, dialect)
        thermometer.open()
        with pytest.raises(InstrumentError):
            thermometer.read_c()
        thermometer.close()


def test_one_that_goes_away_is_a_lost_link():
    dialect = load_dialect(STANDARD)
    with ScriptedPeer([], [], [], [b'0,"No error"\n'], [Close]) as peer:
        thermometer = thermometer_at(peer.resource, dialect, timeout_s=0.3)
        thermometer.open()
        with pytest.raises(LinkError):
            thermometer.read_c()
        thermometer.close()


def test_limits_the_wrong_way_round_are_refused(tmp_path):
    path = tmp_path / "mine.toml"
    text = 'role = "thermometer"\nstandard = "none"\nprepare = []\n[reading]\nquery = "T?"\n'
    path.write_text(f'{text}unit = "K"\ncoldest = "60 °C"\nhottest = "-20 °C"\n', "utf-8")
    with pytest.raises(InputError, match="coldest is not below hottest"):
        load_dialect(str(path))
