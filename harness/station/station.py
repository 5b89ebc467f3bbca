"""The station file: instruments, leads and their known imperfections, and the bands."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, Literal, Self

import numpy as np
from pydantic import Field, PrivateAttr, field_validator, model_validator

from drivers.quantities import (
    SI_CONTEXT,
    FrequencyHz,
    RatioDb,
    TemperatureC,
    TemperatureDifferenceK,
    TorqueNm,
)
from drivers.sweep import SweepSettings
from drivers.toml_file import Mistake, ReadFile, Table, read_table
from harness.analysis.arrays import FloatArray
from harness.analysis.expected.catalogue_files import (
    CatalogueFile,
    load_catalogue,
    shipped_entries,
)
from harness.analysis.expected.catalogue_parts import Catalogue
from harness.station.instrument_tables import (
    RECORDED_FLOOR_DB,
    AnalyzerTable,
    GeneratorTable,
    InstrumentTable,
    PowerMeterTable,
    ReceiverTable,
    Recorded,
    SourceTable,
    SpectrumAnalyzerTable,
    SwitchTable,
    ThermometerTable,
    TrafficLogFile,
)
from harness.station.own_parts import read_catalogue_file
from harness.station.rule_tables import DecisionTable, HandsFree, Uncertainty, Zero
from harness.station.through import Through, with_loss_table

LARGEST_SWEEP = 100_001
SET_UPS = "[analyzer]; [generator] with [power_meter]; [spectrum_analyzer]; or [recorded] for files"
_BAND_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._-]*")


class Band(Table):
    """A named span of frequency with its points."""

    start_hz: FrequencyHz = Field(alias="start", gt=0)
    stop_hz: FrequencyHz = Field(alias="stop", gt=0)
    points: int = Field(ge=2, le=LARGEST_SWEEP)
    spacing: Literal["linear", "logarithmic"] = "linear"

    @property
    def frequency_hz(self) -> FloatArray:
        """(P,) as it is swept."""
        space = np.linspace if self.spacing == "linear" else np.geomspace
        return np.asarray(space(self.start_hz, self.stop_hz, self.points), dtype=np.float64)

    @model_validator(mode="after")
    def _rises(self) -> Band:
        if self.stop_hz <= self.start_hz:
            raise ValueError("stop is not above start: exchange the two, or correct one")
        return self


class LeadsTable(Table):
    """The test leads' ends."""

    connector: str
    torque_n_m: TorqueNm = Field(alias="torque", gt=0)
    far_connector: str | None = None
    """Of the far lead (port 2), where it is another than that of the near one."""
    far_torque_n_m: TorqueNm | None = Field(default=None, alias="far_torque", gt=0)
    connection_repeatability_db: RatioDb = Field(alias="connection_repeatability", gt=0)
    loss_difference_db: RatioDb = Field(default=1.0, alias="loss_difference", ge=0)
    """Most by which the losses of the two leads, pads included, differ."""
    flexure_db: RatioDb | None = Field(default=None, alias="flexure", ge=0)
    """Limits of what moving the leads from through to item does to the reading."""
    made_of: tuple[str, ...] | None = None
    """Cables and connectors of both together, as an item's; see `leads_level`."""
    pads_db: RatioDb | None = Field(default=None, alias="pads", ge=0)
    """Of all pads together."""
    loss_limits_db: RatioDb | None = Field(default=None, alias="loss_limits", gt=0)
    """Most that the level of joined leads is off what follows from these; None: not compared."""

    @model_validator(mode="after")
    def _loss_with_limits(self) -> LeadsTable:
        says_loss = self.made_of is not None or self.pads_db is not None
        if says_loss != (self.loss_limits_db is not None):
            raise ValueError(
                "loss_limits, and made_of or pads, belong together: how far may joined leads read "
                'off what these lose, such as "1 dB"?'
            )
        return self

    @model_validator(mode="after")
    def _both_or_neither(self) -> LeadsTable:
        if (self.far_connector is None) != (self.far_torque_n_m is None):
            raise ValueError("far_connector and far_torque belong together: give both, or neither")
        return self

    @property
    def connectors(self) -> tuple[str, str]:
        """Of the near lead (port 1) and of the far one (port 2)."""
        return self.connector, self.far_connector or self.connector


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
    """One measuring place as its file states it: one set-up, leads, bands."""

    name: str
    analyzer: AnalyzerTable | None = None
    generator: GeneratorTable | None = None
    power_meter: PowerMeterTable | None = None
    spectrum_analyzer: SpectrumAnalyzerTable | None = None
    recorded: Recorded | None = None
    switch: SwitchTable | None = None
    thermometer: ThermometerTable | None = None
    leads: LeadsTable
    through: Through | None = None
    temperature_c: TemperatureC = Field(default=23.0, alias="temperature", ge=-100, le=200)
    temperature_limits_k: TemperatureDifferenceK = Field(
        default=0.0, alias="temperature_limits", ge=0
    )
    """Half-width of the limits within which the temperature stays."""
    hands_free: HandsFree | None = None
    """Where connections are watched being made; used with `--hands-free` only."""
    zero: Zero = Zero()
    uncertainty: Uncertainty = Uncertainty()
    simulation: Simulation | None = None
    traffic_log: TrafficLogFile | None = None
    catalogue: str | None = None
    """File of parts that add to, or stand for, those that come with Tareline."""
    parts: CatalogueFile | None = None
    """What is in that file, so that a run file knows it; or such tables in the station itself."""
    decision: DecisionTable = DecisionTable()
    bands: dict[str, Band]
    _catalogue_then: Catalogue | None = PrivateAttr(default=None)
    """What stands in the run file in place of the catalogue that comes with Tareline."""

    @field_validator("bands")
    @classmethod
    def _usable_names(cls, bands: dict[str, Band]) -> dict[str, Band]:
        if not bands:
            raise ValueError("a station needs at least one band")
        wrong = [name for name in bands if not _BAND_NAME.fullmatch(name)]
        if wrong:
            raise ValueError(
                f"{wrong[0]!r} cannot name a band: use A to Z, a to z, digits, blanks, '.', "
                "'-' and '_'"
            )
        return bands

    @model_validator(mode="after")
    def _has_one_set_up(self) -> Station:
        if self.generator is not None and self.power_meter is None:
            raise ValueError("a [generator] needs a [power_meter] to measure with: add its table")
        if self.power_meter is not None and self.generator is None:
            raise ValueError("a [power_meter] needs a [generator] to measure: add its table")
        named = [
            f"[{name}]"
            for name in ("analyzer", "generator", "spectrum_analyzer", "recorded")
            if getattr(self, name) is not None
        ]
        if len(named) != 1:
            problem = f"{' and '.join(named)} exclude each other" if named else "there is no set-up"
            raise ValueError(f"{problem}: a station has exactly one of {SET_UPS}")
        live = (self.switch, self.thermometer, self.simulation, self.traffic_log)
        if self.recorded is not None and any(table is not None for table in live):
            raise ValueError(
                "a station for [recorded] files has no [switch], [thermometer], [simulation] or "
                "[traffic_log]: take the table out"
            )
        return self

    @model_validator(mode="after")
    def _can_join_its_leads(self) -> Station:
        near, far = self.leads.connectors
        if near != far and self.through is None:
            raise ValueError(
                f"the leads end in {near} and {far}, which do not join by themselves: add the "
                "table [through] of the adapter that joins them"
            )
        return self

    @model_validator(mode="after")
    def _knows_its_instruments(self) -> Station:
        starts_bench = self.simulation is not None and self.simulation.bench is not None
        for role, table in self.instruments().items():
            if starts_bench == (table.resource is not None):
                raise ValueError(
                    f"{role}.resource and simulation.bench exclude each other: a real instrument "
                    "has a VISA address, a simulated bench is started for you"
                    if starts_bench
                    else f"{role}.resource is missing: its VISA address, such as "
                    '"TCPIP0::192.0.2.10::5025::SOCKET"'
                )
        return self

    @model_validator(mode="after")
    def _looks_with_an_analyzer(self) -> Station:
        if self.hands_free is None:
            return self
        if self.analyzer is None or self.switch is not None:
            raise ValueError(
                "[hands_free] needs an [analyzer] and no [switch]: it watches the connections "
                "between the leads with short sweeps; take the table out"
            )
        if self.hands_free.power_dbm > self.maximum_power_dbm:
            raise ValueError(
                f"hands_free.power ({self.hands_free.power_dbm:g} dBm) is above the least "
                f"maximum_power of source and sensor ({self.maximum_power_dbm:g} dBm): lower it, "
                '"-30 dBm" will do'
            )
        return self

    @model_validator(mode="after")
    def _sends_what_everything_stands(self) -> Station:
        if self.recorded is None and self.source.power_dbm > self.maximum_power_dbm:
            raise ValueError(
                f"the power ({self.source.power_dbm:g} dBm) is above the least maximum_power of "
                f"source, sensor and switch ({self.maximum_power_dbm:g} dBm): lower power"
            )
        return self

    @property
    def needs_a_person(self) -> bool:
        """Whether connections are made by hand: there is no switch, and it is not simulated."""
        return self.switch is None and self.simulation is None

    def known_parts(self) -> Catalogue:
        """The catalogue that comes with Tareline, or what a run kept of it, with the station's
        own parts before it."""
        shipped = self._catalogue_then or load_catalogue()
        return shipped if self.parts is None else shipped.with_entries(self.parts.catalogue())

    def shipped_parts(self, names: Iterable[str]) -> CatalogueFile:
        """Of the parts called `names`, the entries that come with Tareline: what a run keeps of
        the catalogue, since the next edition may state other figures.

        Raises:
            UnknownPartError: neither the catalogue nor the station has such a part.
        """
        known, own = self.known_parts(), self.parts or CatalogueFile()
        found = {known.find(name).name for name in names}
        return shipped_entries().only(found - own.names)

    def instruments(self) -> dict[str, InstrumentTable]:
        """Every instrument by the name of its table."""
        named = (
            "analyzer", "generator", "power_meter", "spectrum_analyzer", "switch", "thermometer",
        )  # fmt: skip
        found = {name: getattr(self, name) for name in named}
        return {name: table for name, table in found.items() if table is not None}

    @property
    def source(self) -> SourceTable:
        """Whatever sends; a station for recorded files has none."""
        source = self.analyzer or self.generator or self.spectrum_analyzer
        if source is None:
            raise AssertionError("a station for recorded files sends nothing")
        return source

    @property
    def receiver(self) -> ReceiverTable:
        """Whatever receives."""
        receiver = self.analyzer or self.power_meter or self.spectrum_analyzer or self.recorded
        if receiver is None:
            raise AssertionError("a checked station has one set-up")
        return receiver

    @property
    def source_match_db(self) -> float:
        """Least return loss looking into the first lead's end."""
        return (self.recorded or self.source).source_match_db

    @property
    def maximum_power_dbm(self) -> float:
        """The most that may be sent: what the weakest of source, sensor and switch stands."""
        stated = [
            self.source.maximum_power_dbm,
            None if self.power_meter is None else self.power_meter.maximum_power_dbm,
            None if self.switch is None else self.switch.maximum_power_dbm,
        ]
        return min(level for level in stated if level is not None)

    @property
    def floor_db(self) -> float:
        """The ratio at which the receiver reads nothing but itself."""
        measuring = self.analyzer or self.power_meter or self.spectrum_analyzer
        if measuring is None:
            return RECORDED_FLOOR_DB
        return measuring.noise_floor_dbm - self.source.power_dbm

    def settings(self, band: str) -> SweepSettings:
        """What the instruments are to be set to in a band.

        A power meter has no bandwidth; its place then holds 1 kHz, which nobody sends.
        """
        chosen = self.bands[band]
        bandwidth_hz, averages = 1e3, 1
        if self.analyzer is not None:
            bandwidth_hz, averages = self.analyzer.if_bandwidth_hz, self.analyzer.averages
        elif self.spectrum_analyzer is not None:
            bandwidth_hz = self.spectrum_analyzer.resolution_bandwidth_hz
            averages = self.spectrum_analyzer.averages
        elif self.power_meter is not None:
            averages = self.power_meter.averages
        return SweepSettings(
            start_hz=chosen.start_hz,
            stop_hz=chosen.stop_hz,
            points=chosen.points,
            power_dbm=self.source.power_dbm,
            if_bandwidth_hz=bandwidth_hz,
            averages=averages,
            spacing=chosen.spacing,
        )

    def as_dict(self) -> dict[str, Any]:
        """SI numbers with the unit at the end of each key; what is not stated is left out."""
        return self.model_dump(exclude_none=True)

    @classmethod
    def as_it_stood(cls, stated: Mapping[str, Any], catalogue: Mapping[str, Any]) -> Self:
        """The station of a run file, by what the file states of it and of the catalogue of then;
        where it states no catalogue, that of today counts.

        Raises:
            ValueError: either is damaged.
        """
        station = cls.model_validate(stated, context=SI_CONTEXT, by_alias=False, by_name=True)
        if catalogue:
            station._catalogue_then = CatalogueFile.model_validate(catalogue).catalogue()
        return station


def read_station(path: Path) -> ReadFile[Station]:
    """Read a station file and what it names; collects mistakes instead of raising."""
    read = read_table(path, Station)
    station = read.content
    if station is None:
        return read
    folder = path.resolve().parent
    mistakes: list[Mistake] = []
    if station.through is not None and station.through.loss is not None:
        try:
            through = with_loss_table(station.through, folder)
            for name, band in station.bands.items():
                through.require_loss(name, band.start_hz, band.stop_hz)
            station = station.model_copy(update={"through": through})
        except ValueError as error:
            mistakes.append(Mistake(str(path), "through.loss", str(error)))
    if station.catalogue is not None:
        own = read_catalogue_file(folder / station.catalogue)
        mistakes += own.mistakes
        if station.parts is not None:
            problem = "excludes the station's own parts: keep the file or the tables"
            mistakes.append(Mistake(str(path), "catalogue", problem))
        station = station.model_copy(update={"parts": own.content})
    return ReadFile(None, tuple(mistakes)) if mistakes else ReadFile(station, ())
