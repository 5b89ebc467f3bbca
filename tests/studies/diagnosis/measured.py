"""A drawn item measured on the simulated bench's physics, in this process.

Connections are made anew for each insertion; noise, drift and flexing leads are the bench's.
"""

import re
from dataclasses import dataclass, replace
from importlib import resources

import numpy as np

from drivers.simulated.described.bench_description import parse_description
from drivers.simulated.instruments.receiver import relative_noise
from drivers.simulated.physics.simulated_bench import THROUGH, SimulatedBench
from harness.analysis.diagnosis.diagnosis import Diagnosis, diagnose
from harness.analysis.diagnosis.observation import Observation, observe
from harness.analysis.diagnosis.transit_time import item_delay
from harness.analysis.expected.catalogue_files import load_catalogue
from harness.analysis.expected.expected_loss import expected_loss
from harness.analysis.expected.part_list import parse_part
from harness.analysis.loss.band import BandReadings, BandResult, Statements
from harness.analysis.loss.evaluate import evaluate
from harness.analysis.uncertainty.mismatch import reflection_magnitude
from harness.station.items import length_in_m
from tests.studies.diagnosis.assemblies import Drawn

ITEM = "DRAWN"
WIDE = (np.linspace(100e6, 6e9, 401),)
NARROW = (
    np.linspace(433.05e6, 434.79e6, 51),
    np.linspace(863e6, 870e6, 51),
    np.linspace(1.610e9, 1.6265e9, 51),
    np.linspace(2.4e9, 2.4835e9, 101),
    np.linspace(5.47e9, 5.725e9, 101),
)
"""The bands of the station that `tareline init` writes."""
INSERTIONS = 4
LENGTH_LIMITS_M = 0.005
TEMPERATURE_C = 20.0


@dataclass(frozen=True)
class Found:
    """What was made of one item."""

    drawn: Drawn
    seen: Observation
    diagnosis: Diagnosis
    bands: tuple[BandResult, ...]


def bench_text(drawn: Drawn, seed: int) -> str:
    """The starting bench with this item alone on it."""
    starter = resources.files("harness.station") / "starter"
    base = (starter / "simulated-bench.toml").read_text("utf-8")
    base = re.sub(r"(?m)^seed = \d+", f"seed = {seed}", base)
    base = base[: base.index("# Items are parts in a row")]
    return f"{base}\n{drawn.lines}\n[items.{ITEM}]\nparts = {drawn.parts}\n"


def examine(
    drawn: Drawn, seed: int, grids: tuple[np.ndarray, ...], *, with_phase: bool = True
) -> Found:
    """Measure in every band, evaluate, diagnose."""
    bench = SimulatedBench(parse_description(bench_text(drawn, seed)))
    readings = measure(bench, grids)
    if not with_phase:
        readings = [magnitudes(own) for own in readings]
    chain = [parse_part(text, length_in_m) for text in drawn.made_of]
    bands, expected = [], []
    for own in readings:
        ought = expected_loss(
            chain,
            load_catalogue(),
            own.frequency_hz,
            temperature_c=TEMPERATURE_C,
            length_limits_m=LENGTH_LIMITS_M,
        )
        bands.append(evaluate(own, statements(own), ought))
        expected.append(ought)
    seen = observe(bands, expected, item_delay(readings, bands, expected[0]))
    return Found(drawn, seen, diagnose(seen), tuple(bands))


def measure(bench: SimulatedBench, grids: tuple[np.ndarray, ...]) -> list[BandReadings]:
    """The through, the insertions, the through again, as `qualify` does with single sweeps."""
    makings = [THROUGH] + [ITEM] * INSERTIONS + [THROUGH]
    table = bench.description.analyzer
    whole = np.concatenate(grids)
    sweeps, times = [], []
    for what in makings:
        bench.connect(what)
        times.append(bench.elapsed_s)
        gain = 10.0 ** (-bench.drift_db("analyzer") / 20.0)
        bench.new_sweep()
        s = bench.path(whole, table.port_capacitance_f, table.port_capacitance_f)
        noise = bench.noise((2, 3, len(whole))) * relative_noise(table.trace_noise_db)
        rows = np.stack([s[:, 1, 0], s[:, 0, 0], s[:, 1, 1]])
        sweeps.append(rows * gain * (1.0 + noise[0] + 1j * noise[1]))
    ends = np.cumsum([len(grid) for grid in grids])[:-1]
    traces = [
        np.stack(kept) for kept in zip(*(np.split(s, ends, axis=1) for s in sweeps), strict=True)
    ]
    time = np.array(times)
    return [
        BandReadings(
            frequency_hz=grid,
            traces=("S21", "S11", "S22"),
            normalization=kept[[0, -1]],
            normalization_time=time[[0, -1]],
            normalization_making=np.array([0, 1]),
            insertions=kept[1:-1],
            insertion_time=time[1:-1],
            insertion=np.arange(INSERTIONS),
        )
        for kept, grid in zip(traces, grids, strict=True)
    ]


def magnitudes(readings: BandReadings) -> BandReadings:
    """What a detector would have seen of them."""
    return replace(
        readings,
        traces=("transmission",),
        normalization=np.abs(readings.normalization[:, :1]).astype(complex),
        insertions=np.abs(readings.insertions[:, :1]).astype(complex),
    )


def statements(readings: BandReadings) -> Statements:
    """What the station that `tareline init` writes says of itself.

    Without S11 and S22 the item's return loss has to be stated.
    """
    root = np.sqrt(readings.frequency_hz / 1e9)
    return Statements(
        source_reflection=reflection_magnitude(30.0),
        load_reflection=reflection_magnitude(30.0),
        connection_repeatability_db=0.02,
        through_loss_db=0.035 * root,
        through_loss_limits_db=0.01 * root,
        through_reflection=reflection_magnitude(30.0),
        item_reflection=reflection_magnitude(20.0) if readings.is_scalar else None,
        drift_db_per_hour=0.02,
        lead_loss_difference_db=1.0,
        linearity_db=0.0,
    )
