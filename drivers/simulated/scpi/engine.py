"""The SCPI engine: takes program messages, runs what is declared, gives the responses.

Decisions where the standards leave room, or where a raw socket differs from their bus:

* After a command error (-1xx) the rest of the message is dropped; after an execution or device
  error the following units are executed. Responses formed before are sent in either case.
* Responses are pushed out when the message ends; none is ever left to be fetched. Query errors
  -420 (UNTERMINATED) and -430 (DEADLOCKED) therefore cannot come from the wire. -440 (query
  after an indefinite response, such as that of *IDN?) can.
* -410 (INTERRUPTED) comes from the server where it sends a response piece by piece: a message
  that arrives meanwhile drops what is left. It does not come where a client merely does not
  read: what was given to the socket cannot be taken back, and whether it is full depends on the
  system and on timing. Such a message waits in the input buffer, and no response is lost.
* Device clear, which a raw socket has no signal for, is closing the connection. The server drops
  an unfinished message and unsent responses; `device_clear` ends the wait for *OPC of who closed
  (operation complete idle state, IEEE 488.2 12.5.2, from memory). Whole messages sent before an
  orderly end are still executed: a last OUTPut OFF must not be lost.
* For the same reason MAV is seen set only by a *STB? that follows another query in its message.
* Status, error queue and settings are shared by all connections; a response goes to the asker.
* *OPC?, *WAI and coroutine functions hold their own message only; others are served meanwhile.
"""

import inspect
import logging
import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, fields
from typing import Literal

from drivers.simulated.scpi.commands import Command, Declaration, Query, setting
from drivers.simulated.scpi.framing import MessageReader
from drivers.simulated.scpi.headers import HeaderTree
from drivers.simulated.scpi.operations import Operation, Operations
from drivers.simulated.scpi.parameters import Block, Integer
from drivers.simulated.scpi.responses import DataFormat, format_response
from drivers.simulated.scpi.scpi_errors import ScpiError
from drivers.simulated.scpi.standard import format_commands, status_commands, system_commands
from drivers.simulated.scpi.status import MEASURING, OPERATION_COMPLETE, SWEEPING, Status
from drivers.simulated.scpi.syntax import WHITE_SPACE, Unit, read_unit

__all__ = ["Engine", "Identity", "Misfire"]

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Identity:
    """The four fields of the response to *IDN? (IEEE 488.2 10.14.3)."""

    manufacturer: str
    model: str
    serial: str = "0"
    firmware: str = "0"

    def __post_init__(self) -> None:
        for item in fields(self):
            text = getattr(self, item.name)
            if not (text and text.isascii() and text.isprintable()) or set(text) & set(",;"):
                raise ValueError(
                    f"identity: {item.name} {text!r} must be printable ASCII without , and ;"
                )

    def __str__(self) -> str:
        return f"{self.manufacturer},{self.model},{self.serial},{self.firmware}"


@dataclass(frozen=True, slots=True)
class Misfire:
    """A trigger that does not do what it should."""

    kind: Literal["ignored", "half", "late"]
    """No sweep is made; or one is whose second half stays old; or it begins after `delay_s`."""
    struck: Callable[[], object]
    """To be called as it happens."""
    delay_s: float = 0.0


@dataclass(slots=True)
class _Exchange:
    """What belongs to one message while it is executed."""

    path: tuple[str, ...] = ()
    responses: list[bytes] = field(default_factory=list)
    is_closed: bool = False  # by an indefinite response
    connection: int = 0


class Engine:
    """One instrument's message exchange, status and overlapped operations.

    Not thread-safe: everything happens on one event loop. Raises ValueError when the
    declarations clash with each other or with the standard commands.
    """

    def __init__(
        self,
        identity: Identity,
        commands: Iterable[Declaration],
        *,
        reset: Callable[[], object] | None = None,
        self_test: Callable[[], int] = lambda: 0,
        data_format: bool = True,
    ) -> None:
        self.identity = identity
        self.status = Status()
        self.data_format = DataFormat()
        self._reset_device = reset
        self.stall: Callable[[], object] | None = None
        """Where set, it is called as the next sweep or measurement begins, which never ends."""
        self.misfire: Misfire | None = None
        """Where set, what becomes of the next trigger; whoever takes it takes it away."""
        self._opc_is_armed = False
        self._opc_connection = 0
        self._exchange = _Exchange()
        self._operations = Operations(self.status.operation, self._on_idle, self._guard)
        self._commands: HeaderTree[Declaration] = HeaderTree()
        self._queries: HeaderTree[Declaration] = HeaderTree()
        self._common = {
            (declared.pattern, isinstance(declared, Query)): declared
            for declared in self._common_commands(self_test)
        }
        self.add(system_commands(self.status))
        self.add(status_commands(self.status))
        if data_format:
            self.add(format_commands(self.data_format))
        self.add(commands)

    def add(self, commands: Iterable[Declaration]) -> None:
        """Declare further commands and queries; common ones (`*TRG`) replace those known."""
        for declared in commands:
            is_query = isinstance(declared, Query)
            if declared.pattern.startswith("*"):
                self._common[declared.pattern.upper(), is_query] = declared
            else:
                tree = self._queries if is_query else self._commands
                tree.add(declared.pattern, declared, declared.suffixes)

    def post_error(self, number: int, detail: str = "") -> None:
        """Put an error into the queue and set its event status bit."""
        self.status.post(ScpiError(number, detail))

    def begin(
        self,
        duration_s: float,
        on_done: Callable[[], object] | None = None,
        operation_bit: int = 3,
    ) -> Operation:
        """Begin an overlapped operation of `duration_s` seconds on the event loop's clock.

        Bit `operation_bit` of STATus:OPERation:CONDition is set while it is pending. `on_done`
        is called at its end; with a duration of 0 before this method returns.
        """
        if self.stall is not None and operation_bit in (SWEEPING, MEASURING):
            stalled, self.stall = self.stall, None
            stalled()
            duration_s = math.inf
        return self._operations.begin(duration_s, on_done, operation_bit)

    def abort(self) -> None:
        """End every pending operation at once; its `on_done` is not called."""
        self._operations.abort()

    def restart(self) -> None:
        """Power off and on: every setting, the status and the error queue begin anew."""
        self.stall = self.misfire = None
        self._reset()
        self.status.power_on()

    def units(self, message: bytes) -> Iterator[tuple[Declaration, Unit, slice]]:
        """Read `message` without executing it: each unit, its declaration, and where it stands.

        Ends at the first unit that breaks the grammar or is not declared.
        """
        text = message.decode("latin-1")
        exchange = _Exchange()
        position = -1
        while position < len(text):
            start = position + 1
            try:
                unit, position = read_unit(text, start)
                declared, _ = self._find(unit, exchange)
            except ScpiError:
                return
            yield declared, unit, slice(start, position)

    def takes_block(self, before: bytes) -> bool:
        """Whether a block that follows `before` in a message is one that its command takes."""
        units = list(self.units(before + b"#0"))
        if not units:
            return False
        declared, unit, _ = units[-1]
        place = len(unit.elements) - 1
        if place < 0 or unit.spans[place].start != len(before):
            return False  # the reading ended before the block
        if declared.repeat_last:
            place = min(place, len(declared.parameters) - 1)
        return place < len(declared.parameters) and isinstance(declared.parameters[place], Block)

    def device_clear(self, connection: int) -> None:
        """Forget the *OPC that `connection` sent; nothing else of it is kept here."""
        if connection == self._opc_connection:
            self._opc_is_armed = False

    @property
    def pending(self) -> bool:
        """Whether any overlapped operation is pending."""
        return self._operations.pending

    async def idle(self) -> None:
        """Return as soon as no overlapped operation is pending."""
        await self._operations.idle()

    async def handle(self, message: bytes, connection: int = 0) -> bytes:
        """Execute `message` and return the response with its new line, or nothing.

        `connection` tells who sent it, for `device_clear`. A new line at the end is allowed, not
        needed. New lines in between part messages, but for those inside definite blocks.
        ConnectionError from a device function is passed on:
        it stands for a link that breaks.
        """
        end = message.find(b"\n")
        if end < 0:
            return await self._execute(message, connection)
        if end == len(message) - 1 and b"#" not in message:
            return await self._execute(message[:-1], connection)
        reader = MessageReader(limit=len(message))
        reader.feed(message)
        responses = []
        while (part := reader.next_message()) is not None:
            responses.append(await self._execute(part, connection))
        if rest := reader.rest():
            responses.append(await self._execute(rest, connection))
        return b"".join(responses)

    async def _execute(self, message: bytes, connection: int) -> bytes:
        text = message.decode("latin-1")
        if not text.strip(WHITE_SPACE):
            return b""
        exchange = _Exchange(connection=connection)
        position = -1
        while position < len(text):
            try:
                unit, position = read_unit(text, position + 1)
            except ScpiError as error:
                self.status.post(error)
                break
            if not await self._run(unit, exchange):
                break
        return b";".join(exchange.responses) + b"\n" if exchange.responses else b""

    async def _run(self, unit: Unit, exchange: _Exchange) -> bool:
        """Execute one unit; return whether the rest of the message is to be executed too."""
        try:
            declared, suffixes = self._find(unit, exchange)
            values = declared.values(unit.elements)
            if unit.is_query and exchange.is_closed:
                raise ScpiError(-440, unit.header)
            self._exchange = exchange
            result = declared.function(*suffixes, *values)
            if inspect.isawaitable(result):
                result = await result
            if isinstance(declared, Query):
                exchange.responses.append(format_response(result, self.data_format))
                exchange.is_closed |= declared.is_indefinite
        except ScpiError as error:
            self.status.post(error)
            return not -200 < error.number <= -100
        except ConnectionError:
            raise
        except Exception as defect:
            log.exception("%s: defect while executing %s", self.identity, unit.header)
            self._post_defect(defect, unit.header)
        return True

    def _find(self, unit: Unit, exchange: _Exchange) -> tuple[Declaration, tuple[int, ...]]:
        if unit.is_common:
            declared = self._common.get((unit.header, unit.is_query))
            if declared is None:
                raise ScpiError(-113, unit.header)
            return declared, ()
        mnemonics = tuple(unit.header.split(":"))
        if not unit.is_absolute:
            mnemonics = exchange.path + mnemonics
        found = (self._queries if unit.is_query else self._commands).find(mnemonics)
        exchange.path = mnemonics[:-1]
        return found

    def _post_defect(self, defect: Exception, where: str) -> None:
        self.post_error(
            -300, f"defect of the simulation: {where}: {type(defect).__name__}: {defect}"
        )

    def _guard(self, function: Callable[[], object]) -> None:
        """Call what a device gave for later, outside any message."""
        try:
            function()
        except ScpiError as error:
            self.status.post(error)
        except Exception as defect:
            log.exception("%s: defect while an operation ended", self.identity)
            self._post_defect(defect, "end of operation")

    def _common_commands(self, self_test: Callable[[], int]) -> Iterator[Declaration]:
        status = self.status
        mask = Integer(minimum=0, maximum=255)
        yield Query("*IDN", lambda: str(self.identity), is_indefinite=True)
        yield Command("*RST", self._reset)
        yield Command("*CLS", self._clear)
        yield from setting("*ESE", mask, get=lambda: status.event_enable, set=status.enable_events)
        yield Query("*ESR", status.read_event_status)
        yield Command("*OPC", self._arm_completion)
        yield Query("*OPC", self._completed)
        yield from setting(
            "*SRE", mask, get=lambda: status.service_enable, set=status.enable_service
        )
        yield Query("*STB", lambda: status.byte(bool(self._exchange.responses)))
        yield Query("*TST", lambda: int(self_test()))
        yield Command("*WAI", self.idle)

    def _reset(self) -> None:
        self._opc_is_armed = False
        self.abort()
        self.data_format.reset()
        if self._reset_device is not None:
            self._reset_device()

    def _clear(self) -> None:
        self._opc_is_armed = False
        self.status.clear()

    def _arm_completion(self) -> None:
        self._opc_is_armed = True
        self._opc_connection = self._exchange.connection
        if not self.pending:
            self._on_idle()

    async def _completed(self) -> int:
        await self.idle()
        return 1

    def _on_idle(self) -> None:
        if self._opc_is_armed:
            self._opc_is_armed = False
            self.status.event_status |= OPERATION_COMPLETE
