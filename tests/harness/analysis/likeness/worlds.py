"""Connections as the simulated bench's physics makes them, swept without an instrument.

The physics (drivers/simulated) is written apart from what is tested here and knows nothing of it.
"""

from pathlib import Path

import numpy as np

from drivers.simulated.described.bench_description import read_description
from drivers.simulated.physics.simulated_bench import SimulatedBench
from drivers.sweep import S_PARAMETERS, SCALAR
from harness.analysis.likeness.made_connection import made_connection

DESCRIBED = read_description(
    Path(__file__).parents[4] / "harness/station/starter/simulated-bench.toml"
)
BANDS = {
    "telemetry-433": (433.05e6, 434.79e6), "telemetry-868": (863e6, 870e6),
    "satellite": (1.61e9, 1.6265e9), "backhaul-2400": (2.4e9, 2.4835e9),
    "backhaul-5600": (5.47e9, 5.725e9),
}  # fmt: skip
FEW = ("telemetry-433", "satellite", "backhaul-5600")
PORT_F = 0.08e-12
FLOOR = 4e-6
APART_S = 30.0


class World:
    """One bench; connections are made and swept in turn."""

    def __init__(
        self, seed, *, traces=S_PARAMETERS, bands=FEW, points=21, noise_db=0.0015, step_db=0.0,
        sweeps=4, described=DESCRIBED,
    ):  # fmt: skip
        self.bench = SimulatedBench(described, seed)
        self.traces, self.sweeps = traces, sweeps
        self.grids = {band: np.linspace(*BANDS[band], points) for band in bands}
        self._noise = noise_db / 8.686
        self.step_db = step_db
        self.loss_db = 0.0
        """Of the receiver, since the bench was made."""
        self._rng = np.random.default_rng([seed, 7])

    def connects(self, what):
        """Make a connection and sweep it."""
        self.bench.connect(what)
        return self.sweeps_again()

    def sweeps_again(self):
        """Sweep what is connected, a little later."""
        self.bench.pass_time(APART_S)
        return {band: self._swept(grid) for band, grid in self.grids.items()}

    def swept_once(self, band):
        """The readings of one sweep (S, P) of what is connected now."""
        self.bench.pass_time(1.0)
        return self._readings(self.grids[band], 1)[0]

    def _swept(self, grid):
        readings = self._readings(grid, self.sweeps)
        times = self.bench.elapsed_s + np.arange(self.sweeps)
        return made_connection(grid, self.traces, readings, times)

    def _readings(self, grid, sweeps):
        s = self.bench.path(grid, PORT_F, PORT_F)
        gain = 10.0 ** ((self.bench.drift_db("analyzer") - self.loss_db) / 20.0)
        rows = {"S11": s[:, 0, 0], "S21": s[:, 1, 0] * gain, "S12": s[:, 0, 1] * gain,
                "S22": s[:, 1, 1], "transmission": np.abs(s[:, 1, 0]) * gain + 0j}  # fmt: skip
        draws = self._rng.standard_normal((2, 2, sweeps, len(self.traces), len(grid)))
        if self.traces == SCALAR:
            draws[:, 1] = 0.0
        relative, floor = draws[:, 0] + 1j * draws[:, 1]
        whole = np.stack([rows[trace] for trace in self.traces])
        readings = whole * (1.0 + self._noise * relative) + FLOOR * floor
        if self.step_db:
            level = 20.0 * np.log10(np.abs(readings))
            coarse = np.round(level / self.step_db) * self.step_db
            readings = readings / np.abs(readings) * 10.0 ** (coarse / 20.0)
        return readings
