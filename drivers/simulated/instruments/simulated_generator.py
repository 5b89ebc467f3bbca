"""The simulated signal generator, declared as SCPI commands.

Commands by SCPI-99 volume 2 (SOURce and OUTPut subsystems), from memory.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from drivers.simulated.described.instrument_description import DescribedGenerator
from drivers.simulated.instruments.measurement import SETTLING_BIT
from drivers.simulated.instruments.receiver import LevelError
from drivers.simulated.instruments.settings import Settings
from drivers.simulated.physics.simulated_bench import FIRST_FREE_STREAM, SimulatedBench
from drivers.simulated.scpi import Boolean, Command, Engine, Identity, Number, Query, setting

FREQUENCY_AT_RESET_HZ = 1e9

_STREAM_LEVEL = FIRST_FREE_STREAM + 2


class SimulatedGenerator:
    """A source of one frequency at the near lead.

    `changed_at_s` is the bench's time at which its output was last changed.
    """

    def __init__(self, bench: SimulatedBench, table: DescribedGenerator, version: str) -> None:
        self._bench = bench
        self._table = table
        self._level_error = LevelError.drawn(
            table.level_error_db, bench.generator(_STREAM_LEVEL, 0)
        )
        self.changed_at_s = bench.elapsed_s
        self._rf_on = False
        self.engine = Engine(
            identity=Identity(
                "Tareline", "Simulated signal generator", f"SIM-{bench.seed}", version
            ),
            commands=[],
            reset=self.reset,
        )
        lowest_hz, highest_hz = table.lowest_frequency_hz, table.highest_frequency_hz
        frequency_hz = min(max(FREQUENCY_AT_RESET_HZ, lowest_hz), highest_hz)
        self._settings = Settings(
            {"frequency_hz": frequency_hz, "level_dbm": table.lowest_level_dbm},
            on_change=self._settle,
        )
        frequency = Number("HZ", minimum=lowest_hz, maximum=highest_hz, default=frequency_hz)
        level = Number(
            "DBM",
            minimum=table.lowest_level_dbm,
            maximum=table.highest_level_dbm,
            default=table.lowest_level_dbm,
        )
        declare = self._settings.declare
        self.engine.add(
            [
                *declare("[SOURce]:FREQuency[:CW]", "frequency_hz", frequency),
                *declare("[SOURce]:FREQuency:FIXed", "frequency_hz", frequency),
                *declare("[SOURce]:POWer[:LEVel][:IMMediate][:AMPLitude]", "level_dbm", level),
                *_output(lambda: self._rf_on, self._switch_output),
            ]
        )

    def reset(self) -> None:
        """The state after `*RST`: RF off, lowest level."""
        self._rf_on = False
        self._settings.reset()
        self.changed_at_s = self._bench.elapsed_s

    @property
    def is_on(self) -> bool:
        """Whether RF comes out."""
        return self._rf_on

    @property
    def frequency_hz(self) -> float:
        """Frequency of the output."""
        return float(self._settings["frequency_hz"])

    @property
    def port_capacitance_f(self) -> float:
        """What makes its port differ from 50 ohm."""
        return self._table.port_capacitance_f

    @property
    def level_dbm(self) -> float:
        """The level that really is available at the port, as it is now."""
        stated = float(self._settings["level_dbm"])
        error_db = float(self._level_error.at(np.array(stated)))
        return stated + error_db + self._bench.drift_db("generator")

    def _switch_output(self, on: bool) -> None:
        if on != self._rf_on:
            self._rf_on = on
            self._settle()

    def _settle(self) -> None:
        self._bench.pass_time(self._table.settling_time_s)
        self.changed_at_s = self._bench.elapsed_s
        duration_s = self._bench.description.pace * self._table.settling_time_s
        self.engine.begin(duration_s, operation_bit=SETTLING_BIT)


def _output(get: Callable[[], bool], switch: Callable[[bool], None]) -> tuple[Command, Query]:
    return setting("OUTPut[:STATe]", Boolean(), get=get, set=switch)
