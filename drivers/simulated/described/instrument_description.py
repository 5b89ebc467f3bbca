"""What the simulated instruments are like: the tables of a bench's file that describe them.

Every error is declared here with its size, so that what a client concludes can be judged.
Defaults leave an error out.
"""

from __future__ import annotations

import re

from pydantic import Field, model_validator

from drivers.quantities import (
    CapacitanceF,
    FrequencyHz,
    LevelDbm,
    RatioDb,
    TemperatureDifferenceK,
    TimeS,
)
from drivers.simulated.described.part_tables import SwitchChannel
from drivers.toml_file import Table


class DescribedInstrument(Table):
    """What every instrument has: a range of frequency, a port, a slow change of gain."""

    port_capacitance_f: CapacitanceF = Field(alias="port_capacitance", ge=0)
    """What makes a port differ from 50 ohm."""
    lowest_frequency_hz: FrequencyHz = Field(alias="lowest_frequency", gt=0)
    highest_frequency_hz: FrequencyHz = Field(alias="highest_frequency", gt=0)
    drift_db: RatioDb = Field(default=0.0, alias="drift", ge=0)
    """Root mean square of the slow change of gain."""
    drift_period_s: TimeS = Field(default=3600.0, alias="drift_period", gt=0)

    @model_validator(mode="after")
    def _range_is_one(self) -> DescribedInstrument:
        if self.highest_frequency_hz <= self.lowest_frequency_hz:
            raise ValueError("highest_frequency must be above lowest_frequency")
        return self


def _in_order(lowest: float, highest: float, of: str) -> None:
    if highest <= lowest:
        raise ValueError(f"highest_{of} must be above lowest_{of}")


class DescribedReceiver(DescribedInstrument):
    """What every receiver has: noise, a linearity error, a level that it stands."""

    trace_noise_db: RatioDb = Field(default=0.0, alias="trace_noise", ge=0)
    """Root mean square of one reading, in proportion to the signal."""
    noise_floor_dbm: LevelDbm = Field(alias="noise_floor")
    """Mean noise power where no signal is."""
    linearity_db: RatioDb = Field(default=0.0, alias="linearity", ge=0)
    """Limit (plus and minus) of the error that depends on level, smoothly."""


class DescribedAnalyzer(DescribedReceiver):
    """The two-port network analyzer. Noise is stated at 1 kHz of IF bandwidth."""

    highest_power_dbm: LevelDbm = Field(alias="highest_power")
    lowest_power_dbm: LevelDbm = Field(default=-55.0, alias="lowest_power")
    overload_level_dbm: LevelDbm | None = Field(default=None, alias="overload_level")
    """Level at a receiver above which it compresses; left out: none."""
    isolation_db: RatioDb | None = Field(default=None, alias="isolation", gt=0)
    """Between the source and the receiver of the other port; left out: perfect."""
    one_way: bool = False
    """Whether it measures from port 1 only, and answers zeros for S12 and S22."""
    directivity_db: RatioDb | None = Field(default=None, alias="directivity", gt=0)
    """Of each port's coupler, not corrected: what is read where nothing reflects, so far below
    total reflection; left out: perfect."""
    reflection_tracking_db: RatioDb = Field(default=0.0, alias="reflection_tracking")
    """How much lower a reflection is read than it is (higher where negative), not corrected."""

    @model_validator(mode="after")
    def _powers_in_order(self) -> DescribedAnalyzer:
        _in_order(self.lowest_power_dbm, self.highest_power_dbm, "power")
        return self


class DescribedGenerator(DescribedInstrument):
    """The signal generator."""

    lowest_level_dbm: LevelDbm = Field(alias="lowest_level")
    highest_level_dbm: LevelDbm = Field(alias="highest_level")
    level_error_db: RatioDb = Field(default=0.0, alias="level_error", ge=0)
    """Limit (plus and minus) of the error of the level, which depends on the level smoothly."""
    settling_time_s: TimeS = Field(default=0.0, alias="settling_time", ge=0)

    @model_validator(mode="after")
    def _levels_in_order(self) -> DescribedGenerator:
        _in_order(self.lowest_level_dbm, self.highest_level_dbm, "level")
        return self


class DescribedPowerMeter(DescribedReceiver):
    """The power meter. Its trace noise and noise floor are those of a single reading.

    The floor is the rms fluctuation of the zero, in power. Zeroing averages 64 readings.
    """

    overload_level_dbm: LevelDbm = Field(alias="overload_level")
    zero_offset_dbm: LevelDbm | None = Field(default=None, alias="zero_offset")
    """Size of the offset that is there until the meter is zeroed (of either sign)."""
    zero_drift_dbm: LevelDbm | None = Field(default=None, alias="zero_drift")
    """Root mean square of the slow change of the offset, which goes on after zeroing."""
    zero_drift_period_s: TimeS = Field(default=3600.0, alias="zero_drift_period", gt=0)
    roll_off_db: RatioDb = Field(default=0.0, alias="roll_off", ge=0)
    """What the sensor loses at its highest frequency, rising with the square of frequency.

    Corrected exactly for the frequency that the meter is told.
    """
    reading_time_s: TimeS = Field(default=0.05, alias="reading_time", gt=0)
    time_constant_s: TimeS = Field(default=0.0, alias="time_constant", ge=0)
    """Of the sensor, after a change of power (first order)."""


class DescribedSpectrumAnalyzer(DescribedReceiver):
    """The spectrum analyzer with tracking generator.

    Its noise floor is stated at 1 kHz of resolution bandwidth without input attenuation.
    """

    lowest_level_dbm: LevelDbm = Field(alias="lowest_level")
    """Of the tracking generator."""
    highest_level_dbm: LevelDbm = Field(alias="highest_level")
    mixer_level_dbm: LevelDbm = Field(default=-10.0, alias="mixer_level")
    """Input attenuation, in steps of 10 dB, keeps a signal at reference level below this."""
    log_range_db: RatioDb = Field(default=110.0, alias="log_range", gt=0)
    """The detector's own floor, so far below reference level."""
    isolation_db: RatioDb | None = Field(default=None, alias="isolation", gt=0)
    """Between tracking generator and input; left out: perfect."""
    resolution_db: RatioDb = Field(default=0.0, alias="resolution", ge=0)
    """Step of the readings; 0: none."""

    @model_validator(mode="after")
    def _levels_in_order(self) -> DescribedSpectrumAnalyzer:
        _in_order(self.lowest_level_dbm, self.highest_level_dbm, "level")
        return self


class DescribedThermometer(Table):
    """The thermometer, which has the bench's temperature."""

    offset_k: TemperatureDifferenceK = Field(default=0.0, alias="offset")
    """What every reading is off by."""
    noise_k: TemperatureDifferenceK = Field(default=0.0, alias="noise", ge=0)
    """Root mean square of one reading."""
    resolution_k: TemperatureDifferenceK = Field(default=0.0, alias="resolution", ge=0)
    """Step of the readings; 0: none."""
    reading_time_s: TimeS = Field(default=0.0, alias="reading_time", ge=0)


_CHANNEL = re.compile(r"[1-9][0-9]{0,8}")


class DescribedSwitch(Table):
    """The signal switch: its channels by number, which may be closed in any combination."""

    channels: dict[str, SwitchChannel] = Field(min_length=1)
    switching_time_s: TimeS = Field(default=0.02, alias="switching_time", ge=0)

    @model_validator(mode="after")
    def _channels_are_numbers(self) -> DescribedSwitch:
        wrong = [name for name in self.channels if not _CHANNEL.fullmatch(name)]
        if wrong:
            raise ValueError(f"channels are named by numbers such as 101, not {', '.join(wrong)}")
        return self
