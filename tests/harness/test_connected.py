"""A station connected: its thermometer, and a simulated bench that goes on after a stop."""

import pytest

from drivers.errors import InputError
from harness.connected import BenchStart, check_files, connect
from harness.interrupts import StopSignals
from harness.items import read_workplace
from harness.run_analysis import read_run
from tests.harness.set_ups import on_the_bench, replace
from tests.harness.short_run import carry_out

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


def test_the_thermometer_is_opened_and_told_of(workplace, stop):
    assert workplace.station.thermometer.uncertainty_k == UNCERTAINTY_K
    check_files(workplace, [])
    with connect(workplace, stop) as connected:
        assert connected.thermometer.read_c() == pytest.approx(20.0, abs=UNCERTAINTY_K)
        assert "thermometer" in [each["role"] for each in connected.instruments]


def test_a_station_without_one_has_none(workplace_folder, stop):
    files = (workplace_folder / "station.toml", workplace_folder / "items.toml")
    with connect(read_workplace(*files), stop) as connected:
        assert connected.thermometer is None
        assert "thermometer" not in [each["role"] for each in connected.instruments]


def test_a_bench_without_one_is_told_before_anything_starts(workplace, workplace_folder):
    bench = workplace_folder / "simulated-bench.toml"
    text = bench.read_text("utf-8")
    start = text.index("[thermometer]")
    bench.write_text(text[:start] + text[text.index("\n\n", start) :], "utf-8")
    with pytest.raises(InputError, match="thermometer: is not described"):
        check_files(workplace, [])


def test_a_run_with_a_thermometer_is_a_run_as_any_other(workplace, workplace_folder):
    (path,) = carry_out(workplace, workplace_folder / "results")
    run = read_run(path)
    assert run.station["thermometer"]["uncertainty_k"] == UNCERTAINTY_K
    assert "Simulated thermometer" in str(run.instruments)
    assert set(run.bands) == set(workplace.station.bands)


def test_a_bench_that_goes_on_has_its_clock_and_other_chance(workplace, stop):
    settings = workplace.station.settings("satellite")

    def used(goes_on):
        """When it began, what it read with the leads joined twice, and when it ended."""
        with connect(workplace, stop, goes_on=goes_on) as connected:
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
