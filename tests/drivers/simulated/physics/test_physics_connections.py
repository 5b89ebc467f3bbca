"""What changes on the bench, and by how much: connections, leads, switch, gain, temperature.

Samples are compared with what the description declares at 99.9 % confidence, with fixed seeds:
a right bench fails none of these, a spread wrong by a fifth fails them.
"""

from pathlib import Path

import numpy as np
import pytest
from scipy import stats

import harness.station.starter
from drivers.simulated.described.bench_description import parse_description
from drivers.simulated.physics.construction import Workshop
from drivers.simulated.physics.simulated_bench import (
    FIRST_FREE_STREAM,
    SPREAD_LIMIT,
    SimulatedBench,
)
from drivers.simulated.physics.truth import insertion_loss_db

STARTER = Path(harness.station.starter.__path__[0], "simulated-bench.toml").read_text("utf-8")
ONE_GHZ = np.array([1e9])
BAND_HZ = np.linspace(2.4e9, 2.4835e9, 21)
LEAST_P = 1e-3
"""Of a test at 99.9 %."""
STILL = {
    "spread = 0.35": "spread = 0.0",
    'flexure_length = "0.01 mm"': 'flexure_length = "0 mm"',
    "flexure_resistance = 0.0005": "flexure_resistance = 0.0",
    'pad = "10 dB"': 'pad = "60 dB"',
    'pad_capacitance = "0.02 pF"': 'pad_capacitance = "0 pF"',
    'resistance_at_1_ghz = "0.14 ohm"': 'resistance_at_1_ghz = "0 ohm"',
    'gap = "0.02 nH"': 'gap = "0 nH"',
}
"""Perfectly matched ends, and nothing varies."""
SWITCH = """
[switch.channels.101]
joins = "through"
length = "60 mm"
resistance_at_1_ghz = "0.5 ohm"
contact_resistance = "0.5 ohm"
spread = 0.2

[switch.channels.102]
joins = "item"
length = "60 mm"
resistance_at_1_ghz = "0.5 ohm"
contact_resistance = "0.5 ohm"
spread = 0.2
"""


def described(more="", **instead):
    """A still bench whose leads join directly, with changes to the keys that make it still."""
    text = STARTER
    for old, new in STILL.items():
        assert old in text
        text = text.replace(old, instead.get(old.split(" ", maxsplit=1)[0], new), 1)
    through = text.index("[through]")
    line = text.index('[lines."lead cable"]')
    return parse_description(f"{text[:through]}[through]\nparts = []\n{more}\n{text[line:]}")


def transmissions(bench, count, what="through"):
    """S21 at 1 GHz after each of `count` connections."""
    found = []
    for _ in range(count):
        bench.connect(what)
        found.append(bench.path(ONE_GHZ, 0.0, 0.0)[0, 1, 0])
    return np.array(found)


def limited_normal(deviation):
    """Distribution function of a normal one that is limited at `SPREAD_LIMIT` deviations."""

    def cdf(value):
        inside = stats.norm.cdf(value / deviation)
        return np.where(np.abs(value) <= SPREAD_LIMIT * deviation, inside, value > 0)

    return cdf


def assert_declared(sample, deviation):
    """Kolmogorov-Smirnov for the shape and chi-square for the spread, each at 99.9 %."""
    centred = np.asarray(sample)
    limited = limited_normal(deviation)
    # the limit leaves 0.6 % of all draws at each end, which the test's distance must not count
    inside = centred[np.abs(centred) < SPREAD_LIMIT * deviation * 0.999]
    tail = stats.norm.cdf(-SPREAD_LIMIT)
    assert stats.kstest(inside, lambda x: (limited(x) - tail) / (1 - 2 * tail)).pvalue > LEAST_P
    assert np.max(np.abs(centred)) <= SPREAD_LIMIT * deviation * 1.001
    grid = np.clip(np.linspace(-8, 8, 200001), -SPREAD_LIMIT, SPREAD_LIMIT)
    weights = stats.norm.pdf(np.linspace(-8, 8, 200001))
    variance = np.sum(weights * grid**2) / np.sum(weights) * deviation**2
    statistic = np.sum(centred**2) / variance
    assert min(stats.chi2.sf(statistic, len(centred)), stats.chi2.cdf(statistic, len(centred))) > (
        LEAST_P / 2
    )


def series_impedance_ohm(spread_of, count=1000):
    """The series impedance of every connection, from what it takes off the transmission.

    Between matched ends S21 = 1 / (1 + Z / 100 ohm), textbook.
    """
    without = transmissions(SimulatedBench(described()), 1)[0]
    bench = SimulatedBench(spread_of, seed=3)
    return 100.0 * (without / transmissions(bench, count) - 1.0)


SPREAD = {
    "spread": "spread = 0.3",
    "resistance_at_1_ghz": 'resistance_at_1_ghz = "1 ohm"',
    "gap": 'gap = "0.1 nH"',
}


@pytest.fixture(scope="module")
def spread_impedance_ohm():
    """Of a thousand connections."""
    return series_impedance_ohm(described(**SPREAD))


def test_every_making_draws_its_resistance_and_gap(spread_impedance_ohm):
    impedance_ohm = spread_impedance_ohm
    assert_declared(impedance_ohm.real - 1.0, 0.3)
    gap_nh = impedance_ohm.imag / (2 * np.pi * 1e9) * 1e9
    assert_declared(gap_nh - 0.1, 0.03)


def test_makings_are_independent(spread_impedance_ohm):
    """Correlation of successive makings, and of resistance with gap: 3.29 / sqrt(n) at 99.9 %."""
    impedance_ohm = spread_impedance_ohm
    resistance, reactance = impedance_ohm.real, impedance_ohm.imag
    limit = 3.29 / np.sqrt(len(resistance))
    assert abs(np.corrcoef(resistance[1:], resistance[:-1])[0, 1]) < limit
    assert abs(np.corrcoef(resistance, reactance)[0, 1]) < limit


@pytest.mark.long
def test_an_item_has_two_connections():
    """Both ends of an item vary, each by itself: variances add."""
    line = '[items.BARE]\nparts = [{ kind = "pad", attenuation = "40 dB" }]'
    bench = SimulatedBench(described(line, **SPREAD), seed=4)
    s21 = transmissions(bench, 1000, "BARE")
    nominal = SimulatedBench(described(line, **{**SPREAD, "spread": "spread = 0.0"}), seed=4)
    ratio = transmissions(nominal, 1, "BARE")[0] / s21
    # to first order each end takes off 1 / (101 ohm) of its resistance's change
    deviation = np.std((101.0 * (ratio - 1.0)).real, ddof=1)
    assert deviation == pytest.approx(0.3 * np.sqrt(2), rel=3.29 / np.sqrt(2 * 1000))


@pytest.mark.long
def test_flexure_moves_the_phase_of_both_leads():
    """Two leads whose lengths vary by 0.2 mm: beta times the root sum of squares."""
    bench = SimulatedBench(described(flexure_length='flexure_length = "0.2 mm"'), seed=5)
    phase = np.angle(transmissions(bench, 400) / transmissions(SimulatedBench(described()), 1)[0])
    beta = 2 * np.pi * 1e9 * np.sqrt(1.6) / 299792458.0
    expected = beta * 0.2e-3 * np.sqrt(2)
    low, high = stats.chi2.ppf([LEAST_P / 2, 1 - LEAST_P / 2], 399) / 399
    # conductors add up to 1 % to beta, and the limit takes 3 % off the variance
    assert low * 0.95 < np.var(phase, ddof=1) / expected**2 < high * 1.02


def test_flexure_moves_the_loss_of_both_leads():
    """The conductor loss of both leads varies by 1 % each."""
    bench = described(flexure_resistance="flexure_resistance = 0.01")
    loss_db = -20 * np.log10(np.abs(transmissions(SimulatedBench(bench, seed=6), 400)))
    workshop = Workshop(bench, ONE_GHZ)
    more, less = (workshop.lead(0.0, scale).s[0, 1, 0] for scale in (1.5, 0.5))
    per_lead_db = 20 * np.log10(abs(less / more))
    low, high = stats.chi2.ppf([LEAST_P / 2, 1 - LEAST_P / 2], 399) / 399
    expected = (0.01 * per_lead_db) ** 2 * 2
    assert low * 0.96 < np.var(loss_db, ddof=1) / expected < high * 1.01


def test_nothing_moves_between_sweeps_of_one_connection():
    bench = SimulatedBench(parse_description(STARTER))
    bench.connect("PIG-0451")
    before = bench.path(BAND_HZ, 8e-14, 8e-14)
    for _ in range(3):
        bench.new_sweep()
        bench.pass_time(60.0)
        assert np.array_equal(bench.path(BAND_HZ, 8e-14, 8e-14), before)


@pytest.mark.long
def test_a_switch_draws_its_contacts_at_every_closing():
    bench = SimulatedBench(described(SWITCH), seed=7)
    losses_db = []
    for _ in range(500):
        bench.route = (101,)
        losses_db.append(-20 * np.log10(abs(bench.path(ONE_GHZ, 0.0, 0.0)[0, 1, 0])))
        bench.route = ()
    # two contacts of 0.5 ohm varying by 20 %, in 102 ohm all in all
    expected_db = 20 / np.log(10) * 0.1 / 102.0 * np.sqrt(2)
    low, high = stats.chi2.ppf([LEAST_P / 2, 1 - LEAST_P / 2], 499) / 499
    assert low * 0.96 < np.var(losses_db, ddof=1) / expected_db**2 < high * 1.02


def test_a_switch_joins_what_its_channel_says():
    bench = SimulatedBench(described(SWITCH), seed=8)
    bench.connect("PIG-0452")

    def loss_db():
        return -20 * np.log10(abs(bench.path(ONE_GHZ, 0.0, 0.0)[0, 1, 0]))

    assert bench.path(ONE_GHZ, 0.0, 0.0)[0, 1, 0] == 0, "no channel is closed"
    bench.route = (101,)
    through_db = loss_db()
    bench.route = (102,)
    assert loss_db() - through_db == pytest.approx(
        insertion_loss_db(bench.description, "PIG-0452", ONE_GHZ)[0], abs=0.1
    )
    bench.route = (102, 101)
    assert bench.route == (102, 101)
    s = bench.path(ONE_GHZ, 0.0, 0.0)
    assert s[0, 0, 1] == pytest.approx(s[0, 1, 0], abs=1e-12)
    with pytest.raises(KeyError):
        bench.route = (103,)
    assert bench.route == (102, 101), "a refused route changes nothing"


def test_channels_closed_side_by_side_share_the_signal():
    """At 1 MHz a channel is its two contacts and 0.03 ohm of skin effect; two of them halve it."""
    still = SWITCH.replace("spread = 0.2", "spread = 0.0")
    third = still[: still.index("[switch.channels.102]")].replace("101", "103")
    low_hz = np.array([1e6])
    direct = SimulatedBench(described())
    direct.connect("through")
    without = abs(direct.path(low_hz, 0.0, 0.0)[0, 1, 0])
    bench = SimulatedBench(described(still + third))
    for route, expected_ohm in [((101,), 1.0316), ((101, 103), 0.5158)]:
        bench.route = route
        found = 100.0 * (without / abs(bench.path(low_hz, 0.0, 0.0)[0, 1, 0]) - 1.0)
        assert found == pytest.approx(expected_ohm, rel=1e-3)


def test_a_channel_that_stays_closed_keeps_its_contacts():
    bench = SimulatedBench(described(SWITCH), seed=9)
    bench.route = (101,)
    before = bench.path(ONE_GHZ, 0.0, 0.0)
    bench.route = (101,)
    assert np.array_equal(bench.path(ONE_GHZ, 0.0, 0.0), before)


def test_drift_has_the_declared_size_over_all_seeds():
    """Mean square over 1,000 benches: its standard error is below sqrt(2 / n); 3.29 of them."""
    bench = parse_description(STARTER)
    drifts = np.array([SimulatedBench(bench, seed).drift_db("analyzer") for seed in range(1000)])
    mean_square = np.mean(drifts**2) / bench.analyzer.drift_db**2
    assert mean_square == pytest.approx(1, abs=3.29 * np.sqrt(2 / 1000))


def test_drift_has_the_declared_size_over_time():
    """Six waves of equal size, over 300 periods: rms to 5 %; slow against a twentieth of one."""
    bench = SimulatedBench(parse_description(STARTER), seed=1)
    analyzer = bench.description.analyzer
    drifts = []
    for _ in range(6000):
        bench.pass_time(analyzer.drift_period_s / 20)
        drifts.append(bench.drift_db("analyzer"))
    assert np.std(drifts) == pytest.approx(analyzer.drift_db, rel=0.05)
    assert np.std(np.diff(drifts)) < 0.6 * analyzer.drift_db


def test_instruments_drift_each_by_itself():
    description = parse_description(STARTER)
    two = description.model_copy(update={"power_meter": description.analyzer})
    bench = SimulatedBench(two, seed=2)
    assert bench.drift_db("analyzer") != bench.drift_db("power_meter")
    assert bench.drift_db("analyzer") == SimulatedBench(description, seed=2).drift_db("analyzer")
    with pytest.raises(KeyError):
        bench.drift_db("spectrum_analyser")


def test_noise_is_standard_normal_and_new_at_every_call():
    bench = SimulatedBench(parse_description(STARTER), seed=3)
    draws = np.stack([bench.noise((500,)) for _ in range(40)])
    assert stats.kstest(draws.ravel(), "norm").pvalue > LEAST_P
    correlations = np.asarray(np.corrcoef(draws))[np.triu_indices(40, 1)]
    # the largest of 780 correlations, each within its share of the 0.1 %
    assert np.max(np.abs(correlations)) < stats.norm.isf(LEAST_P / 2 / 780) / np.sqrt(500)


def everything(seed):
    """What a client can see of a bench after some work on it."""
    bench = SimulatedBench(parse_description(STARTER), seed)
    found = []
    for what in ("through", "PIG-0451", "PIG-0451", "ELB-0033", ""):
        bench.connect(what)
        for _ in range(2):
            bench.new_sweep()
            found.append(bench.path(BAND_HZ, 8e-14, 5e-14).ravel())
            found.append(bench.noise((4,)))
            found.append([bench.drift_db("analyzer"), bench.elapsed_s])
    found.append(bench.generator(FIRST_FREE_STREAM, 7).random(3))
    return np.concatenate(found)


def test_the_same_seed_gives_the_same_bits():
    assert everything(11).tobytes() == everything(11).tobytes()


def test_another_seed_gives_another_bench():
    assert not np.any(np.isclose(everything(11)[:21], everything(12)[:21], rtol=1e-9, atol=0))


def test_a_path_is_computed_once_for_each_connection(monkeypatch):
    bench = SimulatedBench(parse_description(STARTER))
    cascades = []
    real = Workshop.chain
    monkeypatch.setattr(
        Workshop, "chain", staticmethod(lambda parts: cascades.append(parts) or real(parts))
    )
    bench.connect("PIG-0451")
    first = bench.path(BAND_HZ, 8e-14, 8e-14)
    done = len(cascades)
    assert done > 0
    for _ in range(5):
        bench.new_sweep()
        assert bench.path(BAND_HZ.copy(), 8e-14, 8e-14) is first
    assert len(cascades) == done
    bench.connect("PIG-0451")
    assert not np.array_equal(bench.path(BAND_HZ, 8e-14, 8e-14), first)
    assert len(cascades) > done


def test_what_is_kept_cannot_be_spoiled():
    bench = SimulatedBench(parse_description(STARTER))
    bench.connect("through")
    with pytest.raises(ValueError, match="read-only"):
        bench.path(BAND_HZ, 0.0, 0.0)[0, 0, 0] = 1.0


def test_what_was_forgotten_is_computed_alike(monkeypatch):
    """A stepped measurement visits many grids; memory is bounded and the readings do not care."""
    monkeypatch.setattr("drivers.simulated.physics.signal_path.POINTS_KEPT", 500)
    bench = SimulatedBench(parse_description(STARTER))
    bench.connect("PIG-0451")
    first = bench.path(BAND_HZ, 8e-14, 8e-14)
    steps_hz = np.linspace(1e9, 2e9, 40)[:, np.newaxis]
    stepped = [bench.path(step_hz, 8e-14, 8e-14) for step_hz in steps_hz]
    for step_hz, s in zip(steps_hz[-5:], stepped[-5:], strict=True):
        assert bench.path(step_hz, 8e-14, 8e-14) is s, "what was used last is kept"
    again = bench.path(BAND_HZ, 8e-14, 8e-14)
    assert again is not first
    assert np.array_equal(again, first)


def scheduled(schedule):
    return parse_description(STARTER.replace('start = "20 °C"', schedule))


def test_the_temperature_follows_its_schedule():
    ramp = SimulatedBench(scheduled('start = "21 °C"\nramp_per_hour = "2 °C"'))
    assert ramp.temperature_c == 21.0
    ramp.pass_time(5400.0)
    assert ramp.temperature_c == pytest.approx(24.0)
    day = 'points = [["0 h", "20 °C"], ["6 h", "26 °C"], ["18 h", "20 °C"]]\nperiod = "24 h"'
    there = SimulatedBench(scheduled(day))
    for hour, expected_c in [(3, 23.0), (6, 26.0), (12, 23.0), (21, 20.0), (24 + 3, 23.0)]:
        there.elapsed_s = 3600.0 * hour
        assert there.temperature_c == pytest.approx(expected_c), hour
    last = SimulatedBench(scheduled('points = [["0 h", "20 °C"], ["1 h", "22 °C"]]'))
    last.pass_time(1e5)
    assert last.temperature_c == 22.0
    ramp.pass_time(1e7)
    assert ramp.temperature_c == 200.0


def test_a_warm_bench_loses_more_by_copper_s_coefficient():
    """Conductors: sqrt(1 + 0.00393 x 10); everything but the pads is conductor and dielectric."""
    frequency_hz = np.array([2e9])
    description = scheduled('start = "20 °C"\nramp_per_hour = "10 °C"')
    bench = SimulatedBench(description)
    bench.connect("FDR-0012")
    cold = bench.path(frequency_hz, 0.0, 0.0)[0, 1, 0]
    bench.pass_time(3600.0)
    rise_db = 20 * np.log10(abs(cold / bench.path(frequency_hz, 0.0, 0.0)[0, 1, 0]))
    item_db, warm_item_db = (
        insertion_loss_db(description, "FDR-0012", frequency_hz, t)[0] for t in (20.0, 30.0)
    )
    assert 0 < warm_item_db - item_db < item_db * (np.sqrt(1.0393) - 1)
    leads = [abs(Workshop(description, frequency_hz, t).lead().s[0, 1, 0]) for t in (20.0, 30.0)]
    leads_db = 2 * 20 * np.log10(leads[0] / leads[1])
    assert rise_db == pytest.approx(warm_item_db - item_db + leads_db, rel=0.05)


def test_connecting_takes_the_hand_s_time():
    bench = SimulatedBench(parse_description(STARTER))
    bench.connect("through")
    assert bench.elapsed_s == bench.description.hand.connecting_time_s
    with pytest.raises(KeyError):
        bench.connect("PIG-9999")
    assert bench.connected == "through"
