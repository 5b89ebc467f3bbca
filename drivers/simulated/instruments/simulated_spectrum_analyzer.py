"""The simulated spectrum analyzer with tracking generator, declared as SCPI commands.

Commands by SCPI-99 volume 2 (SENSe, DISPlay, INPut, SOURce, OUTPut, TRACe), from memory;
FREQuency:DATA? and AVERage:CLEar go beyond it. Averaging is of power.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from drivers.simulated.described.instrument_description import DescribedSpectrumAnalyzer
from drivers.simulated.instruments.measurement import SETTINGS_CONFLICT, Measurement, swept_path
from drivers.simulated.instruments.receiver import (
    REFERENCE_BANDWIDTH_HZ,
    LevelError,
    compression_db,
    leakage,
    relative_noise,
    watts,
)
from drivers.simulated.instruments.settings import (
    Settings,
    averages,
    averaging_commands,
    frequencies_hz,
    physics_every,
    span_commands,
)
from drivers.simulated.instruments.simulated_generator import SimulatedGenerator
from drivers.simulated.physics.simulated_bench import FIRST_FREE_STREAM, SimulatedBench
from drivers.simulated.scpi import (
    Boolean,
    Choice,
    Command,
    Engine,
    Identity,
    Number,
    Query,
    ScpiError,
)

FloatArray = NDArray[np.float64]

LOWEST_BANDWIDTH_HZ, HIGHEST_BANDWIDTH_HZ, BANDWIDTH_AT_RESET_HZ = 10.0, 3e6, 1e6
LOWEST_REFERENCE_DBM, HIGHEST_REFERENCE_DBM = -80.0, 30.0
SETTLING_PERIODS = 1.2
FILTER_FACTOR = 2.5
"""Sweep time over span / bandwidth^2 for a Gaussian filter (common practice, no source)."""
ATTENUATION_STEP_DB = 10.0
FIDELITY_TAPER_DB = 5.0

_STREAM_FIDELITY, _STREAM_LEAKAGE = FIRST_FREE_STREAM + 5, FIRST_FREE_STREAM + 6
_TRACE = Choice({"TRACE1": 1, "TRAC1": 1})


class SimulatedSpectrumAnalyzer:
    """Receiver at the far lead, tracking generator at the near one.

    It also sees what the signal generator sends.
    """

    def __init__(
        self,
        bench: SimulatedBench,
        table: DescribedSpectrumAnalyzer,
        source: SimulatedGenerator | None,
        version: str,
    ) -> None:
        self._bench = bench
        self._table = table
        self._source = source
        self._fidelity = LevelError.drawn(table.linearity_db, bench.generator(_STREAM_FIDELITY, 0))
        self.engine = Engine(
            identity=Identity(
                "Tareline", "Simulated spectrum analyzer", f"SIM-{bench.seed}", version
            ),
            commands=[],
            reset=self.reset,
        )
        self._measurement: Measurement[FloatArray] = Measurement(
            self.engine,
            take=self._take,
            duration_s=lambda: averages(self._settings) * self._sweep_time_s(),
            surroundings=lambda: bench.changes,
            check=self._check,
        )
        self._settings = Settings(
            {
                "start_hz": table.lowest_frequency_hz,
                "stop_hz": table.highest_frequency_hz,
                "points": 201,
                "bandwidth_hz": BANDWIDTH_AT_RESET_HZ,
                "reference_dbm": 0.0,
                "average_count": 1,
                "averaging": False,
                "level_dbm": table.lowest_level_dbm,
            },
            on_change=self._measurement.settings_changed,
        )
        self._rf_on = False
        self.engine.add(self._commands())

    def reset(self) -> None:
        """The state after `*RST`: tracking generator off, nothing measured."""
        self._rf_on = False
        self._settings.reset()
        self._measurement.reset()

    def _commands(self) -> Iterator[Command | Query]:
        table, declare = self._table, self._settings.declare
        bandwidth = Number(
            "HZ",
            minimum=LOWEST_BANDWIDTH_HZ,
            maximum=HIGHEST_BANDWIDTH_HZ,
            default=BANDWIDTH_AT_RESET_HZ,
        )
        reference = Number(
            "DBM", minimum=LOWEST_REFERENCE_DBM, maximum=HIGHEST_REFERENCE_DBM, default=0.0
        )
        level = Number(
            "DBM",
            minimum=table.lowest_level_dbm,
            maximum=table.highest_level_dbm,
            default=table.lowest_level_dbm,
        )
        yield from span_commands(
            self._settings, table.lowest_frequency_hz, table.highest_frequency_hz
        )
        yield from declare("[SENSe]:BANDwidth[:RESolution]", "bandwidth_hz", bandwidth)
        yield from averaging_commands(self._settings, self._measurement.restart)
        yield Query("[SENSe]:SWEep:TIME", self._sweep_time_s)
        yield from declare("DISPlay[:WINDow]:TRACe:Y[:SCALe]:RLEVel", "reference_dbm", reference)
        yield Query("INPut:ATTenuation", self._attenuation_db)
        yield from declare("SOURce:POWer[:LEVel][:IMMediate][:AMPLitude]", "level_dbm", level)
        yield Command("OUTPut[:STATe]", self._switch_output, (Boolean(),))
        yield Query("OUTPut[:STATe]", lambda: self._rf_on)
        yield from self._measurement.commands()
        yield Query("TRACe[:DATA]", lambda *_: self._measurement.result(), (_TRACE,), optional=1)

    def _switch_output(self, on: bool) -> None:
        if on != self._rf_on:
            self._rf_on = on
            self._measurement.source_switched()

    def _sweep_time_s(self) -> float:
        """Real seconds that one sweep takes at this bench's pace."""
        return self._bench.description.pace * self._simulated_sweep_time_s()

    def _simulated_sweep_time_s(self) -> float:
        """The filter settles at every point; without tracking it must follow the sweep too."""
        bandwidth_hz = float(self._settings["bandwidth_hz"])
        settling_s = int(self._settings["points"]) * SETTLING_PERIODS / bandwidth_hz
        if self._rf_on:
            return settling_s
        span_hz = float(self._settings["stop_hz"] - self._settings["start_hz"])
        return max(settling_s, FILTER_FACTOR * span_hz / bandwidth_hz**2)

    def _attenuation_db(self) -> float:
        """Attenuation at the input, coupled to the reference level."""
        above_db = float(self._settings["reference_dbm"]) - self._table.mixer_level_dbm
        return max(0.0, ATTENUATION_STEP_DB * float(np.ceil(above_db / ATTENUATION_STEP_DB)))

    def _check(self) -> None:
        if self._settings["start_hz"] > self._settings["stop_hz"]:
            raise ScpiError(SETTINGS_CONFLICT, "start frequency above stop frequency")

    def _take(self) -> tuple[FloatArray, bool]:
        """Sweep and average: levels in dBm, shape (P,), and whether overloaded."""
        frequency_hz = frequencies_hz(self._settings)
        count = averages(self._settings)
        floor_w = watts(self._table.noise_floor_dbm + self._attenuation_db())
        floor_w *= float(self._settings["bandwidth_hz"]) / REFERENCE_BANDWIDTH_HZ
        trace_ratio = relative_noise(self._table.trace_noise_db)
        total_w = np.zeros(len(frequency_hz))
        is_overloaded = False
        for sweep in range(count):
            self._bench.new_sweep()
            self._bench.pass_time(self._simulated_sweep_time_s())
            noise = self._bench.noise((3, len(frequency_hz)))
            if sweep % physics_every(count, self._bench) == 0:
                steady = self._amplitude(frequency_hz)
            amplitude = steady * (1.0 + trace_ratio * noise[2])
            # what the envelope detector sees: signal and noise add as phasors
            phasor = amplitude + np.sqrt(0.5 * floor_w) * (noise[0] + 1j * noise[1])
            level_dbm = 10.0 * np.log10(np.abs(phasor) ** 2 / 1e-3)
            is_overloaded |= bool(np.any(level_dbm > self._settings["reference_dbm"]))
            total_w += 1e-3 * 10.0 ** (self._displayed_dbm(level_dbm) / 10.0)
        return self._read_dbm(10.0 * np.log10(total_w / count / 1e-3)), is_overloaded

    def _read_dbm(self, level_dbm: FloatArray) -> FloatArray:
        step_db = self._table.resolution_db
        return np.round(level_dbm / step_db) * step_db if step_db else level_dbm

    def _amplitude(self, frequency_hz: FloatArray) -> FloatArray:
        """Root of the power in W in the resolution filter at each point, without noise; (P,)."""
        power_w = np.zeros(len(frequency_hz))
        if self._rf_on:
            port_f = self._table.port_capacitance_f
            s21 = swept_path(self._bench, frequency_hz, port_f)[:, 1, 0] + leakage(
                frequency_hz, self._table.isolation_db, self._bench.generator(_STREAM_LEAKAGE, 0)
            )
            power_w += watts(float(self._settings["level_dbm"])) * np.abs(s21) ** 2
        if self._source is not None and self._source.is_on:
            power_w += self._line_w(self._source, frequency_hz)
        gain = 10.0 ** (self._bench.drift_db("spectrum_analyzer") / 20.0)
        return np.asarray(gain * np.sqrt(power_w))

    def _line_w(self, source: SimulatedGenerator, frequency_hz: FloatArray) -> FloatArray:
        """The signal generator's line as the Gaussian resolution filter shows it, in W; (P,)."""
        s = self._bench.path(
            np.array([source.frequency_hz]),
            source.port_capacitance_f,
            self._table.port_capacitance_f,
        )
        offset = (frequency_hz - source.frequency_hz) / float(self._settings["bandwidth_hz"])
        # half of the power at half a bandwidth from the middle
        return np.asarray(
            watts(source.level_dbm) * np.abs(s[0, 1, 0]) ** 2 * np.exp2(-((2.0 * offset) ** 2))
        )

    def _displayed_dbm(self, level_dbm: FloatArray) -> FloatArray:
        """Log scale: exact at reference level, bent below it, compressed above, with a floor."""
        reference_dbm = float(self._settings["reference_dbm"])
        depth_db = np.maximum(reference_dbm - level_dbm, 0.0)
        taper = -np.expm1(-depth_db / FIDELITY_TAPER_DB)
        shown_dbm = (
            level_dbm
            + self._fidelity.at(depth_db) * taper
            + compression_db(level_dbm, reference_dbm)
        )
        detector_dbm = reference_dbm - self._table.log_range_db
        return np.asarray(
            10.0 * np.log10(10.0 ** (shown_dbm / 10.0) + 10.0 ** (detector_dbm / 10.0))
        )
