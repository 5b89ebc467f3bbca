"""The tables of a station file that say which instruments there are, and what is known of them."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, model_validator

from drivers.quantities import (
    FrequencyHz,
    LevelDbm,
    RatioDb,
    TemperatureDifferenceK,
    TimeS,
)
from drivers.toml_file import Table

LONGEST_TIMEOUT_S = 3600.0
MOST_AVERAGES = 65536
USUAL_TRACKING_DB = 3.0
"""Of an instrument that corrects nothing: couplers and receivers of reflection and transmission
differ by so much (common practice, no source)."""
RECORDED_FLOOR_DB = -90.0
"""Of files whose power is not known."""


class InstrumentTable(Table):
    """An instrument at the end of a link."""

    resource: str | None = None
    """VISA address; left out when the station has a simulated bench of its own."""
    timeout_s: TimeS = Field(default=5.0, alias="timeout", gt=0, le=LONGEST_TIMEOUT_S)
    visa_library: str = "@py"


class SourceTable(Table):
    """What is known of whatever sends."""

    power_dbm: LevelDbm = Field(alias="power")
    maximum_power_dbm: LevelDbm = Field(alias="maximum_power")
    """What the weakest port, sensor, switch or item stands; nothing above it is ever sent."""
    source_match_db: RatioDb = Field(alias="source_match", gt=0)
    """Least return loss looking into the first lead's end."""

    @model_validator(mode="after")
    def _below_ceiling(self) -> SourceTable:
        if self.power_dbm > self.maximum_power_dbm:
            raise ValueError(
                f"power ({self.power_dbm:g} dBm) is above maximum_power "
                f"({self.maximum_power_dbm:g} dBm), the most that the weakest port, sensor or "
                "item stands: lower power"
            )
        return self


class ReceiverTable(Table):
    """What is known of whatever receives, or of files with its readings."""

    load_match_db: RatioDb = Field(alias="load_match", gt=0)
    """Least return loss looking into the second lead's end."""
    linearity_db: RatioDb | None = Field(default=None, alias="linearity", ge=0)
    """Limits (plus and minus) of the error of a difference of levels."""
    linearity_per_10_db: RatioDb | None = Field(default=None, ge=0)
    """Limits of that error for every 10 dB between the levels, beyond `linearity`."""
    isolation_db: RatioDb | None = Field(default=None, alias="isolation", gt=0)
    """Least loss of what gets from source to receiver past leads and item."""
    resolution_db: RatioDb | None = Field(default=None, alias="resolution", ge=0)
    """Step of the readings."""
    drift_per_hour_db: RatioDb | None = Field(default=None, alias="drift_per_hour", ge=0)
    """Most that the zero moves in an hour, source included."""


class Averaging(Table):
    """How many readings make one."""

    averages: int = Field(default=1, ge=1, le=MOST_AVERAGES)


class ReflectionsTable(Table):
    """What is known of whatever reads S11 and S22 beside the transmission."""

    reflection_tracking_db: RatioDb | None = Field(default=None, alias="reflection_tracking", ge=0)
    """Most by which they read lower than the transmission would tell of the leads; left out,
    `USUAL_TRACKING_DB`. Small where the instrument corrects its reflections."""


class AnalyzerTable(InstrumentTable, SourceTable, ReceiverTable, Averaging, ReflectionsTable):
    """The network analyzer: where it is, what it speaks, what it may send."""

    dialect: str = "scpi-99-network-analyzer"
    traces: tuple[Literal["S11", "S21", "S12", "S22"], ...] = ("S11", "S21", "S12", "S22")
    """["S21"] alone where the instrument measures nothing else, or to be quicker."""
    if_bandwidth_hz: FrequencyHz = Field(alias="if_bandwidth", gt=0)
    noise_floor_dbm: LevelDbm = Field(default=-100.0, alias="noise_floor")
    """Below it the receiver reads nothing but itself."""

    @model_validator(mode="after")
    def _measures_transmission(self) -> AnalyzerTable:
        if "S21" not in self.traces:
            raise ValueError('traces must hold "S21": the loss is measured with it')
        if len(set(self.traces)) < len(self.traces):
            raise ValueError("traces names one of them twice")
        return self


class GeneratorTable(InstrumentTable, SourceTable):
    """The signal generator of a scalar set-up that goes from point to point."""

    dialect: str = "scpi-99-signal-generator"


class PowerMeterTable(InstrumentTable, ReceiverTable, Averaging):
    """The power meter of a scalar set-up that goes from point to point."""

    dialect: str = "scpi-99-power-meter"
    noise_floor_dbm: LevelDbm = Field(default=-55.0, alias="noise_floor")
    maximum_power_dbm: LevelDbm | None = Field(default=None, alias="maximum_power")
    """What its sensor stands; lowers the generator's own, never raises it."""
    settling_s: TimeS = Field(default=0.0, alias="settling", ge=0, le=LONGEST_TIMEOUT_S)
    """Pause after every change of frequency, where the meter does not wait by itself."""


class SpectrumAnalyzerTable(InstrumentTable, SourceTable, ReceiverTable, Averaging):
    """The spectrum analyzer with tracking generator of a scalar set-up that sweeps."""

    dialect: str = "scpi-99-spectrum-analyzer"
    resolution_bandwidth_hz: FrequencyHz = Field(alias="resolution_bandwidth", gt=0)
    noise_floor_dbm: LevelDbm = Field(default=-90.0, alias="noise_floor")


class Recorded(ReceiverTable, ReflectionsTable):
    """Readings that come as files, from an instrument that Tareline does not speak to."""

    instrument: str = ""
    """Which one, for the record."""
    source_match_db: RatioDb = Field(alias="source_match", gt=0)


def _as_text(value: object) -> object:
    return str(value) if isinstance(value, int) and not isinstance(value, bool) else value


Channel = Annotated[str, BeforeValidator(_as_text), Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9.:-]*$")]


class SwitchTable(InstrumentTable):
    """The signal switch that exchanges through and item."""

    dialect: str = "scpi-99-signal-switch"
    through: Channel
    """Channel with the through behind it."""
    item: Channel
    """Channel with the item behind it."""
    path_difference_db: RatioDb = Field(alias="path_difference", ge=0)
    """Most by which the two channels' own losses differ."""
    maximum_power_dbm: LevelDbm | None = Field(default=None, alias="maximum_power")
    """What its contacts stand; lowers the source's own, never raises it."""

    @model_validator(mode="after")
    def _two_channels(self) -> SwitchTable:
        if self.through == self.item:
            raise ValueError("through and item are the same channel: they need one each")
        return self


class ThermometerTable(InstrumentTable):
    """The thermometer that tells the temperature of the item, or of the air around it."""

    dialect: str = "scpi-99-thermometer"
    uncertainty_k: TemperatureDifferenceK | None = Field(default=None, alias="uncertainty", gt=0)
    """Expanded uncertainty of a reading (k = 2), as its certificate or data sheet has it."""


class TrafficLogFile(Table):
    """Where every message to and from the instruments is written, for finding faults."""

    file: str = Field(min_length=1)
    """Relative to the station file; added to."""
