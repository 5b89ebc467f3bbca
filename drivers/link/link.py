"""The link to one instrument at a VISA address: text out, text or exact-length blocks in.

The only module that imports pyvisa. A link counts as open once `*IDN?` has been answered.
"""

from __future__ import annotations

import errno
import os
import socket
import time
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from typing import TYPE_CHECKING, Any

from drivers.errors import InputError, LinkError, TarelineError
from drivers.link.conversation import EVENTS, Conversation
from drivers.link.socket_wire import SocketWire
from drivers.link.traffic_log import TrafficLog
from drivers.link.wire import AnswerReader, ClosedByPeer, Deadline, TimeOver, Wire, WireSettings
from drivers.stop_signals import look

if TYPE_CHECKING:
    from pyvisa import ResourceManager

__all__ = [
    "DEFAULT_TIMEOUT_S",
    "Link",
    "WireSettings",
    "address_fault",
    "canonical_resource",
    "list_resources",
    "load_visa_library",
]

DEFAULT_TIMEOUT_S = 5.0
EXTRAS = {"USB": "usb", "GPIB": "gpib"}
"""Extra of this distribution with what pyvisa-py needs, by the beginning of an address."""
DEFAULT_WIRE = WireSettings()
SHORTEST_WAIT_MS = 1.0
LOOKING_S = 0.5
"""From one look for a stop signal to the next, while a serial line is read."""
QUIET_S = 0.05
"""Without a byte for that long, a serial line is taken to be quiet."""
OPENING = "nothing yet"
LAST_PORT = 65535
LIKE = 'write it like "TCPIP0::192.0.2.10::5025::SOCKET" or "USB0::0x1234::0x5678::SN1::INSTR"'


def _resource_manager(visa_library: str) -> ResourceManager:
    """The manager that everybody in the process shares; a new one if somebody has closed it."""
    from pyvisa.errors import InvalidSession

    manager = _loaded(visa_library)
    try:
        _ = manager.session
    except InvalidSession:
        _loaded.cache_clear()
        return _loaded(visa_library)
    return manager


@cache
def _loaded(visa_library: str) -> ResourceManager:
    import pyvisa

    try:
        return pyvisa.ResourceManager(visa_library)
    except (OSError, ValueError) as error:
        raise LinkError(
            f"the VISA library {visa_library!r} cannot be loaded: {error}",
            hint='leave `visa_library` out of the station file to use "@py" (pyvisa-py)',
        ) from error


def load_visa_library(visa_library: str = "@py") -> None:
    """Load a VISA library ahead of need.

    Raises:
        LinkError: it cannot be loaded.
    """
    _resource_manager(visa_library)


def canonical_resource(resource: str) -> str:
    """One spelling for all spellings of a VISA address; upper case, defaults written out.

    What is no VISA address comes back in upper case; opening it will say what is wrong.
    """
    from pyvisa.rname import InvalidResourceName, to_canonical_name

    if resource.upper().startswith("ASRL/"):
        device, separator, rest = resource[len("ASRL") :].partition("::")
        resource = f"ASRL{os.path.realpath(device)}{separator}{rest}"  # often a link by name
    try:
        # the names of interfaces are read in upper case only
        return str(to_canonical_name(resource.upper())).upper()
    except InvalidResourceName:
        return resource.upper()


def list_resources(visa_library: str = "@py") -> tuple[str, ...]:
    """Instruments that the library finds by itself; raw sockets are never among them.

    Raises:
        LinkError: the library cannot be loaded.
    """
    with warnings.catch_warnings():
        # what else a library could search is for whoever installs it, not for people at a bench
        warnings.simplefilter("ignore", UserWarning)
        found = _resource_manager(visa_library).list_resources("?*")
    return tuple(resource for resource in found if not resource.upper().endswith("::INTFC"))


class Link(Conversation):
    """A conversation with one instrument at a VISA address."""

    def __init__(
        self,
        resource: str,
        *,
        timeout_s: float = DEFAULT_TIMEOUT_S,
        visa_library: str = "@py",
        wire: WireSettings = DEFAULT_WIRE,
        log: TrafficLog | None = None,
    ) -> None:
        super().__init__(resource, timeout_s, wire, log)
        self._visa_library = visa_library
        self._session: Any = None

    def connect(self) -> None:
        """Connect without asking who is there.

        Raises:
            InputError: the resource is no VISA address.
        """
        manager = _resource_manager(self._visa_library)
        host = _host(self.resource)
        self.close()
        if host is not None:
            self._require_known(host)
        try:
            try:
                self._session = manager.open_resource(
                    self.resource,
                    read_termination=self.wire.termination,
                    write_termination=self.wire.termination,
                    open_timeout=int(self.timeout_s * 1000.0),
                )
                self._wire = self._wire_of(self._session)
                self._reader = AnswerReader(self._wire, self.wire)
            except TarelineError:
                raise
            except Exception as error:
                # pyvisa-py raises bare exceptions here, among others for unknown hosts
                if isinstance(error, TimeOver) or _names_a_timeout(error):
                    raise self._report(OPENING).nobody(self.timeout_s) from error
                lacking = _lacking_extra(self.resource, error)
                if lacking:
                    raise self._report(OPENING).without_package(lacking) from error
                raise self._report(OPENING).unopened(str(error)) from error
        except BaseException:
            self.close()
            raise
        self._note("connected")

    def _require_known(self, host: str) -> None:
        """Look the host up first, since pyvisa-py 0.8.1 leaves a socket open where it fails."""
        try:
            socket.getaddrinfo(host, None, family=socket.AF_INET)
        except OSError as error:
            cause = f"the name {host!r} is not known here ({error.strerror})"
            raise self._report(OPENING).unopened(cause) from error

    def _wire_of(self, session: Any) -> Wire:
        own = getattr(session.visalib, "sessions", {}).get(session.session)
        interface = getattr(own, "interface", None)
        if session.resource_class == "SOCKET" and isinstance(interface, socket.socket):
            wire = SocketWire(interface)
            number = wire.failure()
            if number == errno.ECONNREFUSED:
                raise self._report(OPENING).refused(os.strerror(number))
            if number:
                raise OSError(number, os.strerror(number))
            return wire
        visa_wire = _VisaWire(session, own, self.wire)
        if not visa_wire.has_message_ends:
            # a port keeps what comes late for one who opens it anew
            visa_wire.come_to_rest(Deadline(self.timeout_s))
        return visa_wire

    def close(self) -> None:
        """End the connection; harmless when there is none."""
        session, self._session = self._session, None
        self._wire = self._reader = None
        self._answer_outstanding = False
        if session is not None:
            session.close()
            self._note("closed")

    def clear(self) -> bool:
        """Clear the device, where the interface can (IEEE 488.2-1992, 5.8); whether it could.

        It ends what the instrument was about to answer. Raw sockets and serial ports have none;
        there `reopen` is the way on.
        """
        wire, _ = self._open_wire("the device clear")
        if not wire.has_message_ends:
            return False
        try:
            with _visa_errors_as_events():
                self._session.clear()
        except EVENTS as error:
            raise self._in_words(error, "the device clear") from error
        self._answer_outstanding = False
        self._note("device clear")
        return True


class _VisaWire:
    """A wire over any VISA session; see `drivers.link.wire.Wire`.

    `own` is pyvisa-py's object behind the session, None with other libraries. Its `read` is
    called where there is one, since it keeps what came before time was over.
    """

    def __init__(self, session: Any, own: Any, settings: WireSettings) -> None:
        from pyvisa.constants import InterfaceType

        self._session = session
        self._own = own
        self._is_serial = session.interface_type == InterfaceType.asrl
        self.has_message_ends = session.resource_class == "INSTR" and not self._is_serial
        self.reads_ahead = False
        self._to_line_end: bool | None = None
        if self._is_serial and settings.baud_rate is not None:
            session.baud_rate = settings.baud_rate

    def send(self, message: bytes, timeout_s: float) -> None:
        """Send it all."""
        with _visa_errors_as_events():
            self._session.timeout = max(SHORTEST_WAIT_MS, timeout_s * 1000.0)
            self._session.write_raw(message)

    def receive_into(
        self, space: memoryview, timeout_s: float, *, to_line_end: bool
    ) -> tuple[int, bool]:
        """Receive into `space`; in whole messages where the interface has them.

        A stop signal ends the wait for a serial line. Whoever interrupts the reading of a message
        may lose a part of it, so there it takes effect once the message has come or time is over.
        """
        if not self._is_serial or self._own is None:
            return self._receive_at_once(space, timeout_s, to_line_end=to_line_end)
        end_s = time.monotonic() + timeout_s
        while True:
            slice_s = min(LOOKING_S, max(0.0, end_s - time.monotonic()))
            found = self._receive_at_once(space, slice_s, to_line_end=to_line_end)
            if found[0] or found[1] or time.monotonic() >= end_s:
                return found
            look()

    def _receive_at_once(
        self, space: memoryview, timeout_s: float, *, to_line_end: bool
    ) -> tuple[int, bool]:
        from pyvisa.constants import StatusCode
        from pyvisa.errors import VisaIOError

        with _visa_errors_as_events():
            self._stop_at_line_end(to_line_end)
            self._session.timeout = max(SHORTEST_WAIT_MS, timeout_s * 1000.0)
            if self._own is None:
                data, status = self._session.visalib.read(self._session.session, len(space))
            else:
                data, status = self._own.read(len(space))
                if status < 0 and status != StatusCode.error_timeout:
                    raise VisaIOError(status)
        space[: len(data)] = data
        ends = (StatusCode.success, StatusCode.success_termination_character_read)
        return len(data), status in ends

    def waiting(self) -> bytes:
        """Take what a serial port has here already; messages wait in the instrument."""
        if not self._is_serial:
            return b""
        with _visa_errors_as_events():
            count = self._session.bytes_in_buffer
        if not count:
            return b""
        space = memoryview(bytearray(count))
        got, _ = self.receive_into(space, SHORTEST_WAIT_MS / 1000.0, to_line_end=False)
        return bytes(space[:got])

    def come_to_rest(self, deadline: Deadline) -> None:
        """Throw away what still comes, until nothing does or time is over."""
        space = memoryview(bytearray(1))
        while deadline.remaining_s() > 0.0:
            got, _ = self.receive_into(space, QUIET_S, to_line_end=False)
            if not got:
                return
            self.waiting()

    def _stop_at_line_end(self, to_line_end: bool) -> None:
        """Switch the termination character on or off, where it is not so already."""
        from pyvisa.constants import ResourceAttribute, SerialTermination

        if to_line_end == self._to_line_end:
            return
        self._session.set_visa_attribute(
            ResourceAttribute.termchar_enabled, to_line_end and not self.has_message_ends
        )
        if self._is_serial:
            self._session.end_input = (
                SerialTermination.termination_char if to_line_end else SerialTermination.none
            )
        self._to_line_end = to_line_end


@contextmanager
def _visa_errors_as_events() -> Iterator[None]:
    """Raise `TimeOver`, `ClosedByPeer` or `OSError` for what the VISA layer reports.

    pyvisa-py 0.8.1 raises EOFError (VXI-11) or RuntimeError (HiSLIP) at a closed connection.
    """
    from pyvisa.constants import StatusCode
    from pyvisa.errors import Error, VisaIOError

    try:
        yield
    except VisaIOError as error:
        if error.error_code == StatusCode.error_timeout:
            raise TimeOver from error
        raise OSError(f"the VISA layer reports: {error.description}") from error
    except Error as error:
        raise OSError(f"the VISA layer reports: {error}") from error
    except TimeoutError as error:
        raise TimeOver from error
    except (EOFError, RuntimeError, ConnectionError) as error:
        raise ClosedByPeer(str(error)) from error


def _lacking_extra(resource: str, error: Exception) -> str:
    """The extra of Tareline whose packages pyvisa-py lacks for an address; empty if it has all."""
    kind = next((kind for kind in EXTRAS if resource.upper().startswith(kind)), "")
    # what is said of a missing package is a bare exception with advice of its own
    return EXTRAS[kind] if kind and str(error).startswith("Please install") else ""


def _names_a_timeout(error: Exception) -> bool:
    """Whether the text of a bare exception of pyvisa-py has the status for time over."""
    from pyvisa.constants import StatusCode

    status = StatusCode.error_timeout
    return status.name in str(error) or str(status.value) in str(error)


def address_fault(resource: str) -> str:
    """What is wrong with the spelling of a VISA address; empty where nothing is."""
    from pyvisa.rname import InvalidResourceName, parse_resource_name

    try:
        parsed = parse_resource_name(resource)
    except InvalidResourceName as error:
        return f"{resource!r} is no VISA address: {error}"
    port = getattr(parsed, "port", None)
    if port is not None and not (str(port).isdecimal() and 0 < int(port) <= LAST_PORT):
        return f"{resource!r} is no VISA address: {port!r} is no port, which is 1 to {LAST_PORT}"
    return ""


def _host(resource: str) -> str | None:
    """The host in a VISA address; None where it has none."""
    from pyvisa.rname import parse_resource_name

    fault = address_fault(resource)
    if fault:
        raise InputError(fault, hint=LIKE)
    parsed = parse_resource_name(resource)
    return getattr(parsed, "host_address", None)
