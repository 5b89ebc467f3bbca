"""A wire over the socket of a raw-socket session.

pyvisa-py 0.8.1 reads sockets in a way that drops a partial answer when time is over and spins
until then when the peer has closed; so the session opens the socket, and the bytes go through
here.
"""

from __future__ import annotations

import select
import socket
import time

from drivers.link.wire import CHUNK_BYTES, ClosedByPeer, TimeOver
from drivers.stop_signals import wait_ready

SEND_BYTES = 4096
"""At a time: what a socket takes without blocking once it is ready to be written."""
NOT_WAITING = getattr(socket, "MSG_DONTWAIT", 0)


class SocketWire:
    """See `drivers.link.wire.Wire`."""

    has_message_ends = False
    reads_ahead = True

    def __init__(self, connected: socket.socket) -> None:
        self._socket = connected
        # or a command after a command waits some 40 ms for the acknowledgement of the first; on the
        # socket itself, since pyvisa-py 0.8.1 cannot set the attribute
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def failure(self) -> int:
        """The number of the error that the making of the connection ended with; 0 for none."""
        return self._socket.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)

    def send(self, message: bytes, timeout_s: float) -> None:
        """Send it all."""
        end_s = time.monotonic() + timeout_s
        left = memoryview(message)
        may_try = bool(NOT_WAITING)
        while left:
            if not may_try:
                wait_s = max(0.0, end_s - time.monotonic())
                if not wait_ready(writing=[self._socket], wait_s=wait_s):
                    raise TimeOver
            try:
                left = left[self._socket.send(left[:SEND_BYTES], NOT_WAITING) :]
            except BlockingIOError:
                may_try = False
            except (BrokenPipeError, ConnectionResetError) as error:
                raise ClosedByPeer(str(error)) from error

    def receive_into(
        self, space: memoryview, timeout_s: float, *, to_line_end: bool
    ) -> tuple[int, bool]:
        """Receive what is there, or wait for it; may go past a line end."""
        if not wait_ready([self._socket], wait_s=timeout_s):
            return 0, False
        try:
            got = self._socket.recv_into(space)
        except ConnectionResetError as error:
            raise ClosedByPeer(str(error)) from error
        if got == 0:
            raise ClosedByPeer("end of the stream")
        return got, False

    def waiting(self) -> bytes:
        """Take what is here already."""
        taken = b""
        while select.select([self._socket], [], [], 0.0)[0]:
            try:
                more = self._socket.recv(CHUNK_BYTES, NOT_WAITING)
            except ConnectionResetError as error:
                raise ClosedByPeer(str(error)) from error
            if not more:
                raise ClosedByPeer("end of the stream")
            taken += more
            if len(taken) >= CHUNK_BYTES:
                break
        return taken
