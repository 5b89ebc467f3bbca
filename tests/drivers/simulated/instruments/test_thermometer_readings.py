"""The simulated thermometer: the bench's temperature, with the errors that its table states."""

import numpy as np
import pytest

CALM = {"noise": "0 K", "offset": "0.3 K", "resolution": "0.05 K"}
WARMING = {"start": "20 °C", "ramp_per_hour": "2 °C"}


def test_follows_the_bench_in_its_own_time(rig):
    built = rig({"temperature": WARMING, "thermometer": CALM})
    for elapsed_s, expected_c in ((0.0, 20.3), (3600.0, 22.3), (5400.0, 23.3)):
        built.bench.elapsed_s = elapsed_s
        assert float(built.ask("thermometer", "MEAS:TEMP?")) == pytest.approx(expected_c)


def test_noise_and_resolution_are_as_stated(rig):
    built = rig({"thermometer": {"noise": "0.2 K", "offset": "0 K", "resolution": "0.05 K"}})
    read_c = np.array([float(built.ask("thermometer", "MEAS:TEMP?")) for _ in range(400)])
    assert np.allclose(read_c / 0.05, np.round(read_c / 0.05))
    # the standard deviation of 400 readings is within 4 x 0.2 / sqrt(800)
    assert np.std(read_c) == pytest.approx(0.2, abs=0.03)
    assert np.mean(read_c) == pytest.approx(20.0, abs=0.04)


@pytest.mark.parametrize(
    ("word", "short", "reads"),
    [("CEL", "C", 20.3), ("K", "K", 293.45), ("FAR", "F", 68.54), ("C", "C", 20.3)],
)
def test_units(rig, word, short, reads):
    """Kelvin: SI Brochure, 9th edition, 2.3.1. Fahrenheit: NIST SP 811, B.8, from memory."""
    built = rig({"thermometer": CALM})
    built.ask("thermometer", f"UNIT:TEMP {word}")
    assert built.ask("thermometer", "UNIT:TEMP?") == short
    assert float(built.ask("thermometer", "MEASure:SCALar:TEMPerature?")) == pytest.approx(reads)
    built.ask("thermometer", "*RST")
    assert built.ask("thermometer", "UNIT:TEMP?") == "C"
    assert built.errors("thermometer") == []


def test_readings_take_their_time(rig):
    built = rig({"thermometer": {"reading_time": "0.5 s"}})
    for _ in range(4):
        built.ask("thermometer", "MEAS:TEMP?")
    assert built.bench.elapsed_s == 2.0
