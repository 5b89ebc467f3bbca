"""Campaigns of `adapter-pairs`: three or four adapters each, drawn anew, mated two at a time."""

from itertools import combinations
from pathlib import Path

import numpy as np

from drivers.simulated.described.bench_description import BenchDescription
from drivers.simulated.physics.construction import Workshop
from harness.several_runs.adapter_losses import combine_adapters
from tests.studies.campaigns.benches import BANDS, POINTS, all_frequencies, carry_out, draw_bench
from tests.studies.campaigns.benches import write_workplace as write
from tests.studies.campaigns.tally import Tally

SPREAD_OF_A_MATING = 0.35
"""As the bench draws it for the connections that it makes itself."""


def run_block(folder: Path, seed: int, campaigns: int, tally: Tally) -> None:
    """Some campaigns on one bench, which is started once."""
    generator = np.random.default_rng([seed, 6])
    drawn = draw_bench(generator, has_through=bool(seed % 2))
    things, items = "", ""
    pairs = {}
    for number in range(campaigns):
        adapters = {f"A{number}-{k}": _adapter(generator) for k in range(3 + number % 2)}
        pairs[number] = list(combinations(adapters, 2))
        if len(adapters) == 4:
            # one of the six is left out: what is measured need not be complete
            del pairs[number][generator.integers(6)]
        for name, part in adapters.items():
            things += f"[items.{name}]\nparts = [{part}]\n"
        for one, other in pairs[number]:
            made = 1 + SPREAD_OF_A_MATING * np.clip(generator.standard_normal(), -2.5, 2.5)
            joint = (
                f'{{ kind = "connector", resistance_at_1_ghz = "{made * drawn.mating_ohm:.5f} '
                'ohm", length = "0.001 mm", impedance = "50 ohm" }'
            )
            name = _pair(one, other)
            things += f"[items.{name}]\nparts = [{adapters[one]}, {joint}, {adapters[other]}]\n"
            items += f'[items.{name}]\nadapters = ["{one}", "{other}"]\n'
    description = write(folder, drawn, things, items)
    paths = carry_out(folder, "adapter-pairs", insertions=5, sweeps=1)
    for found in pairs.values():
        _judge([paths[_pair(*pair)] for pair in found], description, tally)


def _judge(paths: list[Path], description: BenchDescription, tally: Tally) -> None:
    found = combine_adapters(paths)
    grid = all_frequencies()
    workshop = Workshop(description, grid)
    mating = workshop.mating()
    for adapter in found.adapters:
        body = workshop.assembly(description.items[adapter])
        alone = -20 * np.log10(np.abs(workshop.chain([body, mating]).s[:, 1, 0]))
        for (name, losses), here in zip(found.losses.items(), _HERE, strict=True):
            tally.add(f"adapter, {name}", losses.loss_db(adapter), alone[here],
                      losses.expanded_uncertainty_db(adapter))  # fmt: skip
    if description.through.parts:
        body = workshop.assembly(description.items[found.adapters[0]])
        closed = -20 * np.log10(np.abs(workshop.chain([mating, body, mating]).s[:, 1, 0]))
        frequency_hz, loss_db, u_db = found.as_through(found.adapters[0])
        assert np.array_equal(frequency_hz, grid)
        tally.add("as a through", loss_db, closed, 2 * u_db)


_HERE = (slice(0, POINTS), slice(POINTS, None))
assert len(BANDS) == len(_HERE)


def _pair(one: str, other: str) -> str:
    return f"{one}_{other.split('-')[1]}"


def _adapter(generator) -> str:
    shape = generator.choice(["straight", "45-degree", "right-angle"])
    return (
        f'{{ kind = "adapter", shape = "{shape}", length = "{generator.uniform(12, 30):.2f} mm", '
        f'impedance = "{generator.uniform(48.5, 51.5):.3f} ohm", '
        f'resistance_at_1_ghz = "{generator.uniform(0.1, 0.5):.4f} ohm" }}'
    )
