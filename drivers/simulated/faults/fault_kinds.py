"""The table of wire faults. The docstring of each says what a client sees.

A fault on messages acts before its message is executed, one on answers when the answer stands.
"""

from __future__ import annotations

import math
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from drivers.simulated.faults import faulty_answers as answers
from drivers.simulated.scpi import (
    Command,
    Declaration,
    Engine,
    Integer,
    Misfire,
    Number,
    Query,
    ScpiError,
)
from drivers.simulated.scpi.syntax import Kind as ElementKind
from drivers.simulated.scpi.syntax import Unit
from drivers.simulated.serving.reply import Reply, Then

__all__ = ["KINDS", "FaultKind", "Strike"]

Value = float | str
Outcome = bytes | Reply | None
"""What to execute instead of a message, or the reply that ends the matter.

None: it cannot act here, nothing would change, or it acts later and tells so itself.
"""

TRIPPED: Final = 101
"""A number of the device's own (SCPI-99 21.8: 1 to 32767)."""
OUTPUT_OFF: Final = b"OUTPut:STATe OFF"
ABORT: Final = b"ABORt"


@dataclass(frozen=True, slots=True)
class Strike:
    """One act of a fault: its parameters, the instrument, and randomness of its own."""

    parameters: Mapping[str, Value]
    target: Declaration | None
    """What it is aimed at, where the header was named."""
    engine: Engine
    other_client: Callable[[bytes], Awaitable[None]]
    """Has a message executed as if another client had sent it."""
    struck: Callable[[], object]
    """To be called where it acts only later: keeps the record of a strike."""
    before: bytes
    """What the same message was answered the last time; empty where that is not known."""
    random: np.random.Generator

    def whole(self, name: str) -> int:
        """A parameter that counts something."""
        return int(self.parameters[name])

    @property
    def shortest(self) -> int:
        """How many numbers make a trace; where the header was named, one is enough."""
        return answers.SHORTEST_TRACE if self.target is None else 1


@dataclass(frozen=True, slots=True)
class FaultKind:
    """A kind of fault and the defaults of its parameters."""

    name: str
    sees: str
    """What a client sees."""
    defaults: Mapping[str, Value]
    on_message: bool
    act: Callable[[Strike, bytes], Awaitable[Outcome]]
    needs: bytes = b""
    """A command that the instrument must have."""

    def suits(self, engine: Engine) -> bool:
        """Whether the instrument is one that this can happen to."""
        return not self.needs or any(True for _ in engine.units(self.needs))


KINDS: dict[str, FaultKind] = {}

Act = Callable[[Strike, bytes], Awaitable[Outcome]]


def _kind(
    *, on_message: bool = False, needs: bytes = b"", **defaults: Value
) -> Callable[[Act], Act]:
    def register(act: Act) -> Act:
        function_name: str = act.__name__
        name = function_name.replace("_", "-")
        sees = (act.__doc__ or "").strip().partition("\n")[0]
        KINDS[name] = FaultKind(name, sees, defaults, on_message, act, needs)
        return act

    return register


# Answers that do not come, or not whole, or not in time.


@_kind()
async def silence(strike: Strike, answer: bytes) -> Outcome:
    """No answer comes, though the command was executed; the connection stays open."""
    return Reply() if answer else None


@_kind()
async def late_answer(strike: Strike, answer: bytes) -> Outcome:
    """No answer comes until the next message is answered, then first the old one: out of step."""
    return Reply(answer, is_late=True) if answer else None


@_kind(interval=0.05, bytes=1)
async def slow_drip(strike: Strike, answer: bytes) -> Outcome:
    """The answer is right, but comes `bytes` bytes every `interval`."""
    piece, interval_s = strike.whole("bytes"), float(strike.parameters["interval"])
    if not answer or (interval_s == 0.0 and piece >= len(answer)):
        return None
    return Reply(answer, piece, interval_s)


@_kind()
async def half_answer(strike: Strike, answer: bytes) -> Outcome:
    """The first half of the answer comes and no more of it; the connection stays open."""
    return Reply(answer[: len(answer) // 2]) if answer else None


@_kind()
async def drop_before(strike: Strike, answer: bytes) -> Outcome:
    """The connection is closed in place of an answer."""
    return Reply(then=Then.CLOSE) if answer else None


@_kind()
async def drop_inside(strike: Strike, answer: bytes) -> Outcome:
    """The connection is closed after half of the answer."""
    return Reply(answer[: len(answer) // 2], then=Then.CLOSE) if answer else None


@_kind()
async def drop_after(strike: Strike, answer: bytes) -> Outcome:
    """The answer comes whole, then the connection is closed: the next message finds it gone."""
    return Reply(answer, then=Then.CLOSE) if answer else None


# Answers that are wrong.


@_kind(bytes=8)
async def wrong_length(strike: Strike, answer: bytes) -> Outcome:
    """A block states `bytes` bytes more than it has (fewer where negative)."""
    return _reply(answers.misstated(answer, strike.whole("bytes")))


@_kind()
async def wrong_byte_order(strike: Strike, answer: bytes) -> Outcome:
    """The numbers of a block come with their bytes in the opposite order: absurd values."""
    return _reply(answers.swapped(answer, strike.engine.data_format))


@_kind(points=1)
async def not_a_number(strike: Strike, answer: bytes) -> Outcome:
    """`points` points of a trace are 9.91E37, SCPI's not-a-number, at random places."""
    form, points = strike.engine.data_format, strike.whole("points")
    return _reply(answers.with_not_a_number(answer, form, points, strike.random, strike.shortest))


@_kind(numbers=-2)
async def wrong_points(strike: Strike, answer: bytes) -> Outcome:
    """A trace has `numbers` numbers more than it should (fewer where negative), well-formed."""
    form = strike.engine.data_format
    return _reply(answers.resized(answer, form, strike.whole("numbers"), strike.shortest))


@_kind(bytes=12)
async def garbage(strike: Strike, answer: bytes) -> Outcome:
    """`bytes` random bytes, none of them a new line or ASCII, come before the answer."""
    if not answer:
        return None
    return Reply(
        strike.random.integers(128, 256, strike.whole("bytes"), np.uint8).tobytes() + answer
    )


@_kind()
async def answer_before(strike: Strike, answer: bytes) -> Outcome:
    """The answer that the same message got the last time comes once more."""
    return Reply(strike.before) if strike.before and strike.before != answer else None


@_kind(on_message=True, needs=b"SENSe:FUNCtion:ON:ALL")
async def trace_for_another(strike: Strike, message: bytes) -> Outcome:
    """Asked for S21, the instrument answers with S11."""
    for declared, unit, _ in strike.engine.units(message):
        if isinstance(declared, Query) and unit.spans:
            where = unit.spans[0]
            if message[where.start : where.stop].upper() == b"S21":
                return message[: where.start] + b"S11" + message[where.stop :]
    return None


def _reply(answer: bytes | None) -> Reply | None:
    return None if answer is None else Reply(answer)


# What happens in the instrument.


@_kind(on_message=True, limit=math.nan)
async def clipped_setting(strike: Strike, message: bytes) -> Outcome:
    """A number is taken as `limit` if above it (none given: a tenth lower); no error is queued."""
    limit = float(strike.parameters["limit"])
    for declared, unit, _ in strike.engine.units(message):
        if strike.target is not None and declared is not strike.target:
            continue
        taken = _clipped(declared, unit, limit)
        if taken is not None:
            where = unit.spans[0]
            return message[: where.start] + repr(taken).encode() + message[where.stop :]
    return None


def _clipped(declared: Declaration, unit: Unit, limit: float) -> float | None:
    """What to take in place of a unit's number, within its limits; None: it stays as it is."""
    if not (isinstance(declared, Command) and unit.elements and declared.parameters):
        return None
    parameter = declared.parameters[0]
    if not isinstance(parameter, Number) or unit.elements[0].kind is not ElementKind.NUMBER:
        return None
    try:
        asked = declared.values(unit.elements)[0]
    except ScpiError:
        return None  # refused in any case
    if not isinstance(asked, int | float):
        return None
    lowest, _ = parameter.bounds()
    try:
        taken = asked - 0.1 * abs(asked) if math.isnan(limit) else min(asked, limit)
        taken = max(taken, lowest)
        if isinstance(parameter, Integer):
            taken = math.floor(taken)
            taken = taken if taken >= lowest else taken + 1
    except OverflowError:
        return None  # a whole number without limits, beyond what a real number can hold
    return None if taken == asked or not math.isfinite(taken) else taken


@_kind(on_message=True, needs=ABORT)
async def endless_sweep(strike: Strike, message: bytes) -> Outcome:
    """The sweep that begins next never completes; ABORt ends it, without data."""
    if strike.engine.stall is None:
        strike.engine.stall = strike.struck
    return None


@_kind(on_message=True, needs=ABORT)
async def trigger_ignored(strike: Strike, message: bytes) -> Outcome:
    """The next sweep is not made, though all says that it is: the trace before stands."""
    return _misfire(strike, "ignored")


@_kind(on_message=True, needs=ABORT)
async def half_old_trace(strike: Strike, message: bytes) -> Outcome:
    """The next sweep leaves the second half of the trace as it was before."""
    return _misfire(strike, "half")


@_kind(on_message=True, needs=ABORT, interval=0.02)
async def late_start(strike: Strike, message: bytes) -> Outcome:
    """The next sweep begins `interval` after its trigger; until then all says that it is over."""
    return _misfire(strike, "late", float(strike.parameters["interval"]))


def _misfire(
    strike: Strike, kind: Literal["ignored", "half", "late"], delay_s: float = 0.0
) -> Outcome:
    if strike.engine.misfire is None:
        strike.engine.misfire = Misfire(kind, strike.struck, delay_s)
    return None


@_kind(on_message=True)
async def restart(strike: Strike, message: bytes) -> Outcome:
    """Connections are reset; afterwards settings are as after *RST, and *ESR? has power-on set."""
    strike.engine.restart()
    return Reply(then=Then.RESET_ALL)


@_kind(on_message=True, needs=OUTPUT_OFF)
async def power_trip(strike: Strike, message: bytes) -> Outcome:
    """The source switches itself off, with an error in the queue; sweeps then read noise."""
    await strike.engine.handle(OUTPUT_OFF)
    strike.engine.post_error(TRIPPED, "Source tripped off: overload at a port")
    return message


@_kind(on_message=True)
async def error_flood(strike: Strike, message: bytes) -> Outcome:
    """The error queue is full and says so (-350 at its end), for nothing the client did."""
    for _ in range(strike.engine.status.errors.depth + 1):
        strike.engine.post_error(-310, "nothing that the controller did")
    return message


@_kind(says="*RST")
async def second_client(strike: Strike, answer: bytes) -> Outcome:
    """Another client sends `says` after this message; *RST changes every setting unannounced."""
    await strike.other_client(str(strike.parameters["says"]).encode("latin-1"))
    return Reply(answer)
