"""The dialect of each role: which tables its file has."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from pydantic import Field, model_validator

from drivers.dialects.dialect_messages import ChannelMessage, Message, Question
from drivers.dialects.dialect_tables import (
    LEVEL_FORMS,
    VECTOR_FORMS,
    AveragingTable,
    Completion,
    DataTable,
    Encoding,
    LinkTable,
    OverloadTable,
    PowerSetting,
    RfTable,
    Setting,
    SpacingTable,
    SweepTable,
)
from drivers.errors import InputError
from drivers.quantities import TemperatureC, TimeS
from drivers.toml_file import Table

COLDEST_C, HOTTEST_C = -100.0, 200.0
"""Beyond them nothing is the temperature of a bench."""


class Dialect(Table):
    """What a dialect of any role states."""

    role: str
    standard: str
    """What the commands follow, for people."""
    link: LinkTable = LinkTable()
    prepare: tuple[Message, ...]
    """Sent once after connecting; must leave RF off."""
    next_error: Question | None = None
    """Asked until it answers one of `no_error`; left out where there is no error queue."""
    no_error: tuple[str, ...] = ("0", "no error")
    """Numbers or texts (their beginnings) that mean an empty queue."""


class SourceDialect(Dialect):
    """An instrument that sends RF."""

    rf: RfTable


class BandSettings(Table):
    """The settings of a band: start and stop, or centre and span."""

    power_dbm: PowerSetting
    start_hz: Setting | None = None
    stop_hz: Setting | None = None
    centre_hz: Setting | None = None
    span_hz: Setting | None = None
    points: Setting | None = None
    """Left out only where every frequency is listed."""
    if_bandwidth_hz: Setting | None = None
    reference_dbm: Setting | None = None
    """Reference level of a spectrum analyzer; set to the level of the source."""

    @model_validator(mode="after")
    def _one_pair(self) -> BandSettings:
        edges = [self.start_hz is not None, self.stop_hz is not None]
        middle = [self.centre_hz is not None, self.span_hz is not None]
        if any(edges) and any(middle):
            raise ValueError("state either start_hz and stop_hz, or centre_hz and span_hz")
        if any(edges) != all(edges) or any(middle) != all(middle):
            raise ValueError("half of a pair is missing: start_hz with stop_hz, or centre_hz with "
                             "span_hz")  # fmt: skip
        return self

    @property
    def has_edges(self) -> bool:
        """Whether a band is set by its edges, or by its middle and width."""
        return self.start_hz is not None or self.centre_hz is not None


class SweptDialect(SourceDialect):
    """An instrument that sweeps a band by itself."""

    joins_questions: bool = False
    """Whether several questions in one message get one answer, parts between semicolons, as
    IEEE 488.2 has it (6.3 and 6.4, from memory); blocks of traces too. Saves time every sweep."""
    settings: BandSettings
    spacing: SpacingTable = SpacingTable()
    sweep: SweepTable
    averaging: AveragingTable | None = None
    data: DataTable
    overload: OverloadTable | None = None

    @model_validator(mode="after")
    def _has_a_band(self) -> SweptDialect:
        if not self.settings.has_edges and self.spacing.list is None:
            raise ValueError(
                "nothing sets the frequencies: state start_hz and stop_hz, or centre_hz and "
                "span_hz, under [settings], or `list` under [spacing]"
            )
        if self.settings.points is None and self.settings.has_edges:
            raise ValueError("settings.points is missing: how the number of points is set")
        return self


class NetworkAnalyzerDialect(SweptDialect):
    """A network analyzer; one that reads only magnitudes has the form db or linear."""

    role: Literal["network analyzer"]

    def require_told_apart(self, traces: Sequence[str], where: str) -> None:
        """Check that each of the traces can be asked for by itself.

        Raises:
            InputError: no command says which of them is meant.
        """
        if self.data.form in ("db", "linear"):
            return
        if objection := self.data.objection(traces):
            raise InputError(
                f"the dialect cannot tell its traces apart: {objection}",
                where=where,
                hint="correct the dialect; or, where the instrument has one trace only, read that "
                'one: `traces = ["S21"]` of the analyzer in the station file (`--trace S21` in a '
                "trial)",
            )

    @model_validator(mode="after")
    def _reads_ratios(self) -> NetworkAnalyzerDialect:
        if self.data.form in LEVEL_FORMS:
            raise ValueError(
                f"data.form: a network analyzer reads ratios, not {self.data.form!r}; use one of "
                f"{', '.join((*VECTOR_FORMS, 'db', 'linear'))}"
            )
        return self


class SpectrumAnalyzerDialect(SweptDialect):
    """A spectrum analyzer with tracking generator."""

    role: Literal["spectrum analyzer"]

    @model_validator(mode="after")
    def _reads_levels(self) -> SpectrumAnalyzerDialect:
        if self.data.form not in (*LEVEL_FORMS, "db", "linear"):
            raise ValueError(
                f"data.form: a spectrum analyzer reads levels, not {self.data.form!r}; use one of "
                f"{', '.join((*LEVEL_FORMS, 'db', 'linear'))} (the last two where it normalizes "
                "to its tracking generator itself)"
            )
        return self


class GeneratorSettings(Table):
    """Frequency and level of a signal generator."""

    frequency_hz: Setting
    power_dbm: PowerSetting


class SettlingTable(Table):
    """How to know that the output follows a new setting."""

    completion: Completion
    time_s: TimeS = Field(default=0.0, alias="time", ge=0, le=60)
    """Stated settling time."""


class SignalGeneratorDialect(SourceDialect):
    """A signal generator."""

    role: Literal["signal generator"]
    settings: GeneratorSettings
    settling: SettlingTable | None = None
    abort: tuple[Message, ...] = ()


class MeterSettings(Table):
    """What a power meter has to be told for each reading."""

    frequency_hz: Setting | None = None


class Reading(Encoding):
    """One reading of an instrument that answers one number."""

    query: Question
    start: tuple[Message, ...] = ()
    """Left out where the question itself makes a reading."""
    completion: Completion | None = None
    time_s: TimeS = Field(default=0.0, alias="time", ge=0, le=3600)
    """How long one reading takes."""
    abort: tuple[Message, ...] = ()

    @model_validator(mode="after")
    def _awaited(self) -> Reading:
        if bool(self.start) != (self.completion is not None):
            raise ValueError(
                "start and completion belong together: what begins a reading, and how to know "
                "that it is done"
            )
        return self


class ReadingTable(Reading):
    """One reading of a power meter."""

    unit: Literal["dbm", "watt"]


class ZeroTable(Table):
    """Zeroing, with the source off."""

    start: tuple[Message, ...] = Field(min_length=1)
    completion: Completion
    time_s: TimeS = Field(default=0.0, alias="time", ge=0, le=600)
    """How long it takes."""


class PowerMeterDialect(Dialect):
    """A power meter."""

    role: Literal["power meter"]
    settings: MeterSettings = MeterSettings()
    reading: ReadingTable
    averaging: AveragingTable | None = None
    zero: ZeroTable | None = None
    overload: OverloadTable | None = None


class RouteTable(Table):
    """How channels are closed and opened; `{channel}` stands for one of them."""

    close: ChannelMessage
    open: ChannelMessage | None = None
    open_all: Message | None = None
    state: ChannelMessage | None = None
    """Asks whether a channel is closed."""
    answers_closed: tuple[str, ...] = ("1",)
    answers_open: tuple[str, ...] = ("0",)
    completion: Completion
    time_s: TimeS = Field(default=0.0, alias="time", ge=0, le=60)
    """How long the contacts take."""

    @model_validator(mode="after")
    def _can_open(self) -> RouteTable:
        if self.state is not None and "?" not in self.state:
            raise ValueError("state must be a question (with '?')")
        return self


class SignalSwitchDialect(Dialect):
    """A signal switch. Without commands to open, closing a channel opens the others."""

    role: Literal["signal switch"]
    route: RouteTable


class TemperatureTable(Reading):
    """One reading of a thermometer."""

    unit: Literal["°C", "K"]
    coldest_c: TemperatureC = Field(default=COLDEST_C, alias="coldest", ge=COLDEST_C)
    """Below it, and above `hottest`, a reading is taken for that of a broken sensor."""
    hottest_c: TemperatureC = Field(default=HOTTEST_C, alias="hottest", le=HOTTEST_C)

    @model_validator(mode="after")
    def _in_order(self) -> TemperatureTable:
        if self.hottest_c <= self.coldest_c:
            raise ValueError("coldest is not below hottest: exchange the two, or correct one")
        return self


class ThermometerDialect(Dialect):
    """A thermometer."""

    role: Literal["thermometer"]
    reading: TemperatureTable
