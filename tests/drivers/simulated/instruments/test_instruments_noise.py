"""Every noise and error process is what its declaration says.

Sample variances are compared with the declared ones by the chi-square distribution, two-sided
at 99.9 % confidence (ISO 2854-1976, from memory); seeds are fixed, so that nothing is left to
chance once a test has passed.
"""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import chi2

from drivers.simulated.instruments.receiver import LevelError, compression_db
from tests.long_cases import long

CONFIDENCE = 0.999
QUIET = {
    "drift": None,
    "trace_noise": "0 dB",
    "noise_floor": "-250 dBm",
    "linearity": "0 dB",
}
STILL = {"flexure_length": "0 mm", "flexure_resistance": 0.0}


def assert_variance(measured: float, declared: float, degrees_of_freedom: int) -> None:
    ratio = measured / declared
    lowest, highest = chi2.interval(CONFIDENCE, degrees_of_freedom) / np.array(degrees_of_freedom)
    assert lowest < ratio < highest


def quiet_rig(rig, **changes):
    """A bench without any error but those that are given by instrument."""
    tables = {
        "analyzer": QUIET | {"isolation": None, "directivity": None, "reflection_tracking": "0 dB"},
        "generator": {"drift": None, "level_error": "0 dB", "settling_time": "0 s"},
        "power_meter": QUIET | {"zero_offset": None, "zero_drift": None, "time_constant": "0 s"},
        "spectrum_analyzer": QUIET | {"isolation": None, "log_range": "250 dB"},
        "leads": STILL,
    }
    for instrument, change in changes.items():
        tables[instrument] = tables[instrument] | change
    return rig(tables)


def spread_over_sweeps(readings_db: np.ndarray) -> tuple[float, int]:
    """Pooled variance over sweeps (S, P) of each point, and its degrees of freedom."""
    sweeps, points = readings_db.shape
    return float(np.mean(np.var(readings_db, axis=0, ddof=1))), (sweeps - 1) * points


def analyzer_sweeps(built, sweeps, trace="S21"):
    readings = []
    for _ in range(sweeps):
        built.ask("analyzer", "INIT")
        values = built.numbers("analyzer", f"TRAC? {trace}")
        readings.append(values[0::2] + 1j * values[1::2])
    return np.array(readings)


@pytest.mark.parametrize(("bandwidth_hz", "count"), [(1e3, 1), (1e4, 1), (1e3, 16), (10.0, 4)])
def test_trace_noise_of_the_analyzer(rig, bandwidth_hz, count):
    built = quiet_rig(rig, analyzer={"trace_noise": "0.01 dB"})
    built.ask("hand", "CONN:THR")
    built.ask("analyzer", f"BAND {bandwidth_hz};:AVER:COUN {count};STAT ON;:OUTP ON;:SWE:POIN 101")
    readings_db = 20.0 * np.log10(np.abs(analyzer_sweeps(built, 20)))
    variance, freedom = spread_over_sweeps(readings_db)
    assert_variance(variance, 0.01**2 * bandwidth_hz / 1e3 / count, freedom)


@pytest.mark.parametrize(("bandwidth_hz", "count"), [(1e3, 1), (1e5, 1), (1e3, 25)])
def test_noise_floor_of_the_analyzer(rig, bandwidth_hz, count):
    """Mean power of the floor, whatever the source would send."""
    built = quiet_rig(rig, analyzer={"noise_floor": "-100 dBm"})
    built.ask("analyzer", f"BAND {bandwidth_hz};:AVER:COUN {count};STAT ON;:SOUR:POW 5")
    readings = analyzer_sweeps(built, 10, "S12")
    floor_dbm = -100.0 + 10.0 * np.log10(bandwidth_hz / 1e3 / count)
    mean_power = np.mean(np.abs(readings) ** 2)
    assert_variance(mean_power, 10.0 ** ((floor_dbm - 5.0) / 10.0), 2 * readings.size)
    # real and imaginary part alike, unrelated to each other
    assert_variance(np.mean(readings.real**2), mean_power / 2.0, readings.size)
    correlation = np.corrcoef(readings.real.ravel(), readings.imag.ravel())[0, 1]
    assert abs(correlation) < 3.3 / np.sqrt(readings.size)


def test_noise_weighs_more_where_there_is_less_signal(rig):
    """The floor adds the same power to a strong and to a weak signal (first order)."""
    built = quiet_rig(rig, analyzer={"noise_floor": "-100 dBm"})
    built.ask("hand", "CONN:THR")
    built.ask("analyzer", "OUTP ON;:FREQ:STAR 1 GHZ;STOP 1.1 GHZ")
    deviations = {}
    for power_dbm in (0, -40):
        built.ask("analyzer", f"SOUR:POW {power_dbm}")
        readings = analyzer_sweeps(built, 10)
        deviations[power_dbm] = spread_over_sweeps(20.0 * np.log10(np.abs(readings)))
    freedom = deviations[0][1]
    for power_dbm, (variance, _) in deviations.items():
        level_dbm = power_dbm + 20.0 * np.log10(np.mean(np.abs(readings)))
        # half of the floor's power lies along the signal
        relative = 10.0 ** ((-100.0 - level_dbm) / 10.0) / 2.0
        assert_variance(variance, (20.0 / np.log(10.0)) ** 2 * relative, freedom)


@pytest.mark.parametrize("count", [16, *long(1)])
def test_zero_noise_of_the_power_meter(rig, count):
    built = quiet_rig(rig, power_meter={"noise_floor": "-60 dBm"})
    built.ask("power_meter", f"UNIT:POW W;:AVER:COUN {count};STAT ON")
    readings_w = np.array([float(built.ask("power_meter", "READ?")) for _ in range(400)])
    assert_variance(np.var(readings_w, ddof=1), 1e-9**2 / count, 399)
    assert abs(np.mean(readings_w)) < 3.3 * 1e-9 / np.sqrt(400 * count)


@pytest.mark.parametrize("count", [16, *long(1)])
def test_trace_noise_of_the_power_meter(rig, count):
    built = quiet_rig(rig, power_meter={"trace_noise": "0.01 dB"})
    built.ask("hand", "CONN:THR")
    built.ask("generator", "POW 0;:OUTP ON")
    built.ask("power_meter", f"AVER:COUN {count};STAT ON")
    readings_db = np.array([float(built.ask("power_meter", "READ?")) for _ in range(400)])
    assert_variance(np.var(readings_db, ddof=1), 0.01**2 / count, 399)


@pytest.mark.parametrize(("bandwidth_hz", "reference_dbm"), [(1e3, -10), (1e5, -10), (1e3, 10)])
def test_floor_of_the_spectrum_analyzer(rig, bandwidth_hz, reference_dbm):
    """10 log10 of the ratio of bandwidths, and the attenuation that reference level brings."""
    built = quiet_rig(rig, spectrum_analyzer={"noise_floor": "-110 dBm"})
    built.ask("spectrum_analyzer", f"BAND {bandwidth_hz};:DISP:TRAC:Y:RLEV {reference_dbm}")
    attenuation_db = float(built.ask("spectrum_analyzer", "INP:ATT?"))
    assert attenuation_db == {-10: 0.0, 10: 20.0}[reference_dbm]
    built.ask("spectrum_analyzer", "SWE:POIN 1001;:INIT")
    power_mw = 10.0 ** (built.numbers("spectrum_analyzer", "TRAC?") / 10.0)
    floor_dbm = -110.0 + 10.0 * np.log10(bandwidth_hz / 1e3) + attenuation_db
    assert_variance(np.mean(power_mw), 10.0 ** (floor_dbm / 10.0), 2 * 1001)
    # one reading of noise is exponentially distributed: its deviation is its mean
    assert np.std(power_mw) / np.mean(power_mw) == pytest.approx(1.0, abs=0.12)


@pytest.mark.parametrize("count", [16, *long(1)])
def test_trace_noise_of_the_spectrum_analyzer(rig, count):
    built = quiet_rig(rig, spectrum_analyzer={"trace_noise": "0.02 dB"})
    built.ask("hand", "CONN:THR")
    built.ask("spectrum_analyzer", f"AVER:COUN {count};STAT ON;:OUTP ON;:SWE:POIN 101")
    sweeps = []
    for _ in range(20):
        built.ask("spectrum_analyzer", "INIT")
        sweeps.append(built.numbers("spectrum_analyzer", "TRAC?"))
    variance, freedom = spread_over_sweeps(np.array(sweeps))
    assert_variance(variance, 0.02**2 / count, freedom)


def test_the_detector_has_a_floor_of_its_own(rig):
    built = quiet_rig(rig, spectrum_analyzer={"log_range": "80 dB"})
    built.ask("spectrum_analyzer", "DISP:TRAC:Y:RLEV -20;:INIT")
    assert built.numbers("spectrum_analyzer", "TRAC?") == pytest.approx(-100.0, abs=1e-6)


@given(
    limit_db=st.floats(0.0, 1.0),
    seed=st.integers(0, 2**32),
    levels=st.lists(st.floats(-150.0, 30.0), min_size=1, max_size=20),
)
def test_linearity_stays_within_its_limits_and_is_smooth(limit_db, seed, levels):
    error = LevelError.drawn(limit_db, np.random.default_rng(seed))
    level_dbm = np.array(levels)
    here, there = error.at(level_dbm), error.at(level_dbm + 0.01)
    assert np.all(np.abs(here) <= limit_db * (1.0 + 1e-12))
    # the shortest wave is 20 dB long
    assert np.all(np.abs(there - here) <= limit_db * 0.01 * 2.0 * np.pi / 20.0 + 1e-12)


def test_linearity_is_about_as_spread_as_a_rectangle():
    """Over seeds its rms is near limit/sqrt(3), as a budget assumes (JCGM 100, 4.3.7)."""
    levels = np.linspace(-100.0, 0.0, 101)
    errors = [LevelError.drawn(1.0, np.random.default_rng(seed)).at(levels) for seed in range(400)]
    assert np.sqrt(np.mean(np.square(errors))) == pytest.approx(1.0 / np.sqrt(3.0), rel=0.15)


def test_linearity_shows_on_the_wire_within_its_limits(rig):
    """S21 of the same through at many powers: it would not change at all on a linear receiver."""
    built = quiet_rig(rig, analyzer={"linearity": "0.05 dB"})
    built.ask("hand", "CONN:THR")
    built.ask("analyzer", "OUTP ON;:FREQ:STAR 1 GHZ;STOP 1.1 GHZ;:SWE:POIN 2")
    seen = []
    for power_dbm in range(-55, 11):
        built.ask("analyzer", f"SOUR:POW {power_dbm};:INIT")
        values = built.numbers("analyzer", "TRAC? S21")
        seen.append(20.0 * np.log10(np.hypot(values[0], values[1])))
    assert 0.02 < np.ptp(seen) < 0.1


@given(st.floats(-200.0, 60.0), st.floats(0.0, 20.0))
def test_compression_begins_at_the_maximum_and_never_turns_back(level_dbm, rise_db):
    maximum_dbm = -5.0
    levels = np.array([level_dbm, level_dbm + rise_db])
    read = levels + compression_db(levels, maximum_dbm)
    assert read[1] >= read[0] - 1e-9
    assert np.all(read <= maximum_dbm + 3.0 + 1e-9) or level_dbm <= maximum_dbm
    below = levels <= maximum_dbm
    assert np.array_equal(read[below], levels[below])


@pytest.mark.parametrize("instrument", ["analyzer", "spectrum_analyzer"])
def test_leakage_is_the_stated_isolation(rig, instrument):
    """With nothing between the leads only what finds its way past is received."""
    built = quiet_rig(rig, **{instrument: {"isolation": "90 dB"}})
    built.ask(instrument, "SOUR:POW -10;:OUTP ON;:INIT")
    if instrument == "analyzer":
        values = built.numbers(instrument, "TRAC? S21")
        leaked_db = 20.0 * np.log10(np.hypot(values[0::2], values[1::2]))
    else:
        leaked_db = built.numbers(instrument, "TRAC?") + 10.0
    assert leaked_db == pytest.approx(-90.0, abs=1e-3)


def test_leakage_is_fixed(rig):
    built = quiet_rig(rig, analyzer={"isolation": "90 dB"})
    built.ask("analyzer", "OUTP ON")
    first, second = analyzer_sweeps(built, 2)
    assert second == pytest.approx(first, rel=1e-6)


@pytest.mark.parametrize("trace", ["S11", "S22"])
def test_raw_reflections_have_directivity_and_tracking(rig, trace):
    """Error model of one port: reading = directivity + tracking x reflection (to first order in
    the port's own match, which the path holds); S21 does not know of them."""
    read = {}
    for name, errors in {
        "true": {},
        "low": {"reflection_tracking": "6 dB"},
        "both": {"reflection_tracking": "6 dB", "directivity": "30 dB"},
    }.items():
        built = quiet_rig(rig, analyzer=errors)
        built.ask("hand", "CONN:THR")
        built.ask("analyzer", "OUTP ON")
        read[name] = analyzer_sweeps(built, 1, trace)[0]
        read[f"{name} S21"] = analyzer_sweeps(built, 1)[0]
    assert np.abs(read["low"]) == pytest.approx(np.abs(read["true"]) * 10 ** (-6 / 20), rel=1e-6)
    assert np.abs(read["both"] - read["low"]) == pytest.approx(10 ** (-30 / 20), rel=1e-6)
    assert read["both S21"] == pytest.approx(read["true S21"], rel=1e-9)


def test_drift_moves_what_each_receiver_reads(rig):
    """By as much as the bench says (its own tests show that this is as declared)."""
    slow = {"drift": "0.2 dB", "drift_period": "10 min"}
    built = quiet_rig(rig, analyzer=slow, power_meter=slow, spectrum_analyzer=slow)
    built.ask("hand", "CONN:THR")
    for instrument in ("analyzer", "spectrum_analyzer", "generator"):
        built.ask(instrument, "OUTP ON")
    read = {
        "analyzer": lambda: 20.0 * np.log10(np.abs(analyzer_sweeps(built, 1)[0])),
        "spectrum_analyzer": lambda: (
            built.ask("spectrum_analyzer", "INIT"),
            built.numbers("spectrum_analyzer", "TRAC?"),
        )[1],
        "power_meter": lambda: float(built.ask("power_meter", "READ?")),
    }
    # the generator must not be seen by the spectrum analyzer
    built.ask("spectrum_analyzer", "FREQ:STAR 2 GHZ;STOP 2.1 GHZ;:BAND 1 KHZ")
    for instrument, take in read.items():
        before, drift_before = take(), built.bench.drift_db(instrument)
        built.ask("hand", "CLOC:ADV 300")
        after, drift_after = take(), built.bench.drift_db(instrument)
        assert abs(drift_after - drift_before) > 0.01
        assert after - before == pytest.approx(drift_after - drift_before, abs=1e-4)
