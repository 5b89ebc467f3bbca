"""Campaigns of `cable-lengths`: one cable each, drawn anew, in four lengths."""

from pathlib import Path

import numpy as np
import skrf
from scipy.constants import speed_of_light

from drivers.simulated.described.bench_description import BenchDescription
from drivers.simulated.physics.coaxial import coaxial
from drivers.simulated.physics.construction import Workshop
from drivers.simulated.physics.truth import insertion_loss_db
from harness.analysis.several_runs.cable_model import PER_METRE
from harness.several_runs.cable_from_lengths import combine_cable
from tests.studies.campaigns.benches import (
    BANDS,
    LINE,
    POINTS,
    all_frequencies,
    carry_out,
    draw_bench,
    write_workplace,
)
from tests.studies.campaigns.tally import Tally

LENGTHS_MM = (150, 400, 900, 1500)
PREDICTED_MM = 1100
LENGTH_LIMITS_MM = 2.0
PHASES = 64


def run_block(folder: Path, seed: int, campaigns: int, tally: Tally) -> None:
    """Some campaigns on one bench, which is started once."""
    generator = np.random.default_rng(seed)
    drawn = draw_bench(generator, has_through=bool(seed % 2))
    things, items = "", ""
    for number in range(campaigns):
        connector = _connector(generator)
        things += _line(generator, f"cable {number}")
        for length in LENGTHS_MM:
            true_mm = length + generator.uniform(-LENGTH_LIMITS_MM, LENGTH_LIMITS_MM)
            things += _item(f"C{number}-{length}", f"cable {number}", true_mm, connector)
            items += f'[items.C{number}-{length}]\ncable_length = "{length} mm"\n'
            items += f'length_limits = "{LENGTH_LIMITS_MM} mm"\n'
        things += _item(f"C{number}-more", f"cable {number}", PREDICTED_MM, connector)
    description = write_workplace(folder, drawn, things, items)
    paths = carry_out(folder, "cable-lengths", insertions=5, sweeps=1)
    for number in range(campaigns):
        _judge([paths[f"C{number}-{length}"] for length in LENGTHS_MM], description, number, tally)


def _judge(paths, description: BenchDescription, number: int, tally: Tally) -> None:
    cable = combine_cable(paths)
    grid = all_frequencies()
    media = coaxial(
        description.lines[f"cable {number}"], skrf.Frequency.from_f(grid, unit="hz"), 50
    )
    alpha = 20 / np.log(10) * media.gamma.real
    connectors = _connectors_db(description, number, grid, alpha)
    predicted = insertion_loss_db(description, f"C{number}-more", grid)
    for name, model in cable.models.items():
        here = slice(0, POINTS) if name == next(iter(BANDS)) else slice(POINTS, None)
        u = model.estimate.expanded_uncertainty
        tally.add(f"loss per metre, {name}", model.attenuation_db_per_m, alpha[here], u(PER_METRE))
        tally.add(f"connectors, {name}", model.connectors_db, connectors[here],
                  u(np.array([0.0, 1.0])))  # fmt: skip
        length_m = PREDICTED_MM / 1e3
        tally.add(f"another length, {name}", model.loss_db(length_m), predicted[here],
                  model.prediction_uncertainty_db(length_m))  # fmt: skip
    constants = cable.constants
    tally.add("a sqrt(f) + b f", constants.attenuation(grid), alpha,
              2.0 * constants.standard_uncertainty(grid))  # fmt: skip
    assert cable.velocity is not None, cable.notes
    permittivity = description.lines[f"cable {number}"].permittivity
    tally.add("velocity factor", cable.velocity.value, 1 / np.sqrt(permittivity),
              cable.velocity.expanded_uncertainty)  # fmt: skip


def _connectors_db(description: BenchDescription, number: int, grid, alpha) -> np.ndarray:
    """What an assembly loses beyond its cable, on average over the phase of its length: over a
    half wave at 100 MHz, which is whole half waves at every multiple of it."""
    assert np.allclose(grid % 100e6, 0.0)
    permittivity = description.lines[f"cable {number}"].permittivity
    half_wave_m = speed_of_light / np.sqrt(permittivity) / 100e6 / 2
    workshop = Workshop(description, grid)
    mating = workshop.mating()
    assembly = description.items[f"C{number}-{LENGTHS_MM[0]}"]
    total = np.zeros_like(grid)
    for length_m in 0.4 + half_wave_m * np.arange(PHASES) / PHASES:
        parts = tuple(
            part.model_copy(update={"length_m": length_m}) if part.kind == "line" else part
            for part in assembly.parts
        )
        body = workshop.assembly(assembly.model_copy(update={"parts": parts}))
        s21 = workshop.chain([mating, body, mating]).s[:, 1, 0]
        total += -20 * np.log10(np.abs(s21)) - length_m * alpha
    if not description.through.parts:
        # where the leads join directly, one mating was there before
        total += PHASES * 20 * np.log10(np.abs(mating.s[:, 1, 0]))
    return total / PHASES


def _line(generator, name: str) -> str:
    inner = generator.uniform(0.4, 1.4)
    permittivity = generator.uniform(1.4, 2.3)
    impedance = generator.uniform(48.0, 52.0)
    return LINE.format(
        name=name,
        inner=inner,
        # Z0 = 59.96 ohm / sqrt(eps) ln(D / d) (textbook)
        outer=inner * np.exp(impedance * np.sqrt(permittivity) / 59.96),
        permittivity=permittivity,
        loss_tangent=generator.uniform(1e-4, 6e-4),
        inner_factor=generator.uniform(1.0, 1.4),
        outer_factor=generator.uniform(1.0, 1.8),
    )


def _connector(generator) -> str:
    return (
        f'{{ kind = "connector", resistance_at_1_ghz = "{generator.uniform(0.1, 0.4):.4f} ohm", '
        f'length = "{generator.uniform(6, 12):.2f} mm", '
        f'impedance = "{generator.uniform(48.5, 51.5):.3f} ohm" }}'
    )


def _item(name: str, line: str, length_mm: float, connector: str) -> str:
    cable = f'{{ kind = "line", of = "{line}", length = "{length_mm:.4f} mm" }}'
    return f"[items.{name}]\nparts = [{connector}, {cable}, {connector}]\n"
