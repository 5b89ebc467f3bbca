"""The simulated thermometer, declared as SCPI commands.

Commands by SCPI-99 volume 2 (MEASure, UNIT), from memory.
"""

from __future__ import annotations

from drivers.simulated.described.instrument_description import DescribedThermometer
from drivers.simulated.instruments.settings import Settings
from drivers.simulated.physics.simulated_bench import FIRST_FREE_STREAM, SimulatedBench
from drivers.simulated.scpi import Choice, Command, Engine, Identity, Query

_STREAM_NOISE = FIRST_FREE_STREAM + 7
_UNITS = {"C": "C", "CEL": "C", "K": "K", "F": "F", "FAR": "F"}


class SimulatedThermometer:
    """Reads the temperature of the bench, with the errors that its table states."""

    def __init__(self, bench: SimulatedBench, table: DescribedThermometer, version: str) -> None:
        self._bench = bench
        self._table = table
        self._readings = 0
        self._settings = Settings({"unit": "C"}, on_change=lambda: None)
        self.engine = Engine(
            identity=Identity("Tareline", "Simulated thermometer", f"SIM-{bench.seed}", version),
            commands=self._commands(),
            reset=self._settings.reset,
        )

    def _commands(self) -> list[Command | Query]:
        return [
            *self._settings.declare("UNIT:TEMPerature", "unit", Choice(_UNITS)),
            Query("MEASure[:SCALar]:TEMPerature", self._measure),
        ]

    def _measure(self) -> float:
        """One reading in the unit that was asked for."""
        table = self._table
        self._readings += 1
        self._bench.pass_time(table.reading_time_s)
        draw = float(self._bench.draws(_STREAM_NOISE, self._readings).standard_normal())
        reading_c = self._bench.temperature_c + table.offset_k + table.noise_k * draw
        if table.resolution_k:
            reading_c = round(reading_c / table.resolution_k) * table.resolution_k
        if self._settings["unit"] == "K":
            return reading_c + 273.15
        return reading_c * 9.0 / 5.0 + 32.0 if self._settings["unit"] == "F" else reading_c
