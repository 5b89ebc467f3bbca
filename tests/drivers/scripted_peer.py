"""A TCP peer that does what a test tells it to with every line it gets."""

import socket
import struct
import threading
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass

IDENTITY = b"Saltmarsh Telemetry,test peer,0,0"


@dataclass(frozen=True)
class Drip:
    """Send `data` so many bytes at a time, every so many seconds."""

    data: bytes
    interval_s: float
    size: int = 1


class Close:
    """End the connection in order."""


class Reset:
    """Break the connection off."""


Act = bytes | Drip | type[Close] | type[Reset]


class ScriptedPeer:
    """Answers `*IDN?`, and the n-th other line with the n-th script; the last one for the rest.

    `resource` is its VISA address; `got` lists the other lines, `connections` counts who came.
    """

    def __init__(self, *scripts: Sequence[Act], line_end: bytes = b"\n") -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._scripts = scripts
        self._line_end = line_end
        self._stopped = threading.Event()
        self._current: socket.socket | None = None
        self.got: list[bytes] = []
        self.connections = 0
        self.resource = f"TCPIP0::127.0.0.1::{self._listener.getsockname()[1]}::SOCKET"
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def __enter__(self) -> "ScriptedPeer":
        return self

    def __exit__(self, *_: object) -> None:
        self._stopped.set()
        self._listener.shutdown(socket.SHUT_RDWR)
        if self._current is not None:
            with suppress(OSError):  # it is closed already
                self._current.shutdown(socket.SHUT_RDWR)
        self._thread.join()
        self._listener.close()

    def _serve(self) -> None:
        while not self._stopped.is_set():
            try:
                self._current, _ = self._listener.accept()
            except OSError:
                return
            if self._stopped.is_set():  # too late for __exit__ to end this one
                self._current.close()
                return
            self.connections += 1
            with self._current, suppress(ConnectionError):
                self._converse(self._current)

    def _converse(self, connection: socket.socket) -> None:
        received = b""
        while chunk := connection.recv(4096):
            received += chunk
            while self._line_end in received:
                line, _, received = received.partition(self._line_end)
                if line == b"*IDN?":
                    connection.sendall(IDENTITY + self._line_end)
                    continue
                script = self._scripts[min(len(self.got), len(self._scripts) - 1)]
                self.got.append(line)
                for act in script:
                    if not self._do(act, connection):
                        return

    def _do(self, act: Act, connection: socket.socket) -> bool:
        """Whether the connection goes on."""
        if isinstance(act, bytes):
            connection.sendall(act)
        elif isinstance(act, Drip):
            for start in range(0, len(act.data), act.size):
                connection.sendall(act.data[start : start + act.size])
                if self._stopped.wait(act.interval_s):
                    return False
        else:
            if act is Reset:
                # closing then throws away what was not read, and resets (RFC 1122, 4.2.2.13)
                linger = struct.pack("ii", 1, 0)
                connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, linger)
            return False
        return True
