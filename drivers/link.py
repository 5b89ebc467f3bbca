"""The link to one instrument: text out, text or exact-length blocks in.

The only module that imports pyvisa. Opening a socket resource succeeds even when nothing
listens there, so a link counts as open once `*IDN?` has been answered.
"""

from __future__ import annotations

import socket
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from typing import TYPE_CHECKING, Any

from drivers.errors import AnswerError, InputError, LinkError, TarelineError

if TYPE_CHECKING:
    from pyvisa import ResourceManager

LINE_END = "\n"
DEFAULT_TIMEOUT_S = 5.0


@cache
def _resource_manager(visa_library: str) -> ResourceManager:
    import pyvisa

    try:
        return pyvisa.ResourceManager(visa_library)
    except (OSError, ValueError) as error:
        raise LinkError(
            f"the VISA library {visa_library!r} cannot be loaded: {error}",
            hint='leave `visa_library` out of the station file to use "@py" (pyvisa-py)',
        ) from error


class Link:
    """A conversation with one instrument at a VISA address.

    Raises, from every method: `LinkError` without a connection or an answer in time,
    `AnswerError` for an answer that cannot be read.
    """

    def __init__(
        self, resource: str, *, timeout_s: float = DEFAULT_TIMEOUT_S, visa_library: str = "@py"
    ) -> None:
        self.resource = resource
        self.timeout_s = timeout_s
        self.identity = ""
        self._visa_library = visa_library
        self._session: Any = None
        self._answer_outstanding = False

    def open(self) -> str:
        """Connect and identify; returns the answer to `*IDN?`.

        Raises:
            InputError: the resource is no VISA address.
        """
        manager = _resource_manager(self._visa_library)
        _require_address(self.resource)
        with self._translated("the opening of the connection"):
            try:
                self._session = manager.open_resource(
                    self.resource, read_termination=LINE_END, write_termination=LINE_END
                )
            except Exception as error:
                # pyvisa-py raises bare exceptions here, among others for unknown hosts
                if isinstance(error, OSError | ValueError | TarelineError) or _is_visa(error):
                    raise
                raise OSError(str(error)) from error
            self._session.timeout = self.timeout_s * 1000.0
            if self._session.resource_class == "SOCKET":
                _send_without_delay(self._session)
        try:
            self.identity = self.query("*IDN?")
        except BaseException:
            self.close()
            raise
        return self.identity

    def close(self) -> None:
        """End the connection; harmless when there is none."""
        session, self._session = self._session, None
        self._answer_outstanding = False
        if session is not None:
            session.close()

    def reopen(self) -> str:
        """Start over on a fresh connection, which forgets any half-read answer."""
        self.close()
        return self.open()

    @property
    def in_step(self) -> bool:
        """Whether the link is open and no answer is outstanding."""
        return self._session is not None and not self._answer_outstanding

    def write(self, command: str) -> None:
        """Send one message that has no answer."""
        with self._translated(command):
            self._open_session.write(command)

    def query(self, command: str) -> str:
        """Send one message and return its one-line answer without the line end."""
        with self._translated(command):
            session = self._session_in_step
            self._answer_outstanding = True
            session.write(command)
            answer: str = session.read()
            self._answer_outstanding = False
        return answer.strip()

    def query_number(self, command: str) -> float:
        """Send one query and return its answer as a number."""
        answer = self.query(command)
        try:
            return float(answer)
        except ValueError:
            raise self._unreadable(command, repr(answer), "a number") from None

    def query_block(self, command: str) -> bytes:
        """Send one query and return the payload of its definite-length block.

        The form is `#<n><n digits: length><payload>` (IEEE 488.2-1992, 8.7.9). Header, count
        and payload are read by exact length with the termination character off, because
        every payload byte that equals it would otherwise end a read.
        """
        with self._translated(command):
            session = self._session_in_step
            self._answer_outstanding = True
            session.write(command)
            with session.read_termination_context(""):
                marker = session.read_bytes(2, chunk_size=2)
                if marker[:1] != b"#" or not marker[1:].isdigit() or marker == b"#0":
                    raise self._unreadable(command, repr(marker), "a definite-length block (#...)")
                digits = int(marker[1:])
                count = session.read_bytes(digits, chunk_size=digits)
                if not count.isdigit():
                    raise self._unreadable(command, repr(marker + count), "a block length")
                length = int(count) + len(LINE_END)
                payload: bytes = session.read_bytes(length, chunk_size=length)
            if not payload.endswith(LINE_END.encode()):
                # the rest of it is still to come, so the link stays out of step
                raise self._unreadable(
                    command, f"no line end after {int(count)} bytes", "a line end after the block"
                )
            self._answer_outstanding = False
        return payload[: -len(LINE_END)]

    def _unreadable(self, sent: str, received: str, expected: str) -> AnswerError:
        return AnswerError(
            f"sent {sent!r}, expected {expected}, received {received}",
            where=self._where,
            hint="check that the dialect in the station file is the one this instrument speaks",
        )

    @property
    def _where(self) -> str:
        return f"{self.resource} ({self.identity or 'not identified yet'})"

    @property
    def _open_session(self) -> Any:
        if self._session is None:
            raise LinkError("the link is closed", where=self._where)
        return self._session

    @property
    def _session_in_step(self) -> Any:
        """The open session, if the next answer on it will be that to the next query."""
        session = self._open_session
        if self._answer_outstanding:
            raise LinkError(
                "an earlier answer is still outstanding, so the next one could be mistaken for it",
                where=self._where,
                hint="open the connection anew",
            )
        return session

    @contextmanager
    def _translated(self, sent: str) -> Iterator[None]:
        """Turn the errors of the VISA layer into ours."""
        from pyvisa import errors
        from pyvisa.constants import StatusCode

        try:
            yield
        except errors.VisaIOError as error:
            if error.error_code == StatusCode.error_timeout:
                raise LinkError(
                    f"sent {sent!r}, no complete answer within {self.timeout_s:g} s",
                    where=self._where,
                    hint="is the instrument on, at this address, and does it know the command? "
                    "A slow one may need a longer `timeout` in the station file",
                ) from error
            raise LinkError(
                f"sent {sent!r}, the VISA layer reports: {error.description}",
                where=self._where,
                hint="check the address, the cable and that nobody else holds the instrument",
            ) from error
        except errors.InvalidSession as error:
            raise LinkError(
                f"cannot send {sent!r}: the link is closed", where=self._where
            ) from error
        except UnicodeDecodeError as error:
            raise self._unreadable(sent, repr(error.object[:40]), "plain text") from error
        except (OSError, ValueError) as error:
            raise LinkError(
                f"sent {sent!r}, the connection failed: {error}",
                where=self._where,
                hint="check that the instrument is on and that `resource` in the station file "
                'is its VISA address, such as "TCPIP0::192.0.2.10::5025::SOCKET"',
            ) from error


def _require_address(resource: str) -> None:
    from pyvisa.rname import InvalidResourceName, parse_resource_name

    try:
        parse_resource_name(resource)
    except InvalidResourceName as error:
        raise InputError(
            f"{resource!r} is no VISA address: {error}",
            hint='write it like "TCPIP0::192.0.2.10::5025::SOCKET" or "USB0::0x1234::0x5678::'
            'SN1::INSTR"',
        ) from error


def _is_visa(error: Exception) -> bool:
    from pyvisa.errors import Error

    return isinstance(error, Error)


def _send_without_delay(session: Any) -> None:
    """Let a command that follows another go out at once.

    Without it the second waits for the instrument's delayed acknowledgement of the first,
    some 40 ms. It is VISA's default, but not pyvisa-py's, where moreover the attribute
    (VI_ATTR_TCPIP_NODELAY) can be read but setting it raises (0.8.1): there it is set on the
    socket itself.
    """
    from pyvisa.constants import ResourceAttribute

    backend_sessions = getattr(session.visalib, "sessions", None)
    if backend_sessions is None:
        session.set_visa_attribute(ResourceAttribute.tcpip_nodelay, True)
    else:
        interface: socket.socket = backend_sessions[session.session].interface
        interface.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
