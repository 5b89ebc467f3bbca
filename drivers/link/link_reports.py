"""What goes wrong on a link, in words: what was sent, to whom, what came back, what to try."""

from __future__ import annotations

from dataclasses import dataclass

from drivers.errors import (
    AnswerError,
    HalfAnswerError,
    LinkError,
    PeerClosedError,
    RefusedConnectionError,
    SilentError,
)

SHOWN_BYTES = 40
CHECK_ADDRESS = (
    "check that the instrument is on and that `resource` in the station file is its VISA "
    'address, such as "TCPIP0::192.0.2.10::5025::SOCKET"'
)

CHECK_SCREEN = (
    "it may have been restarted, or somebody else took it over; check its screen, then run again"
)


@dataclass(frozen=True)
class Report:
    """What was sent to whom; makes the errors."""

    sent: str
    where: str

    def refused(self, cause: str) -> RefusedConnectionError:
        """Nobody takes connections at the address."""
        return RefusedConnectionError(
            f"nothing was sent, the connection failed: {cause}",
            where=self.where,
            hint=f"{CHECK_ADDRESS}; the last number is the port, and remote control over "
            "a raw socket may have to be switched on in the instrument's menu",
        )

    def unopened(self, cause: str) -> LinkError:
        """No connection, for some other reason."""
        return LinkError(
            f"nothing was sent, the connection failed: {cause}",
            where=self.where,
            hint=f"{CHECK_ADDRESS}; check the cable and that nobody else holds the instrument",
        )

    def without_package(self, extra: str) -> LinkError:
        """The VISA library lacks a package for this kind of address."""
        return LinkError(
            f"nothing was sent: this kind of address needs the extra [{extra}], which is not "
            "installed",
            where=self.where,
            hint=f"in Tareline's folder, into where it is installed: pip install '.[{extra}]'; or "
            "name another VISA library with `visa_library` in the station file",
        )

    def nobody(self, allowed_s: float) -> SilentError:
        """The address itself does not answer."""
        return SilentError(
            "nothing was sent, the connection failed: nobody answered at this address within "
            f"{allowed_s:g} s",
            where=self.where,
            hint=f"{CHECK_ADDRESS}, and the network cable at both ends",
        )

    def too_late(
        self, allowed_s: float, received: bytes, promised: int | None, payload_received: int
    ) -> SilentError | HalfAnswerError:
        """Time was over before the answer was whole."""
        begin = f"sent {self.sent!r}, no complete answer within {allowed_s:g} s"
        if not received:
            return SilentError(
                f"{begin}: nothing came back",
                where=self.where,
                hint="is the instrument on, at this address, and does it know the command? "
                "A slow one may need a longer `timeout` in the station file",
            )
        return HalfAnswerError(
            f"{begin}: {_came(received, promised, payload_received)}",
            where=self.where,
            hint="a long answer needs a longer `timeout` in the station file; if nothing was "
            "missing, the instrument ends its answers otherwise than `termination` says",
        )

    def not_taken(self, allowed_s: float) -> SilentError:
        """The instrument does not take what is sent."""
        return SilentError(
            f"sent {self.sent!r}, not taken by the instrument within {allowed_s:g} s",
            where=self.where,
            hint="the instrument is busy or hangs: wait for it, or switch it off and on",
        )

    def closed(
        self, cause: str, received: bytes, promised: int | None, payload_received: int
    ) -> PeerClosedError:
        """The other side ended the connection."""
        when = (
            f"inside its answer: {_came(received, promised, payload_received)}"
            if received
            else "with no answer"
        )
        return PeerClosedError(
            f"sent {self.sent!r}, the connection failed: the instrument closed it {when} ({cause})",
            where=self.where,
            hint=CHECK_SCREEN,
        )

    def gone(self, cause: str) -> PeerClosedError:
        """The other side had ended the connection before anything was sent."""
        return PeerClosedError(
            f"{self.sent!r} was not sent, the connection failed: the instrument had closed it "
            f"({cause})",
            where=self.where,
            hint=CHECK_SCREEN,
        )

    def failed(self, cause: object) -> LinkError:
        """The operating system or the VISA layer reports something else."""
        return LinkError(
            f"sent {self.sent!r}, the connection failed: {cause}",
            where=self.where,
            hint=f"{CHECK_ADDRESS}; check the cable and that nobody else holds the instrument",
        )

    def out_of_step(self, unasked: bytes = b"") -> LinkError:
        """An answer to something earlier is here or still to come."""
        found = f": {_shown(unasked)}" if unasked else ""
        return LinkError(
            f"{self.sent!r} was not sent: an earlier answer is still outstanding{found}, so the "
            "next one could be mistaken for it",
            where=self.where,
            hint="open the connection anew; if it happens with every command, an instrument that "
            "echoes commands has to be told not to",
        )

    def unreadable(self, received: str, expected: str) -> AnswerError:
        """The answer does not mean what it should."""
        return AnswerError(
            f"sent {self.sent!r}, expected {expected}, received {received}",
            where=self.where,
            hint="check that the dialect in the station file is the one this instrument speaks",
        )


def _came(received: bytes, promised: int | None, payload_received: int) -> str:
    if promised is None:
        return f"{len(received)} bytes came ({_shown(received)}), the end of the answer did not"
    if payload_received < promised:
        return f"a block of {promised} bytes was promised, {payload_received} of them came"
    return f"a block of {promised} bytes was promised and came, the line end after it did not"


def _shown(received: bytes) -> str:
    more = "..." if len(received) > SHOWN_BYTES else ""
    return repr(received[:SHOWN_BYTES])[1:] + more
