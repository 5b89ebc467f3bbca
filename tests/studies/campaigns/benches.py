"""Simulated benches of which every one differs: ports, leads, through, scatter of connections.

Each station states what is true of its own bench: the match as it is at its worst, limits that
the draws fill.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from drivers.simulated.described.bench_description import BenchDescription, parse_description
from drivers.simulated.physics.truth import port_match, through_loss_db
from harness.running.finding_procedures import find_procedure
from harness.running.measure import Assignment, measure
from harness.station.items import read_workplace

BANDS = {"low": (400e6, 900e6), "high": (5.0e9, 5.5e9)}
POINTS = 6
LINE = """
[lines."{name}"]
inner_diameter = "{inner:.4f} mm"
outer_diameter = "{outer:.4f} mm"
permittivity = {permittivity:.4f}
loss_tangent = {loss_tangent:.6f}
inner_conductivity = "58 MS/m"
outer_conductivity = "58 MS/m"
inner_factor = {inner_factor:.3f}
outer_factor = {outer_factor:.3f}
"""
BENCH = """
seed = {seed}
[analyzer]
trace_noise = "0.0015 dB"
noise_floor = "-112 dBm"
drift = "0.003 dB"
drift_period = "25 min"
port_capacitance = "{port:.4f} pF"
lowest_frequency = "300 kHz"
highest_frequency = "9 GHz"
highest_power = "10 dBm"
linearity = "0.002 dB"
overload_level = "5 dBm"
isolation = "125 dB"
[leads]
line = "lead cable"
length = "{lead:.1f} mm"
pad = "10 dB"
pad_capacitance = "{pad:.4f} pF"
flexure_length = "0.01 mm"
flexure_resistance = 0.0005
[mating]
resistance_at_1_ghz = "{mating:.4f} ohm"
gap = "0.02 nH"
spread = 0.35
[hand]
connecting_time = "25 s"
[through]
parts = {through}
[lines."lead cable"]
inner_diameter = "1.02 mm"
outer_diameter = "2.95 mm"
permittivity = 1.6
loss_tangent = 2e-4
inner_conductivity = "58 MS/m"
outer_conductivity = "58 MS/m"
outer_factor = 1.3
"""
STATION = """
name = "Saltmarsh Telemetry, drawn bench (simulated)"
temperature = "20 °C"
[simulation]
bench = "simulated-bench.toml"
[analyzer]
power = "-10 dBm"
maximum_power = "0 dBm"
if_bandwidth = "1 kHz"
source_match = "{match:.2f} dB"
load_match = "{match:.2f} dB"
drift_per_hour = "0.02 dB"
[leads]
connector = "SMA"
torque = "0.56 N m"
connection_repeatability = "0.02 dB"
loss_difference = "0.1 dB"
"""
THROUGH = """
[through]
adapter = "SMA straight adapter"
loss_at_1_ghz = "0.035 dB"
loss_limits_at_1_ghz = "0.01 dB"
return_loss = "32 dB"
"""


@dataclass(frozen=True)
class Drawn:
    """A bench as text, with what its station may say of itself."""

    bench: str
    has_through: bool
    mating_ohm: float


def draw_bench(generator: np.random.Generator, *, has_through: bool) -> Drawn:
    """One bench; the loss of its through lies within the limits that its station states."""
    mating = generator.uniform(0.08, 0.14)
    # two matings and the body make 0.025 to 0.045 dB at 1 GHz (20 log10(1 + R / 100 ohm))
    body = generator.uniform(0.295, 0.51) - 2 * mating
    part = (
        f'[{{ kind = "connector", resistance_at_1_ghz = "{body:.4f} ohm", length = "12 mm", '
        f'impedance = "{generator.uniform(49.5, 50.5):.3f} ohm" }}]'
    )
    text = BENCH.format(
        seed=generator.integers(1, 2**31),
        port=generator.uniform(0.02, 0.2),
        lead=generator.uniform(600, 1000),
        pad=generator.uniform(0.0, 0.04),
        mating=mating,
        through=part if has_through else "[]",
    )
    return Drawn(text, has_through, float(mating))


def write_workplace(folder: Path, drawn: Drawn, things: str, items: str) -> BenchDescription:
    """A folder to measure in; `things` are lines and items for the bench's description."""
    folder.mkdir(parents=True)
    text = drawn.bench + things
    description = parse_description(text)
    (folder / "simulated-bench.toml").write_text(text, "utf-8")
    (folder / "items.toml").write_text(items, "utf-8")
    grid = all_frequencies()
    match_db = -20 * np.log10(port_match(description, grid).max())
    station = STATION.format(match=match_db - 0.01) + (THROUGH if drawn.has_through else "")
    for name, (start, stop) in BANDS.items():
        station += f'[bands.{name}]\nstart = "{start:.0f} Hz"\nstop = "{stop:.0f} Hz"\n'
        station += f"points = {POINTS}\n"
    (folder / "station.toml").write_text(station, "utf-8")
    if drawn.has_through:
        off = through_loss_db(description, grid) - 0.035 * np.sqrt(grid / 1e9)
        assert np.all(np.abs(off) <= 0.0101 * np.sqrt(grid / 1e9)), "the station states what is so"
    return description


def all_frequencies() -> np.ndarray:
    return np.concatenate([np.linspace(start, stop, POINTS) for start, stop in BANDS.values()])


def carry_out(folder: Path, procedure: str, insertions: int, sweeps: int) -> dict[str, Path]:
    """Measure all items of a folder in one go, over TCP; the run file of each item."""
    workplace = read_workplace(folder / "station.toml", folder / "items.toml")
    parameters = {"insertions": insertions, "sweeps": sweeps}
    work = Assignment(find_procedure(procedure), parameters, folder / "results")
    paths = measure(workplace, workplace.items, work)
    return dict(zip(workplace.items, paths, strict=True))
