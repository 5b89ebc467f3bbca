"""The simulated two-port network analyzer, declared as SCPI commands."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from drivers.simulated.bench import SimulatedBench
from drivers.simulated.scpi import (
    Boolean,
    Choice,
    Command,
    Engine,
    Identity,
    Integer,
    Number,
    Query,
    Quoted,
    ScpiError,
    Text,
    setting,
)

LARGEST_SWEEP = 20001
LOWEST_POWER_DBM = -55.0
SWEEPING_BIT = 3
"""Bit of the operation status register that means sweeping (SCPI-99, volume 1, 20.1)."""

_PORTS = {"S11": (0, 0), "S21": (1, 0), "S12": (0, 1), "S22": (1, 1)}
_INIT_IGNORED, _SETTINGS_CONFLICT, _DATA_STALE, _ILLEGAL_VALUE = -213, -221, -230, -224


class SimulatedAnalyzer:
    """Settings, source and trace memory of the analyzer on a simulated bench."""

    def __init__(self, bench: SimulatedBench, version: str) -> None:
        self._bench = bench
        self._limits = bench.description.analyzer
        self.reset()
        self.engine = Engine(
            identity=Identity(
                "Tareline", "Simulated network analyzer", f"SIM-{bench.seed}", version
            ),
            commands=self._commands(),
            reset=self.reset,
            self_test=lambda: 0,
            data_format=True,
        )

    def reset(self) -> None:
        """The state after `*RST`: RF off, nothing measured."""
        self.settings: dict[str, Any] = {
            "start_hz": self._limits.lowest_frequency_hz,
            "stop_hz": self._limits.highest_frequency_hz,
            "points": 201,
            "if_bandwidth_hz": 1000.0,
            "power_dbm": -10.0,
            "continuous": False,
        }
        self.rf_on = False
        self._traces: NDArray[np.complex128] | None = None

    def _commands(self) -> list[Command | Query]:
        limits = self._limits
        lowest, highest = limits.lowest_frequency_hz, limits.highest_frequency_hz
        return [
            *self._setting("[SENSe]:FREQuency:STARt", "start_hz",
                           Number("HZ", minimum=lowest, maximum=highest, default=lowest)),
            *self._setting("[SENSe]:FREQuency:STOP", "stop_hz",
                           Number("HZ", minimum=lowest, maximum=highest, default=highest)),
            *self._setting("[SENSe]:SWEep:POINts", "points",
                           Integer(minimum=2, maximum=LARGEST_SWEEP, default=201)),
            *self._setting("[SENSe]:BANDwidth[:RESolution]", "if_bandwidth_hz",
                           Number("HZ", minimum=1.0, maximum=1e5, default=1e3)),
            *self._setting("SOURce:POWer[:LEVel][:IMMediate][:AMPLitude]", "power_dbm",
                           Number("DBM", minimum=LOWEST_POWER_DBM,
                                  maximum=limits.highest_power_dbm, default=-10.0)),
            *self._setting("INITiate:CONTinuous", "continuous", Boolean()),
            *setting("OUTPut[:STATe]", Boolean(),
                     get=lambda: self.rf_on, set=self._switch_output),
            Query("[SENSe]:SWEep:TIME", self._sweep_time_s),
            Command("[SENSe]:FUNCtion[:ON]", self._select, parameters=(Text(),), repeat_last=True),
            Query("[SENSe]:FUNCtion[:ON]",
                  lambda: tuple(Quoted(f"XFRequency:{name}") for name in _PORTS)),
            Command("INITiate[:IMMediate]", self._initiate),
            Command("ABORt", lambda: self.engine.abort()),
            Query("TRACe[:DATA]", self._trace,
                  parameters=(Choice(*_PORTS),)),
        ]  # fmt: skip

    def _setting(self, header: str, key: str, parameter: Any) -> list[Command | Query]:
        def put(value: Any) -> None:
            self.settings[key] = value
            self._traces = None

        return list(setting(header, parameter, get=lambda: self.settings[key], set=put))

    def _switch_output(self, on: bool) -> None:
        self.rf_on = on

    def _select(self, *functions: str) -> None:
        known = {f"XFREQUENCY:{name}" for name in _PORTS} | {f"XFR:{name}" for name in _PORTS}
        wrong = [function for function in functions if function.upper() not in known]
        if wrong:
            raise ScpiError(_ILLEGAL_VALUE, f"no function {wrong[0]}")

    def _sweep_time_s(self) -> float:
        """Real seconds that a sweep takes at this bench's pace."""
        simulated_s = self._bench.sweep_time_s(
            self.settings["points"], self.settings["if_bandwidth_hz"]
        )
        return self._bench.description.pace * simulated_s

    def _initiate(self) -> None:
        if self.engine.pending:
            raise ScpiError(_INIT_IGNORED)
        if self.settings["start_hz"] > self.settings["stop_hz"]:
            raise ScpiError(_SETTINGS_CONFLICT, "start frequency above stop frequency")
        self._traces = None
        self.engine.begin(
            self._sweep_time_s(), on_done=self._take_readings, operation_bit=SWEEPING_BIT
        )

    def _take_readings(self) -> None:
        frequency_hz = np.linspace(
            self.settings["start_hz"], self.settings["stop_hz"], self.settings["points"]
        )
        self._traces = self._bench.sweep(
            frequency_hz, self.settings["power_dbm"], self.settings["if_bandwidth_hz"], self.rf_on
        )

    def _trace(self, name: str) -> NDArray[np.complex128]:
        if self._traces is None:
            raise ScpiError(_DATA_STALE, "no finished sweep with these settings")
        out, into = _PORTS[name]
        return self._traces[:, out, into]
