"""The simulated two-port network analyzer, declared as SCPI commands.

Commands by SCPI-99 volume 2 (command reference), from memory; FREQuency:DATA? and
AVERage:CLEar go beyond it. One measurement is as many sweeps as AVERage:COUNt says while
AVERage:STATe is on; SWEep:TIME? is the time of one of them. The list of FUNCtion[:ON] replaces
what was selected before.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from drivers.simulated.described.instrument_description import DescribedAnalyzer
from drivers.simulated.instruments.measurement import (
    ILLEGAL_VALUE,
    SETTINGS_CONFLICT,
    Measurement,
    swept_path,
)
from drivers.simulated.instruments.receiver import (
    REFERENCE_BANDWIDTH_HZ,
    LevelError,
    compression_db,
    leakage,
    level_dbm,
    relative_noise,
)
from drivers.simulated.instruments.settings import (
    Settings,
    averages,
    averaging_commands,
    frequencies_hz,
    physics_every,
    span_commands,
)
from drivers.simulated.physics.simulated_bench import FIRST_FREE_STREAM, SimulatedBench
from drivers.simulated.scpi import (
    Boolean,
    Choice,
    Command,
    Engine,
    Identity,
    Number,
    Query,
    Quoted,
    ScpiError,
    Text,
)

ComplexArray = NDArray[np.complex128]

SETTLING_PERIODS = 1.2
"""Time per point in periods of the intermediate-frequency bandwidth."""
LOWEST_IF_BANDWIDTH_HZ, HIGHEST_IF_BANDWIDTH_HZ = 1.0, 1e5
POWER_AT_RESET_DBM = -10.0

_STREAM_LINEARITY, _STREAM_LEAKAGE, _STREAM_DIRECTIVITY = range(
    FIRST_FREE_STREAM, FIRST_FREE_STREAM + 3
)
_PORTS = {"S11": (0, 0), "S21": (1, 0), "S12": (0, 1), "S22": (1, 1)}


class SimulatedAnalyzer:
    """Settings, source and trace memory of the analyzer on a simulated bench."""

    def __init__(self, bench: SimulatedBench, table: DescribedAnalyzer, version: str) -> None:
        self._bench = bench
        self._table = table
        # a receiver at each port
        self._linearity = [
            LevelError.drawn(table.linearity_db, bench.generator(_STREAM_LINEARITY, port))
            for port in range(2)
        ]
        self.engine = Engine(
            identity=Identity(
                "Tareline", "Simulated network analyzer", f"SIM-{bench.seed}", version
            ),
            commands=[],
            reset=self.reset,
        )
        self._measurement: Measurement[ComplexArray] = Measurement(
            self.engine,
            take=self._take,
            duration_s=lambda: averages(self.settings) * self._sweep_time_s(),
            surroundings=lambda: bench.changes,
            check=self._check,
        )
        self.settings = Settings(
            {
                "start_hz": table.lowest_frequency_hz,
                "stop_hz": table.highest_frequency_hz,
                "points": 201,
                "if_bandwidth_hz": 1000.0,
                "power_dbm": float(
                    np.clip(POWER_AT_RESET_DBM, table.lowest_power_dbm, table.highest_power_dbm)
                ),
                "average_count": 1,
                "averaging": False,
                "functions": tuple(_PORTS),
            },
            on_change=self._measurement.settings_changed,
        )
        self.rf_on = False
        self._known: (
            tuple[ComplexArray, tuple[float, tuple[str, ...]], tuple[ComplexArray, bool]] | None
        ) = None
        self.engine.add(self._commands())

    def reset(self) -> None:
        """The state after `*RST`: RF off, nothing measured."""
        self.rf_on = False
        self.settings.reset()
        self._measurement.reset()

    def _commands(self) -> list[Command | Query]:
        table, declare = self._table, self.settings.declare
        if_bandwidth = Number(
            "HZ", minimum=LOWEST_IF_BANDWIDTH_HZ, maximum=HIGHEST_IF_BANDWIDTH_HZ, default=1e3
        )
        power = Number(
            "DBM",
            minimum=table.lowest_power_dbm,
            maximum=table.highest_power_dbm,
            default=float(
                np.clip(POWER_AT_RESET_DBM, table.lowest_power_dbm, table.highest_power_dbm)
            ),
        )
        functions = Text()
        return [
            *span_commands(self.settings, table.lowest_frequency_hz, table.highest_frequency_hz),
            *declare("[SENSe]:BANDwidth[:RESolution]", "if_bandwidth_hz", if_bandwidth),
            *averaging_commands(self.settings, self._measurement.restart),
            *declare("SOURce:POWer[:LEVel][:IMMediate][:AMPLitude]", "power_dbm", power),
            Command("OUTPut[:STATe]", self._switch_output, parameters=(Boolean(),)),
            Query("OUTPut[:STATe]", lambda: self.rf_on),
            Query("[SENSe]:SWEep:TIME", self._sweep_time_s),
            Command("[SENSe]:FUNCtion[:ON]", self._select, (functions,), repeat_last=True),
            Command("[SENSe]:FUNCtion[:ON]:ALL", lambda: self._select_names(_PORTS)),
            Command("[SENSe]:FUNCtion:OFF", self._deselect, (functions,), repeat_last=True),
            Command("[SENSe]:FUNCtion:OFF:ALL", lambda: self._select_names(())),
            Query(
                "[SENSe]:FUNCtion[:ON]",
                lambda: tuple(Quoted(f"XFRequency:{n}") for n in self._functions) or Quoted(""),
            ),
            Query("[SENSe]:FUNCtion[:ON]:COUNt", lambda: len(self._functions)),
            Query(
                "[SENSe]:FUNCtion:STATe",
                lambda function: self._name(function) in self._functions,
                (functions,),
            ),
            *self._measurement.commands(),
            Query("TRACe[:DATA]", self._trace, parameters=(Choice(*_PORTS),)),
        ]

    def _switch_output(self, on: bool) -> None:
        if on != self.rf_on:
            self.rf_on = on
            self._measurement.source_switched()

    @property
    def _functions(self) -> tuple[str, ...]:
        selected: tuple[str, ...] = self.settings["functions"]
        return selected

    def _select(self, *functions: str) -> None:
        self._select_names([self._name(function) for function in functions])

    def _deselect(self, *functions: str) -> None:
        unwanted = {self._name(function) for function in functions}
        self._select_names(set(self._functions) - unwanted)

    def _select_names(self, names: Iterable[str]) -> None:
        wanted = set(names)
        self.settings.change(functions=tuple(name for name in _PORTS if name in wanted))

    @staticmethod
    def _name(function: str) -> str:
        head, _, name = function.upper().partition(":")
        if head not in ("XFR", "XFREQUENCY") or name not in _PORTS:
            raise ScpiError(ILLEGAL_VALUE, f"no function {function[:40]}")
        return name

    def _sweep_time_s(self) -> float:
        """Real seconds that one sweep takes at this bench's pace."""
        return self._bench.description.pace * self._simulated_sweep_time_s()

    def _simulated_sweep_time_s(self) -> float:
        """Each direction that a selected function needs is swept by itself."""
        directions = len({_PORTS[name][1] for name in self._functions})
        time_per_point_s = SETTLING_PERIODS / float(self.settings["if_bandwidth_hz"])
        return directions * int(self.settings["points"]) * time_per_point_s

    def _check(self) -> None:
        if self.settings["start_hz"] > self.settings["stop_hz"]:
            raise ScpiError(SETTINGS_CONFLICT, "start frequency above stop frequency")
        if not self._functions:
            raise ScpiError(SETTINGS_CONFLICT, "no function is selected")

    def _take(self) -> tuple[ComplexArray, bool]:
        """Sweep and average: raw S-parameters, shape (P, 2, 2), and whether overloaded."""
        bench, table = self._bench, self._table
        frequency_hz = frequencies_hz(self.settings)
        power_dbm = float(self.settings["power_dbm"])
        count = averages(self.settings)
        shape = (len(frequency_hz), 2, 2)
        total = np.zeros(shape, dtype=np.complex128)
        is_overloaded = False
        port_f = table.port_capacitance_f
        for sweep in range(count):
            bench.new_sweep()
            bench.pass_time(self._simulated_sweep_time_s())
            if not self.rf_on:
                continue
            if sweep % physics_every(count, bench) == 0:
                path = swept_path(bench, frequency_hz, port_f)
                received, is_too_much = self._received(frequency_hz, path, power_dbm)
                is_overloaded |= is_too_much
            total += received * self._gain()
        noise = bench.noise((2, 2, *shape))
        # circular: half of the power in either part
        trace, floor = (noise[:, 0] + 1j * noise[:, 1]) / np.sqrt(2.0 * count)
        bandwidth_ratio = np.sqrt(self.settings["if_bandwidth_hz"] / REFERENCE_BANDWIDTH_HZ)
        # of the relative error only the real part shows in the magnitude
        trace_ratio = np.sqrt(2.0) * relative_noise(table.trace_noise_db) * bandwidth_ratio
        floor_ratio = 10.0 ** ((table.noise_floor_dbm - power_dbm) / 20.0) * bandwidth_ratio
        readings = total / count * (1.0 + trace * trace_ratio) + floor * floor_ratio
        if table.one_way:
            readings[:, :, 1] = 0.0
        return readings, is_overloaded

    def _received(
        self, frequency_hz: NDArray[np.float64], path: ComplexArray, power_dbm: float
    ) -> tuple[ComplexArray, bool]:
        """What the receivers make of a path: leakage, linearity, compression.

        Computed once for a path, which the bench hands out as long as nothing on it changes.
        """
        known = self._known
        if known is None or known[0] is not path or known[1] != (power_dbm, self._functions):
            result = self._distorted(frequency_hz, path, power_dbm)
            self._known = known = (path, (power_dbm, self._functions), result)
        return known[2]

    def _distorted(
        self, frequency_hz: NDArray[np.float64], path: ComplexArray, power_dbm: float
    ) -> tuple[ComplexArray, bool]:
        table = self._table
        s = path.copy()
        for index, (out, into) in enumerate(((1, 0), (0, 1))):
            generator = self._bench.generator(_STREAM_LEAKAGE, index)
            s[:, out, into] += leakage(frequency_hz, table.isolation_db, generator)
            # the coupler of the port that sends: raw reflections, nothing is corrected
            s[:, into, into] *= 10.0 ** (-table.reflection_tracking_db / 20.0)
            coupler = self._bench.generator(_STREAM_DIRECTIVITY, index)
            s[:, into, into] += leakage(frequency_hz, table.directivity_db, coupler)
        level = level_dbm(s, power_dbm)
        error_db = np.empty_like(level)
        for port, linearity in enumerate(self._linearity):
            error_db[:, port] = linearity.at(level[:, port])
        is_overloaded = False
        if table.overload_level_dbm is not None:
            error_db += compression_db(level, table.overload_level_dbm)
            selected = np.stack([level[:, *_PORTS[name]] for name in self._functions])
            is_overloaded = bool(np.any(selected > table.overload_level_dbm))
        return s * 10.0 ** (error_db / 20.0), is_overloaded

    def _gain(self) -> NDArray[np.float64]:
        """Drift shows in transmission: what both directions of reflection share cancels."""
        gain = 10.0 ** (self._bench.drift_db("analyzer") / 20.0)
        return np.array([[1.0, gain], [gain, 1.0]])

    def _trace(self, name: str) -> ComplexArray:
        if name not in self._functions:
            raise ScpiError(SETTINGS_CONFLICT, f"XFRequency:{name} is not selected")
        out, into = _PORTS[name]
        return self._measurement.result()[:, out, into]
