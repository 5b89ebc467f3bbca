"""The station file: instruments, leads and their known imperfections, and the bands."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import Field, field_validator, model_validator

from drivers.quantities import FrequencyHz, LevelDbm, RatioDb, TemperatureC, TimeS, TorqueNm
from drivers.sweep import SweepSettings
from drivers.toml_file import ReadFile, Table, read_table
from harness.analysis.arrays import FloatArray

LARGEST_SWEEP = 100_001
LONGEST_TIMEOUT_S = 3600.0
_BAND_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._-]*")


class Band(Table):
    """A named span of frequency with its points."""

    start_hz: FrequencyHz = Field(alias="start", gt=0)
    stop_hz: FrequencyHz = Field(alias="stop", gt=0)
    points: int = Field(ge=2, le=LARGEST_SWEEP)

    @model_validator(mode="after")
    def _rises(self) -> Band:
        if self.stop_hz <= self.start_hz:
            raise ValueError("stop is not above start: exchange the two, or correct one")
        return self


class Analyzer(Table):
    """The network analyzer: where it is, what it speaks, what it may send."""

    resource: str | None = None
    """VISA address; left out when the station has a simulated bench of its own."""
    dialect: str = "scpi-99-network-analyzer"
    power_dbm: LevelDbm = Field(alias="power")
    maximum_power_dbm: LevelDbm = Field(alias="maximum_power")
    if_bandwidth_hz: FrequencyHz = Field(alias="if_bandwidth", gt=0)
    timeout_s: TimeS = Field(default=5.0, alias="timeout", gt=0, le=LONGEST_TIMEOUT_S)
    visa_library: str = "@py"
    source_match_db: RatioDb = Field(alias="source_match", gt=0)
    load_match_db: RatioDb = Field(alias="load_match", gt=0)
    drift_per_hour_db: RatioDb | None = Field(default=None, alias="drift_per_hour", ge=0)

    @model_validator(mode="after")
    def _below_ceiling(self) -> Analyzer:
        if self.power_dbm > self.maximum_power_dbm:
            raise ValueError(
                f"power ({self.power_dbm:g} dBm) is above maximum_power "
                f"({self.maximum_power_dbm:g} dBm), the most that the weakest port, sensor or "
                "item stands: lower power"
            )
        return self


class Leads(Table):
    """The test leads' ends."""

    connector: str
    torque_n_m: TorqueNm = Field(alias="torque", gt=0)
    connection_repeatability_db: RatioDb = Field(alias="connection_repeatability", gt=0)
    loss_difference_db: RatioDb = Field(default=1.0, alias="loss_difference", ge=0)
    """Most by which the losses of the two leads, pads included, differ."""


class Through(Table):
    """The adapter that joins the leads while normalizing; left out where they join directly."""

    adapter: str
    loss_at_1_ghz_db: RatioDb = Field(alias="loss_at_1_ghz", ge=0)
    loss_limits_at_1_ghz_db: RatioDb = Field(alias="loss_limits_at_1_ghz", ge=0)
    return_loss_db: RatioDb = Field(alias="return_loss", gt=0)

    @staticmethod
    def at_frequency(value_at_1_ghz_db: float, frequency_hz: FloatArray) -> FloatArray:
        """Ohmic loss rises with the square root of frequency (skin effect); shape (P,)."""
        return np.asarray(value_at_1_ghz_db * np.sqrt(frequency_hz / 1e9), dtype=np.float64)


class Simulation(Table):
    """Present when the bench is simulated; everything made with it says so."""

    bench: str | None = None
    """Bench description that Tareline starts by itself, relative to the station file."""
    hand: str | None = None
    """VISA address of the hand of a simulated bench that already runs."""
    seed: int | None = Field(default=None, ge=0)

    @model_validator(mode="after")
    def _one_of_two(self) -> Simulation:
        if (self.bench is None) == (self.hand is None):
            raise ValueError("give either bench (started for you) or hand (already running)")
        return self


class Station(Table):
    """One measuring place as its file states it."""

    name: str
    analyzer: Analyzer
    leads: Leads
    through: Through | None = None
    temperature_c: TemperatureC = Field(default=23.0, alias="temperature", ge=-100, le=200)
    simulation: Simulation | None = None
    bands: dict[str, Band]

    @field_validator("bands")
    @classmethod
    def _usable_names(cls, bands: dict[str, Band]) -> dict[str, Band]:
        if not bands:
            raise ValueError("a station needs at least one band")
        wrong = [name for name in bands if not _BAND_NAME.fullmatch(name)]
        if wrong:
            raise ValueError(
                f"{wrong[0]!r} cannot name a band: use letters, digits, blanks, '.', '-' and '_'"
            )
        return bands

    @model_validator(mode="after")
    def _knows_its_analyzer(self) -> Station:
        starts_bench = self.simulation is not None and self.simulation.bench is not None
        if starts_bench == (self.analyzer.resource is not None):
            raise ValueError(
                "analyzer.resource and simulation.bench exclude each other: a real analyzer has "
                "a VISA address, a simulated bench is started for you"
                if starts_bench
                else "analyzer.resource is missing: its VISA address, such as "
                '"TCPIP0::192.0.2.10::5025::SOCKET"'
            )
        return self

    def settings(self, band: str) -> SweepSettings:
        """What the analyzer is to be set to in a band."""
        chosen = self.bands[band]
        return SweepSettings(
            start_hz=chosen.start_hz,
            stop_hz=chosen.stop_hz,
            points=chosen.points,
            power_dbm=self.analyzer.power_dbm,
            if_bandwidth_hz=self.analyzer.if_bandwidth_hz,
        )

    def as_dict(self) -> dict[str, Any]:
        """SI numbers with the unit at the end of each key; what is not stated is left out."""
        return self.model_dump(exclude_none=True)


def read_station(path: Path) -> ReadFile[Station]:
    """Read a station file; collects mistakes instead of raising."""
    return read_table(path, Station)
