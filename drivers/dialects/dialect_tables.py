"""The tables that dialects of every role are made of, with mistakes told in plain words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Literal

from pydantic import Field, model_validator

from drivers.dialects.dialect_messages import (
    Message,
    Messages,
    NumberForm,
    Question,
    TraceMessages,
    TraceQuestion,
    ValueMessage,
    fill,
    holds,
)
from drivers.quantities import TimeS
from drivers.toml_file import Table


class LinkTable(Table):
    """What has to be known about the interface."""

    termination: str = Field(default="\n", min_length=1, max_length=2)
    """Ends every message, both ways."""
    baud_rate: int | None = Field(default=None, gt=0, le=4_000_000)
    """Of a serial port."""
    query_delay_s: TimeS = Field(default=0.0, alias="query_delay", ge=0, le=10)
    """Pause between a question and reading its answer."""
    write_delay_s: TimeS = Field(default=0.0, alias="write_delay", ge=0, le=10)
    """Pause after every message."""


class Setting(Table):
    """How one setting is made and read back; `{value}` stands for the number."""

    set: ValueMessage | None = None
    """Left out where the instrument has one value only: the one `allowed`."""
    get: Question | None = None
    scale: float = Field(default=1.0, gt=0)
    """What one unit of {value} is, in Hz, dBm or points: 1e6 where {value} is in MHz."""
    answer_scale: float | None = Field(default=None, gt=0)
    """The same for the answer, where it differs."""
    format: NumberForm = ""
    """How the number is written: ".6f" six decimals, ".3e" with exponent, "d" whole."""
    tolerance: float | None = Field(default=None, ge=0)
    """By how much the readback may differ, in Hz, dBm or points."""
    allowed: tuple[float, ...] = ()
    lowest: float | None = None
    highest: float | None = None

    @model_validator(mode="after")
    def _makes_sense(self) -> Setting:
        if self.set is None and len(self.allowed) != 1:
            raise ValueError("set is missing; only a setting with one `allowed` value needs none")
        if self.allowed and (self.lowest, self.highest) != (None, None):
            raise ValueError("state either the allowed values or lowest and highest, not both")
        if self.lowest is not None and self.highest is not None and self.lowest > self.highest:
            raise ValueError("lowest is above highest: exchange the two, or correct one")
        return self

    def written(self, value: float) -> str:
        """The number as it stands in the command, for a value in Hz, dBm or points."""
        scaled = value if self.scale == 1.0 else value / self.scale
        if self.format == "d":
            return str(round(scaled))
        return format(scaled, self.format) if self.format else repr(scaled)

    def message(self, value: float) -> str | None:
        """The command that sets `value`; None where there is nothing to set."""
        return None if self.set is None else fill(self.set, value=self.written(value))

    def read(self, answer: float) -> float:
        """An answer in Hz, dBm or points."""
        return answer * (self.scale if self.answer_scale is None else self.answer_scale)

    def objection(self, value: float) -> str:
        """Why `value` cannot be set; empty where it can."""
        if self.allowed and value not in self.allowed:
            near = min(self.allowed, key=lambda choice: abs(choice - value))
            listing = ", ".join(f"{choice:g}" for choice in self.allowed)
            return f"this instrument takes only {listing}; the nearest is {near:g}"
        if self.lowest is not None and value < self.lowest:
            return f"this instrument takes {self.lowest:g} at least"
        if self.highest is not None and value > self.highest:
            return f"this instrument takes {self.highest:g} at most"
        return ""


class PowerSetting(Setting):
    """The level of a source, which is always read back."""

    set: ValueMessage
    get: Question


class RfTable(Table):
    """How RF is switched, and how the instrument tells its state."""

    on: Message
    off: Message
    state: Question
    answers_on: tuple[str, ...] = ("1", "+1", "ON")
    answers_off: tuple[str, ...] = ("0", "+0", "OFF")

    @model_validator(mode="after")
    def _told_apart(self) -> RfTable:
        both = {a.upper() for a in self.answers_on} & {a.upper() for a in self.answers_off}
        if both or not (self.answers_on and self.answers_off):
            raise ValueError("answers_on and answers_off must each hold answers, none of them both")
        return self


class EventStatusBit(Table):
    """Polls the event status register, which `*OPC` marks when everything is done."""

    kind: Literal["event-status-bit"]
    query: Question = "*ESR?"
    bit: int = Field(default=0, ge=0, le=15)


class OperationCompleteQuery(Table):
    """Asks one question that is answered when everything is done."""

    kind: Literal["operation-complete-query"]
    query: Question = "*OPC?"
    answers: tuple[str, ...] = ("1", "+1")


class StatusConditionBit(Table):
    """Polls a condition register until a bit says that nothing goes on any more."""

    kind: Literal["status-condition-bit"]
    query: Question = "STATus:OPERation:CONDition?"
    bit: int = Field(ge=0, le=15)
    done_when: Literal["clear", "set"] = "clear"
    busy_first: bool = False
    """Whether the bit must have shown that something goes on before it can show that it is over:
    for an instrument that is idle for a moment after the trigger."""


class Wait(Table):
    """Waits, where the instrument has no way to tell; on top of the stated sweep time."""

    kind: Literal["wait"]
    time_s: TimeS = Field(alias="time", ge=0, le=86400)


Completion = Annotated[
    EventStatusBit | OperationCompleteQuery | StatusConditionBit | Wait,
    Field(discriminator="kind"),
]


class OverloadTable(Table):
    """How the receiver says that it has too much power."""

    query: Question
    bit: int = Field(ge=0, le=31)


class AveragingTable(Table):
    """Averaging by the instrument; where this table is missing the driver averages."""

    on: tuple[Annotated[Message, holds("value", required=False)], ...]
    """Sent for more than one reading; {value} is their number."""
    off: tuple[Message, ...] = ()
    """Sent for one."""
    get: Question | None = None
    restart: Message | None = None
    """Sent before every measurement, to forget earlier readings."""
    one_start_makes: Literal["all", "one"] = "all"
    """Whether one start makes all readings of the mean, or has to be repeated for each."""
    highest: int | None = Field(default=None, ge=1)

    @model_validator(mode="after")
    def _counts(self) -> AveragingTable:
        if not any("{value}" in command for command in self.on):
            raise ValueError("one command of `on` must contain {value}, the number of readings")
        return self


class SweepTable(Table):
    """How one sweep is armed, started, awaited, ended and aborted."""

    start: Messages
    completion: Completion
    abort: Messages
    arm: tuple[Message, ...] = ()
    """Sent once the band is set up: single sweep, trigger source."""
    idle: tuple[Message, ...] = ()
    """Sent after the data were read."""
    time: Question | None = None
    """Asks how many seconds a sweep takes."""
    time_scale: float = Field(default=1.0, gt=0)
    """Seconds in one unit of the answer: 1e-3 where it is in milliseconds."""
    time_covers: Literal["one sweep", "all averages"] = "one sweep"


class SpacingTable(Table):
    """Linear, logarithmic and listed points; without the table only linear ones."""

    linear: tuple[Message, ...] | None = None
    logarithmic: tuple[Message, ...] | None = None
    list: tuple[Annotated[Message, holds("values", required=False)], ...] | None = None
    """Sends every frequency; {values} is all of them. Used where a spacing has no commands."""
    separator: str = ","
    scale: float = Field(default=1.0, gt=0)
    """What one unit of a listed frequency is in Hz."""
    format: NumberForm = ""
    longest_list: int | None = Field(default=None, ge=1)

    @model_validator(mode="after")
    def _list_has_values(self) -> SpacingTable:
        if self.list is not None and not any("{values}" in command for command in self.list):
            raise ValueError("one command of `list` must contain {values}, the frequencies")
        return self


VECTOR_FORMS = ("complex-pairs", "real-and-imaginary", "magnitude-and-phase", "db-and-phase")
LEVEL_FORMS = ("dbm", "watt", "volt")


class Encoding(Table):
    """How numbers come."""

    encoding: Literal["ascii", "real32", "real64"] = "ascii"
    separator: str = Field(default=",", min_length=1)
    """Between numbers in text; " " stands for any blanks."""
    byte_order: Literal["big", "little"] = "big"


class DataTable(Encoding):
    """How a trace is chosen and read; `{trace}` stands for its name."""

    form: Literal[
        "complex-pairs", "real-and-imaginary", "magnitude-and-phase", "db-and-phase",
        "db", "linear", "dbm", "watt", "volt",
    ]  # fmt: skip
    query: TraceQuestion
    """Asks for the data, or for the first of two parts."""
    second_query: TraceQuestion | None = None
    """Asks for the imaginary part or the phase; without it they come in pairs."""
    phase: Literal["degrees", "radians"] = "degrees"
    define: TraceMessages = ()
    """Sent for every trace after `prepare`: makes the measurement known under a name."""
    select: TraceMessages = ()
    """Sent before a trace is read."""
    names: dict[str, str] = Field(default_factory=dict)
    """What {trace} is for each S-parameter, where it is not its name."""
    axis: Question | None = None
    """Asks for all frequencies, to compare them with what was set."""
    axis_scale: float = Field(default=1.0, gt=0)

    def objection(self, traces: Sequence[str]) -> str:
        """Why several traces cannot be told apart; empty where they can."""
        if len(traces) < 2:
            return ""
        asking = (*self.select, *self.query)
        if not any("{trace}" in command for command in asking):
            return (
                f"{', '.join(traces)} are wanted, but no command says which of them is meant: put "
                "{trace} into `query`, or into `select`, under [data]"
            )
        names = [self.names.get(trace, trace) for trace in traces]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            return f"data.names gives {twice[0]!r} to more than one trace: give each its own"
        return ""

    @model_validator(mode="after")
    def _parts(self) -> DataTable:
        if self.form == "real-and-imaginary" and self.second_query is None:
            raise ValueError(
                "second_query is missing: it asks for the imaginary part (pairs in one answer are "
                "form 'complex-pairs')"
            )
        if self.second_query is not None and self.form not in VECTOR_FORMS[1:]:
            raise ValueError(f"form {self.form!r} has one part: leave second_query out")
        return self
