"""A station connected: its thermometer, and a simulated bench that goes on after a stop."""

import pytest

from drivers.errors import InputError
from drivers.stop_signals import StopSignals
from harness.running.bench_start import BenchStart
from harness.running.connected import connect
from harness.running.station_check import check_files
from harness.station.items import read_workplace
from tests.harness.set_ups import on_the_bench, replace

THERMOMETER = on_the_bench("thermometer")
UNCERTAINTY_K = 0.5


@pytest.fixture
def workplace(workplace_folder):
    """A station with a thermometer, on a bench whose temperature is known."""
    replace(workplace_folder / "station.toml", ("\n[leads]", f"{THERMOMETER}\n[leads]"))
    return read_workplace(workplace_folder / "station.toml", workplace_folder / "items.toml")


@pytest.fixture
def stop():
    with StopSignals() as signals:
        yield signals


def test_a_bench_without_one_is_told_before_anything_starts(workplace, workplace_folder):
    bench = workplace_folder / "simulated-bench.toml"
    text = bench.read_text("utf-8")
    start = text.index("[thermometer]")
    bench.write_text(text[:start] + text[text.index("\n\n", start) :], "utf-8")
    with pytest.raises(InputError, match="thermometer: is not described"):
        check_files(workplace, [])


def test_a_bench_that_goes_on_has_its_clock_and_thermometer_and_other_chance(workplace, stop):
    assert workplace.station.thermometer.uncertainty_k == UNCERTAINTY_K
    settings = workplace.station.settings("satellite")

    def used(goes_on):
        """Which start it was, when it began, what it read with the leads joined, when it ended."""
        with connect(workplace, stop, goes_on=goes_on) as connected:
            assert connected.thermometer.read_c() == pytest.approx(20.0, abs=UNCERTAINTY_K)
            assert "thermometer" in [each["role"] for each in connected.instruments]
            if goes_on is not None:
                connected.hand.advance_to(ended)
            begun = connected.clock()
            connected.hand.connect_through()
            connected.source.configure(settings)
            connected.source.rf_on()
            readings = connected.source.sweep().readings
            connected.source.rf_off()
            return connected.bench_start, begun, readings, connected.clock()

    start, begun, first, ended = used(None)
    assert start.number == 1
    assert start.first_started == pytest.approx(begun, abs=1.0)
    again, begun, second, _ = used(BenchStart(start.first_started, 2))
    assert again == (start.first_started, 2)
    assert begun >= ended
    assert (first != second).all()
