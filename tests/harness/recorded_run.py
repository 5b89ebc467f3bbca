"""A finished run without a bench: imported from Touchstone files whose truth is known."""

from dataclasses import dataclass

import numpy as np
from skrf import Network

from drivers.simulated.described.bench_description import read_description
from drivers.simulated.physics.truth import scattering
from harness.running.import_run import Recordings, import_run
from harness.station.items import read_workplace
from harness.station.starter_files import write_starter
from tests.harness.set_ups import use_set_up

BANDS = ("telemetry-868", "backhaul-2400")
GRID = np.concatenate([np.linspace(862e6, 871e6, 19), np.linspace(2.39e9, 2.49e9, 21)])
ITEM = "PIG-0451"


def noise(shape, seed):
    """What no measurement is without: 120 dB below what is sent."""
    parts = np.random.default_rng(seed).standard_normal((2, *shape))
    return 1e-6 * (parts[0] + 1j * parts[1])


@dataclass(frozen=True)
class Recorded:
    """The run file, and what is true of the item at the points of `GRID`."""

    path: object
    s: np.ndarray


def recorded_run(folder):
    """The run of a sound item; leads turn the phase and lose 6 dB, and drift a little."""
    write_starter(folder)
    use_set_up(folder, "recorded", bands=BANDS)
    station = folder / "station.toml"
    text = station.read_text("utf-8")
    start, end = text.index("[through]"), text.index("[bands.")
    station.write_text(text[:start] + text[end:], "utf-8")
    items = folder / "items.toml"
    limits = 'length_limits = "5 mm"\n'
    limited = 'limits = { telemetry-868 = "0.6 dB", backhaul-2400 = "1.0 dB" }\n'
    items.write_text(items.read_text("utf-8").replace(limits, limits + limited, 1), "utf-8")
    s = scattering(read_description(folder / "simulated-bench.toml"), ITEM, GRID)
    leads = 10 ** (-6 / 20) * np.exp(-2j * np.pi * GRID * 9e-9)
    through = np.zeros((len(GRID), 2, 2), complex)
    through[:, 0, 1] = through[:, 1, 0] = 1.0
    made = {"through-1": through, "item-1": s, "item-2": s * 1.0005, "through-2": through * 1.0003}
    for name, matrices in made.items():
        seen = matrices + noise(matrices.shape, len(name) + ord(name[-1]))
        seen[:, 0, 1] *= leads
        seen[:, 1, 0] *= leads
        Network(f=GRID, f_unit="Hz", s=seen, z0=50).write_touchstone(
            name,
            folder,
            write_z0=False,
            form="ri",
            format_spec_A="{:.12g}",
            format_spec_B="{:.12g}",
        )
    paths = {name: folder / f"{name}.s2p" for name in made}
    recordings = Recordings(
        through=(paths["through-1"], paths["through-2"]),
        item=(paths["item-1"], paths["item-2"]),
        spacing="2 min",
        is_simulated=True,
    )
    workplace = read_workplace(station, folder / "items.toml")
    return Recorded(import_run(workplace, ITEM, recordings, folder / "results"), s)
