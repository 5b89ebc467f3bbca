"""The state of the simulated bench: what is connected, what time it is, what a sweep reads.

Everything random is drawn from generators that are keyed by the seed and by a counter, so
that the same commands in the same order give the same readings, bit for bit.
"""

from __future__ import annotations

from collections import OrderedDict
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from drivers.simulated.construction import Workshop
from drivers.simulated.description import BenchDescription

if TYPE_CHECKING:
    from skrf import Network

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

THROUGH = "through"
NOTHING = ""

REFERENCE_IF_BANDWIDTH_HZ = 1000.0
DRIFT_TERMS = 6
MATING_SPREAD_LIMIT = 2.5
GRIDS_KEPT = 64
SWEEPS_PER_S_PARAMETER_SET = 2
"""Forward and reverse."""
SETTLING_PERIODS = 1.2
"""Time per point in periods of the intermediate-frequency bandwidth."""

_STREAM_MATING, _STREAM_NOISE, _STREAM_DRIFT = range(3)


class SimulatedBench:
    """One bench, shared by all its instruments."""

    def __init__(self, description: BenchDescription, seed: int | None = None) -> None:
        self.description = description
        self.seed = description.seed if seed is None else seed
        self.elapsed_s = 0.0
        self.connected = NOTHING
        self._making = 0
        self._sweeps = 0
        self._matings: tuple[tuple[float, float], ...] = ()
        self._workshops: OrderedDict[bytes, Workshop] = OrderedDict()
        self._leads: dict[bytes, tuple[Network, Network]] = {}
        self._assemblies: dict[tuple[bytes, str], Network | None] = {}
        self._path: dict[bytes, ComplexArray] = {}
        drift = self._generator(_STREAM_DRIFT, 0)
        self._drift_rate = (
            2.0 * np.pi / description.analyzer.drift_period_s * drift.uniform(0.3, 2.0, DRIFT_TERMS)
        )
        self._drift_phase = drift.uniform(0.0, 2.0 * np.pi, DRIFT_TERMS)

    def connect(self, what: str) -> None:
        """Put an item, the through, or nothing between the leads; every making is a new draw.

        Raises:
            KeyError: there is no such item on this bench.
        """
        if what not in (NOTHING, THROUGH) and what not in self.description.items:
            raise KeyError(what)
        self.elapsed_s += self.description.hand.connecting_time_s
        self.connected = what
        self._path.clear()
        if what != NOTHING:
            self._making += 1
            draws = self._generator(_STREAM_MATING, self._making).standard_normal((2, 2))
            limited = np.clip(draws, -MATING_SPREAD_LIMIT, MATING_SPREAD_LIMIT)
            scales = 1.0 + self.description.mating.spread * limited
            self._matings = tuple((float(r), float(g)) for r, g in scales)

    def sweep_time_s(self, points: int, if_bandwidth_hz: float) -> float:
        """Simulated seconds that one sweep of all four S-parameters takes."""
        return SWEEPS_PER_S_PARAMETER_SET * points * SETTLING_PERIODS / if_bandwidth_hz

    def sweep(
        self, frequency_hz: FloatArray, power_dbm: float, if_bandwidth_hz: float, rf_on: bool
    ) -> ComplexArray:
        """One sweep: raw S-parameters at the analyzer's ports, shape (P, 2, 2)."""
        analyzer = self.description.analyzer
        self.elapsed_s += self.sweep_time_s(len(frequency_hz), if_bandwidth_hz)
        self._sweeps += 1
        noise = self._generator(_STREAM_NOISE, self._sweeps).standard_normal(
            (2, 2, len(frequency_hz), 2, 2)
        )
        trace, floor = (noise[:, 0] + 1j * noise[:, 1]) / np.sqrt(2.0)
        bandwidth_scale = np.sqrt(if_bandwidth_hz / REFERENCE_IF_BANDWIDTH_HZ)
        floor_ratio = 10.0 ** ((analyzer.noise_floor_dbm - power_dbm) / 20.0) * bandwidth_scale
        if not rf_on:
            return np.asarray(floor * floor_ratio)
        # a relative error whose real part has the stated rms in dB
        trace_ratio = analyzer.trace_noise_db * np.log(10.0) / 20.0 * np.sqrt(2.0) * bandwidth_scale
        s = self._scattering(frequency_hz) * (1.0 + trace * trace_ratio)
        gain = 10.0 ** (self.drift_db(self.elapsed_s) / 20.0)
        s[:, 0, 1] *= gain
        s[:, 1, 0] *= gain
        return np.asarray(s + floor * floor_ratio)

    def drift_db(self, elapsed_s: float) -> float:
        """Slow change of the transmission gain since the start: a few incommensurate waves."""
        amplitude = self.description.analyzer.drift_db * np.sqrt(2.0 / DRIFT_TERMS)
        waves = np.sin(self._drift_rate * elapsed_s + self._drift_phase)
        return float(amplitude * np.sum(waves - np.sin(self._drift_phase)))

    def _scattering(self, frequency_hz: FloatArray) -> ComplexArray:
        """The whole path as it is now connected, without noise, shape (P, 2, 2)."""
        grid = frequency_hz.tobytes()
        if grid not in self._path:
            workshop = self._workshop(grid, frequency_hz)
            near, far = self._leads[grid]
            self._path[grid] = workshop.chain([near, *self._between(grid, workshop), far]).s
        return self._path[grid]

    def _between(self, grid: bytes, workshop: Workshop) -> list[Network]:
        if self.connected == NOTHING:
            return [workshop.open_end()]
        key = (grid, self.connected)
        if key not in self._assemblies:
            items = self.description.items
            self._assemblies[key] = workshop.assembly(
                self.description.through if self.connected == THROUGH else items[self.connected]
            )
        body = self._assemblies[key]
        first, second = (workshop.mating(r, g) for r, g in self._matings)
        return [first] if body is None else [first, body, second]

    def _workshop(self, grid: bytes, frequency_hz: FloatArray) -> Workshop:
        if grid not in self._workshops:
            workshop = Workshop(self.description, frequency_hz)
            self._workshops[grid] = workshop
            self._leads[grid] = (workshop.lead(), workshop.lead(reverse=True))
            while len(self._workshops) > GRIDS_KEPT:
                old, _ = self._workshops.popitem(last=False)
                del self._leads[old]
                for key in [key for key in self._assemblies if key[0] == old]:
                    del self._assemblies[key]
        return self._workshops[grid]

    def _generator(self, stream: int, index: int) -> np.random.Generator:
        return np.random.default_rng([self.seed, stream, index])
