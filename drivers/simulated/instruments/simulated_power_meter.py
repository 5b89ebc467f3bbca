"""The simulated power meter at the far lead, declared as SCPI commands.

Commands by SCPI-99 volume 2 (SENSe, CALibration, TRIGger, UNIT; FETCh and READ of the
measurement instructions), from memory.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from drivers.simulated.described.instrument_description import DescribedPowerMeter
from drivers.simulated.described.surroundings import DescribedDrift
from drivers.simulated.instruments.measurement import (
    CALIBRATING_BIT,
    CALIBRATION_FAILED,
    INIT_IGNORED,
    MEASURING_BIT,
    Measurement,
)
from drivers.simulated.instruments.receiver import (
    FAINTEST_DBM,
    LevelError,
    compression_db,
    relative_noise,
    watts,
)
from drivers.simulated.instruments.settings import Settings, averages, averaging_commands
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

READINGS_OF_A_ZEROING = 64
FREQUENCY_AT_RESET_HZ = 50e6
LONGEST_DELAY_S = 100.0
SETTLED_WITHIN = 1e-5
"""Of the reading: for what the automatic delay waits."""

_STREAM_LINEARITY, _STREAM_ZERO = FIRST_FREE_STREAM + 3, FIRST_FREE_STREAM + 4
_CALIBRATION_TEXT = "power at the sensor: switch the source off"


class SimulatedPowerMeter:
    """A meter with its sensor, which reads what comes from the signal generator."""

    def __init__(
        self,
        bench: SimulatedBench,
        table: DescribedPowerMeter,
        source: SimulatedGenerator | None,
        version: str,
    ) -> None:
        self._bench = bench
        self._table = table
        self._source = source
        self._linearity = LevelError.drawn(
            table.linearity_db, bench.generator(_STREAM_LINEARITY, 0)
        )
        zero = bench.generator(_STREAM_ZERO, 0)
        offset_w = 0.0 if table.zero_offset_dbm is None else watts(table.zero_offset_dbm)
        self._offset_w = float(zero.choice((-1.0, 1.0))) * offset_w
        self._zero_drift = DescribedDrift(1.0, table.zero_drift_period_s, zero)
        self._zero_drift_w = 0.0 if table.zero_drift_dbm is None else watts(table.zero_drift_dbm)
        self._correction_w = 0.0
        self._sensor_w = 0.0
        self._sensor_at_s = bench.elapsed_s
        self.engine = Engine(
            identity=Identity("Tareline", "Simulated power meter", f"SIM-{bench.seed}", version),
            commands=[],
            reset=self.reset,
        )
        self._measurement: Measurement[float] = Measurement(
            self.engine,
            take=self._take,
            duration_s=lambda: self._pace * (self._delay_s() + self._reading_time_s()),
            surroundings=lambda: bench.changes,
            operation_bit=MEASURING_BIT,
        )
        lowest_hz, highest_hz = table.lowest_frequency_hz, table.highest_frequency_hz
        self._frequency_at_reset_hz = min(max(FREQUENCY_AT_RESET_HZ, lowest_hz), highest_hz)
        self._settings = Settings(
            {
                "frequency_hz": self._frequency_at_reset_hz,
                "average_count": 1,
                "averaging": False,
                "delay_s": 0.0,
                "automatic_delay": True,
            },
            on_change=self._measurement.settings_changed,
        )
        # the unit changes how a result is told, not the result
        self._unit = Settings({"unit": "DBM"}, on_change=lambda: None)
        self.engine.add(self._commands())

    def reset(self) -> None:
        """The state after `*RST`; the zero is kept."""
        self._settings.reset()
        self._unit.reset()
        self._measurement.reset()

    def _commands(self) -> Iterator[Command | Query]:
        declare = self._settings.declare
        frequency = Number(
            "HZ",
            minimum=self._table.lowest_frequency_hz,
            maximum=self._table.highest_frequency_hz,
            default=self._frequency_at_reset_hz,
        )
        delay = Number("S", minimum=0.0, maximum=LONGEST_DELAY_S, default=0.0)
        yield from declare("[SENSe]:FREQuency[:CW]", "frequency_hz", frequency)
        yield from declare("[SENSe]:FREQuency:FIXed", "frequency_hz", frequency)
        yield from averaging_commands(self._settings, self._measurement.restart)
        yield from declare("TRIGger:DELay", "delay_s", delay)
        yield from declare("TRIGger:DELay:AUTO", "automatic_delay", Boolean())
        yield from self._unit.declare("UNIT:POWer", "unit", Choice("DBM", "W"))
        yield Command("CALibration:ZERO:AUTO", self._zero, (Choice("ONCE", "OFF"),))
        yield Query("CALibration:ZERO:AUTO", lambda: False)
        yield from self._measurement.commands()
        yield Query("FETCh[:SCALar][:POWer][:AC]", self._fetch)
        yield Query("READ[:SCALar][:POWer][:AC]", self._read)

    @property
    def _pace(self) -> float:
        return self._bench.description.pace

    def _reading_time_s(self) -> float:
        return averages(self._settings) * self._table.reading_time_s

    def _fetch(self) -> float:
        power_w = self._measurement.result()
        if self._unit["unit"] == "W":
            return power_w
        # the logarithm of a negative power, which noise about zero can give, is no number
        return 10.0 * math.log10(power_w / 1e-3) if power_w > 0.0 else math.nan

    async def _read(self) -> float:
        self._measurement.abort()
        self._measurement.initiate()
        await self.engine.idle()
        return self._fetch()

    def _zero(self, mode: str) -> None:
        if mode == "OFF":
            return
        if self.engine.pending:
            raise ScpiError(INIT_IGNORED, "a measurement is under way")
        duration_s = READINGS_OF_A_ZEROING * self._table.reading_time_s
        self._measurement.discard()
        self.engine.begin(
            self._pace * duration_s, self._finish_zeroing, operation_bit=CALIBRATING_BIT
        )

    def _finish_zeroing(self) -> None:
        self._bench.new_sweep()
        self._bench.pass_time(READINGS_OF_A_ZEROING * self._table.reading_time_s)
        if self._input_w() > watts(self._table.noise_floor_dbm):
            raise ScpiError(CALIBRATION_FAILED, _CALIBRATION_TEXT)
        self._correction_w = self._zero_w() + self._zero_noise_w(READINGS_OF_A_ZEROING)

    def _zero_w(self) -> float:
        """What the sensor would read now without any power, uncorrected."""
        return self._offset_w + self._zero_drift_w * self._zero_drift.at(self._bench.elapsed_s)

    def _zero_noise_w(self, count: int) -> float:
        draw = float(self._bench.noise((1,))[0])
        return draw * watts(self._table.noise_floor_dbm) / math.sqrt(count)

    def _input_w(self) -> float:
        """Power that the sensor takes in now, in W."""
        source = self._source
        if source is None or not source.is_on:
            return 0.0
        s = self._bench.path(
            np.array([source.frequency_hz]),
            source.port_capacitance_f,
            self._table.port_capacitance_f,
        )
        return watts(source.level_dbm) * float(np.abs(s[0, 1, 0])) ** 2

    def _sensed_w(self, after_s: float) -> float:
        """What the sensor senses so many seconds from now, while it follows a change."""
        input_w = self._input_w()
        if not self._table.time_constant_s:
            return input_w
        since_s = self._bench.elapsed_s + after_s - self._last_change_s()
        return input_w + (self._sensor_w - input_w) * math.exp(
            -max(since_s, 0.0) / self._table.time_constant_s
        )

    def _last_change_s(self) -> float:
        """Since when the sensor can have followed: its last reading, or a change after that."""
        changed_s = 0.0 if self._source is None else self._source.changed_at_s
        return max(self._sensor_at_s, changed_s)

    def _delay_s(self) -> float:
        """How long the meter waits before it reads."""
        if not self._settings["automatic_delay"]:
            return float(self._settings["delay_s"])
        if not self._table.time_constant_s:
            return 0.0
        input_w = self._input_w()
        tolerated_w = SETTLED_WITHIN * max(input_w, watts(self._table.noise_floor_dbm))
        away_w = abs(self._sensed_w(0.0) - input_w)
        if away_w <= tolerated_w:
            return 0.0
        return self._table.time_constant_s * math.log(away_w / tolerated_w)

    def _take(self) -> tuple[float, bool]:
        """One reading, or the mean of as many as are asked for: W, and whether overloaded."""
        bench, table = self._bench, self._table
        count = averages(self._settings)
        bench.new_sweep()
        delay_s = self._delay_s()
        sensed_w = self._sensed_w(delay_s)
        self._sensor_w = self._sensed_w(delay_s + self._reading_time_s())
        bench.pass_time(delay_s + self._reading_time_s())
        self._sensor_at_s = bench.elapsed_s
        level = np.array(10.0 * np.log10(max(sensed_w, watts(FAINTEST_DBM)) / 1e-3))
        error_db = (
            float(self._linearity.at(level) + compression_db(level, table.overload_level_dbm))
            + self._correction_error_db()
            + bench.drift_db("power_meter")
        )
        noise = 1.0 + relative_noise(table.trace_noise_db) * 2.0 * float(
            bench.noise((1,))[0]
        ) / math.sqrt(count)
        reading_w = sensed_w * 10.0 ** (error_db / 10.0) * noise
        zero_w = self._zero_w() + self._zero_noise_w(count) - self._correction_w
        return reading_w + zero_w, bool(level > table.overload_level_dbm)

    def _correction_error_db(self) -> float:
        """What is left of the sensor's roll-off: nothing when the meter knows the frequency."""
        if self._source is None:
            return 0.0
        squares = self._settings["frequency_hz"] ** 2 - self._source.frequency_hz**2
        return self._table.roll_off_db * float(squares) / self._table.highest_frequency_hz**2
