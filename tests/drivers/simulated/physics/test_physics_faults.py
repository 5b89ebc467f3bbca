"""What each fault of an item does to its loss over frequency."""

from pathlib import Path

import numpy as np
import pytest
from scipy.constants import speed_of_light

import harness.station.starter
from drivers.simulated.described.bench_description import parse_description
from drivers.simulated.physics.simulated_bench import SimulatedBench
from drivers.simulated.physics.truth import group_delay_s, insertion_loss_db, truth

STARTER = Path(harness.station.starter.__path__[0], "simulated-bench.toml").read_text("utf-8")
CONNECTOR = (
    '{ kind = "connector", resistance_at_1_ghz = "0.1 ohm", length = "8 mm", impedance = "50 ohm" }'
)
SOUND = '{ kind = "line", of = "thin flexible", length = "450 mm" }'
HZ = np.linspace(50e6, 8e9, 400)


def described(*parts):
    """The starting description with one sound pigtail and the same with a fault."""
    text = STARTER + f"\n[items.SOUND]\nparts = [{CONNECTOR}, {SOUND}, {CONNECTOR}]\n"
    return parse_description(
        text + f"[items.FAULTY]\nparts = [{', '.join([CONNECTOR, *parts, CONNECTOR])}]\n"
    )


def excess_db(bench, frequency_hz=HZ):
    """What the fault adds to the loss, shape of `frequency_hz`."""
    return insertion_loss_db(bench, "FAULTY", frequency_hz) - insertion_loss_db(
        bench, "SOUND", frequency_hz
    )


def smooth(values):
    """Without the ripple of reflections."""
    return np.convolve(values, np.ones(41) / 41, mode="valid")


def test_a_lossy_crimp_costs_the_same_at_every_frequency():
    """Series R between matched ends: 20 log10(1 + R / (2 Z0)), textbook.

    Between 50 ohm and the 46 ohm of this cable it is 4 % more.
    """
    bench = described(SOUND, '{ kind = "bad-crimp", resistance = "10 ohm" }')
    excess = excess_db(bench)
    assert np.mean(excess) == pytest.approx(20 * np.log10(1 + 10 / (50 + 45.8)), rel=0.01)
    assert np.ptp(smooth(excess)) < 0.1


def test_a_gap_in_a_crimp_hurts_low_frequencies_most():
    """Series C between matched ends: |1 + 1 / (2 Z0 j omega C)|, textbook."""
    bench = described(SOUND, '{ kind = "bad-crimp", gap = "1.5 pF" }')
    excess = excess_db(bench)
    expected = 20 * np.log10(np.abs(1 + 1 / (100 * 2j * np.pi * HZ * 1.5e-12)))
    assert smooth(excess) == pytest.approx(smooth(expected), abs=0.35)
    assert excess[0] > 20
    assert np.mean(excess[-50:]) < 0.3


def test_a_leak_limits_what_a_gap_costs_at_low_frequency():
    bench = described(SOUND, '{ kind = "bad-crimp", gap = "1.5 pF", resistance = "22 ohm" }')
    excess = excess_db(bench)
    assert excess[0] == pytest.approx(20 * np.log10(1.22), rel=0.02)
    assert np.mean(excess[-50:]) < 0.5 * excess[0]


LOOSE = '{ kind = "loose-pin", probability = 0.3, gap = "0.1 pF" }'


def test_a_loose_pin_shows_in_some_sweeps_only():
    """The share of open sweeps is binomial: within 3.29 standard deviations of 0.3 (99.9 %)."""
    bench = SimulatedBench(described(SOUND, LOOSE), seed=5)
    frequency_hz = np.array([1e9])
    bench.connect("FAULTY")
    sweeps = 2000
    levels_db = []
    for _ in range(sweeps):
        bench.new_sweep()
        levels_db.append(20 * np.log10(abs(bench.path(frequency_hz, 0.0, 0.0)[0, 1, 0])))
    assert len(set(levels_db)) == 2, "open and touching, nothing between"
    # 0.1 pF at 1 GHz in series with 100 ohm
    drop_db = 20 * np.log10(abs(1 + 1 / (100 * 2j * np.pi * 1e9 * 0.1e-12)))
    assert np.ptp(levels_db) == pytest.approx(drop_db, abs=0.5)
    share = np.mean(levels_db < np.mean([min(levels_db), max(levels_db)]))
    assert share == pytest.approx(0.3, abs=3.29 * np.sqrt(0.3 * 0.7 / sweeps))


def test_truth_knows_no_intermittent_fault():
    assert excess_db(described(SOUND, LOOSE)) == pytest.approx(0, abs=1e-9)


def test_the_resistance_of_a_touching_loose_pin_is_permanent():
    bench = described(SOUND, LOOSE.replace(" }", ', resistance = "4 ohm" }'))
    assert np.mean(excess_db(bench)) == pytest.approx(20 * np.log10(1 + 4 / 95.8), rel=0.01)


def test_crushed_cable_reflects_more_as_frequency_rises():
    crushed = (
        '{ kind = "crushed", of = "thin flexible", length = "10 mm", outer_diameter = "0.9 mm" }'
    )
    half = SOUND.replace("450", "220")
    bench = described(half, crushed, half)
    found = truth(bench, "FAULTY", HZ)
    sound = truth(bench, "SOUND", HZ)
    excess = found.insertion_loss_db - sound.insertion_loss_db
    assert abs(excess[0]) < 0.02
    # a length l of Z1 in Z0: |Gamma| about |Z0/Z1 - Z1/Z0| / 2 sin(beta l), small at first
    assert np.max(smooth(found.near_reflection)) > 4 * np.max(smooth(sound.near_reflection))
    quarter_wave_hz = speed_of_light / (4 * 10e-3 * np.sqrt(2.04))
    first, worst = smooth(excess)[[0, -1]]
    assert quarter_wave_hz == pytest.approx(5.25e9, rel=0.01)
    at_quarter = smooth(excess)[np.argmin(np.abs(smooth(HZ) - quarter_wave_hz))]
    assert at_quarter > 0.2 + first
    assert worst < at_quarter, "half a wave at twice that frequency is matched again"


def test_water_in_the_braid_costs_more_the_higher_the_frequency():
    """Loss tangent: 8.686 pi f sqrt(eps) tan(delta) / c dB/m more; braid: in proportion to
    its share of the conductor loss (closed forms, textbook)."""
    wet = (
        '{ kind = "wet-braid", of = "thin flexible", length = "450 mm", outer_factor = 1.6,'
        " loss_tangent = 0.0203 }"
    )
    excess = excess_db(described(wet))
    expected = 8.686 * np.pi * HZ * np.sqrt(2.04) * 0.02 / speed_of_light * 0.45
    assert excess == pytest.approx(expected, rel=0.02, abs=0.01)


def test_a_corroded_braid_follows_the_skin_effect():
    wet = (
        '{ kind = "wet-braid", of = "thin flexible", length = "450 mm", outer_factor = 8.0,'
        " loss_tangent = 3e-4 }"
    )
    excess = excess_db(described(wet), np.array([1e9, 4e9]))
    assert excess[0] > 0.2
    assert excess[1] / excess[0] == pytest.approx(2.0, rel=0.1)


def test_wet_only_over_some_length():
    def wet(length_mm):
        return (
            f'{{ kind = "wet-braid", of = "thin flexible", length = "{length_mm} mm",'
            " outer_factor = 4.0, loss_tangent = 0.02 }"
        )

    short = described(wet(150), SOUND.replace("450", "300"))
    ratio = np.mean(excess_db(short)) / np.mean(excess_db(described(wet(450))))
    assert ratio == pytest.approx(1 / 3, rel=0.05)


def test_the_wrong_cable_loses_in_proportion_to_its_own_attenuation():
    """The feeder's low-loss cable, put in where thin flexible belongs, loses much less."""
    bench = described('{ kind = "line", of = "low-loss 6 mm", length = "450 mm" }')
    excess = excess_db(bench, np.array([1e9, 4e9]))
    assert np.all(excess < -0.2)
    assert excess[1] < 1.8 * excess[0]


def test_the_wrong_length_shows_in_loss_and_delay_alike():
    bench = described(SOUND.replace("450", "500"))
    added_s = group_delay_s(bench, "FAULTY", HZ) - group_delay_s(bench, "SOUND", HZ)
    assert np.mean(added_s) == pytest.approx(0.05 * np.sqrt(2.04) / speed_of_light, rel=0.02)
    loss_db = insertion_loss_db(bench, "SOUND", HZ)
    share = np.mean(smooth(excess_db(bench))) / np.mean(smooth(loss_db))
    assert share == pytest.approx(50 / 450, rel=0.15), "in proportion, less what connectors lose"


@pytest.mark.parametrize("period_mm", [15.0, 20.0, 30.0])
def test_a_periodic_error_sucks_out_at_the_textbook_frequency(period_mm):
    """Reflections add up where a period is half a wave: f = c / (2 d sqrt(eps)) (textbook)."""
    periodic = (
        '{ kind = "periodic", of = "thin flexible", length = "1500 mm",'
        f' period = "{period_mm} mm", impedance_error = 0.02 }}'
    )
    bench = described(periodic)
    plain = parse_description(
        STARTER + f"[items.SOUND]\nparts = [{CONNECTOR}, {SOUND.replace('450', '1500')},"
        f" {CONNECTOR}]\n"
    )
    expected_hz = speed_of_light / (2 * period_mm * 1e-3 * np.sqrt(2.04))
    frequency_hz = np.linspace(0.6, 1.4, 801) * expected_hz
    excess = insertion_loss_db(bench, "FAULTY", frequency_hz) - insertion_loss_db(
        plain, "SOUND", frequency_hz
    )
    assert frequency_hz[np.argmax(excess)] == pytest.approx(expected_hz, rel=0.01)
    assert np.max(excess) > 3
    off = np.abs(frequency_hz / expected_hz - 1) > 0.2
    assert np.max(np.abs(excess[off])) < 0.15
    # a periodic line reflects what it does not let through
    at_peak = frequency_hz[[np.argmax(excess)]]
    assert truth(bench, "FAULTY", at_peak).near_reflection[0] > 0.5


def test_a_periodic_line_of_any_length_is_as_long_as_it_says():
    """Whole periods and a plain rest: the delay is that of the length."""
    periodic = (
        '{ kind = "periodic", of = "thin flexible", length = "450 mm", period = "37 mm",'
        " impedance_error = 0.01 }"
    )
    low_hz = np.linspace(0.5e9, 1.5e9, 200)
    bench = described(periodic)
    delays_s = [np.mean(group_delay_s(bench, item, low_hz)) for item in ("FAULTY", "SOUND")]
    assert delays_s[0] == pytest.approx(delays_s[1], rel=2e-3)


def test_a_missing_ferrule_blocks_high_frequencies():
    """Series R and L between matched ends: |1 + (R + j omega L) / (2 Z0)|, textbook."""
    bench = described(
        '{ kind = "missing-ferrule", resistance = "2 ohm", inductance = "3 nH" }', SOUND
    )
    excess = excess_db(bench)
    expected = 20 * np.log10(np.abs(1.02 + 2j * np.pi * HZ * 3e-9 / 100))
    assert excess[0] == pytest.approx(20 * np.log10(1.02), abs=0.03)
    assert smooth(excess) == pytest.approx(smooth(expected), abs=0.3)
    assert excess[-1] > 4
