"""Campaigns over TCP on one simulated bench: U holds its truth as often as it says."""

import numpy as np
import pytest
from scipy.stats import binomtest

from drivers.simulated.described.bench_description import read_description
from drivers.simulated.physics.truth import insertion_loss_db, through_loss_db
from harness.analysis.uncertainty.budget import COVERAGE_PROBABILITY
from harness.evaluation.read_back import read_run
from harness.running.finding_procedures import find_procedure
from harness.running.measure import Assignment, measure
from harness.station.items import read_workplace

# a loaded machine may need minutes for the campaigns
pytestmark = [pytest.mark.long, pytest.mark.timeout(600)]

CAMPAIGNS = 120
BAND = "backhaul-2400"
GRID_HZ = np.array([2.40e9, 2.45e9])

BENCH = """
seed = 511
[analyzer]
trace_noise = "0.01 dB"
noise_floor = "-130 dBm"
port_capacitance = "0 pF"
lowest_frequency = "300 kHz"
highest_frequency = "9 GHz"
highest_power = "10 dBm"
[leads]
line = "lead cable"
length = "300 mm"
pad = "20 dB"
pad_capacitance = "0 pF"
[mating]
resistance_at_1_ghz = "1 ohm"
gap = "0 nH"
spread = 0.3
[hand]
connecting_time = "25 s"
[through]
parts = [
    { kind = "connector", resistance_at_1_ghz = "0.1 ohm", length = "12 mm", impedance = "50 ohm" },
]
[lines."lead cable"]
inner_diameter = "1.02 mm"
outer_diameter = "2.95 mm"
permittivity = 1.6
loss_tangent = 2e-4
inner_conductivity = "58 MS/m"
outer_conductivity = "58 MS/m"
"""
PROCEDURE = """
from harness.bench.bench import Bench

def spot_check(bench: Bench) -> None:
    bench.normalize(sweeps=1)
    for _ in bench.insertions(3):
        bench.sweep()
"""
ITEM = """
[items.LOT-{number:04d}]
parts = [{{ kind = "pad", attenuation = "1 dB" }}]
"""
STATION = """
name = "Saltmarsh Telemetry, bench 5 (simulated)"
[simulation]
bench = "bench.toml"
[analyzer]
power = "0 dBm"
maximum_power = "0 dBm"
if_bandwidth = "1 kHz"
traces = ["S21"]
source_match = "50 dB"
load_match = "50 dB"
drift_per_hour = "0 dB"
[leads]
connector = "SMA"
torque = "0.56 N m"
connection_repeatability = "0.02 dB"
[through]
adapter = "SMA straight adapter, serial T-09"
loss_at_1_ghz = "{through_db:.6f} dB"
loss_limits_at_1_ghz = "0.0002 dB"
return_loss = "30 dB"
[bands.backhaul-2400]
start = "2.40 GHz"
stop = "2.45 GHz"
points = 2
"""


@pytest.fixture(scope="module")
def found(tmp_path_factory):
    """Stated loss and U of every campaign at one frequency, and the bench's truth there."""
    folder = tmp_path_factory.mktemp("campaigns")
    names = [f"LOT-{number:04d}" for number in range(CAMPAIGNS)]
    lot = "".join(ITEM.format(number=number) for number in range(CAMPAIGNS))
    (folder / "bench.toml").write_text(BENCH + lot, "utf-8")
    bench = read_description(folder / "bench.toml")
    through_db = through_loss_db(bench, GRID_HZ)[0] / np.sqrt(GRID_HZ[0] / 1e9)
    (folder / "station.toml").write_text(STATION.format(through_db=through_db), "utf-8")
    items = "".join(f'[items.{name}]\nreturn_loss = "30 dB"\n' for name in names)
    (folder / "items.toml").write_text(items, "utf-8")
    workplace = read_workplace(folder / "station.toml", folder / "items.toml")
    (folder / "spot_check.py").write_text(PROCEDURE, "utf-8")
    procedure = find_procedure(str(folder / "spot_check.py"))
    assignment = Assignment(procedure, {}, folder / "results")
    paths = measure(workplace, workplace.choose([]), assignment)
    bands = [read_run(path).bands[BAND] for path in paths]
    loss_db = np.array([band.insertion_loss_db[0] for band in bands])
    u_db = np.array([band.expanded_uncertainty_db[0] for band in bands])
    return loss_db, u_db, insertion_loss_db(bench, names[0], GRID_HZ)[0]


def test_the_truth_lies_inside_as_often_as_stated(found):
    """The binomial confidence interval (Clopper-Pearson, scipy) of what was found holds 95.45 %."""
    loss_db, u_db, truth_db = found
    inside = int(np.sum(np.abs(loss_db - truth_db) <= u_db))
    interval = binomtest(inside, len(loss_db)).proportion_ci(0.95, "exact")
    assert interval.low <= COVERAGE_PROBABILITY <= interval.high, inside


def test_a_narrower_interval_would_be_found_out(found):
    """Half of U holds the truth so rarely that the same interval leaves 95.45 % out."""
    loss_db, u_db, truth_db = found
    inside = int(np.sum(np.abs(loss_db - truth_db) <= u_db / 2))
    assert binomtest(inside, len(loss_db)).proportion_ci(0.95, "exact").high < COVERAGE_PROBABILITY


def test_it_was_repeatability_that_made_the_errors(found):
    """Otherwise the campaigns would show little: they differ, and not all the same way."""
    loss_db, _, truth_db = found
    assert 0.01 < np.std(loss_db) < 0.1
    assert abs(np.mean(loss_db) - truth_db) < 3 * np.std(loss_db) / np.sqrt(len(loss_db))
