"""A peer that speaks as much of HiSLIP 1.0 (IVI-6.1) as whole messages and a device clear need."""

import socket
import struct
import threading
from collections.abc import Mapping, Sequence
from contextlib import suppress

from tests.drivers.scripted_peer import IDENTITY

HEADER = struct.Struct("!2sBBIQ")
# message types: IVI-6.1, table 4
INITIALIZE, INITIALIZE_RESPONSE = 0, 1
DATA, DATA_END = 6, 7
CLEAR_COMPLETE, CLEAR_ACKNOWLEDGE = 8, 9
MAXIMUM_SIZE, MAXIMUM_SIZE_RESPONSE = 15, 16
ASYNC_INITIALIZE, ASYNC_INITIALIZE_RESPONSE = 17, 18
ASYNC_CLEAR, ASYNC_CLEAR_ACKNOWLEDGE = 19, 23


class HislipPeer:
    """Answers each query of `answers` with its pieces, the last of them marked as the end.

    No pieces: silence; None: the connection is closed. `got` lists the messages.
    """

    def __init__(self, answers: Mapping[bytes, Sequence[bytes] | None]) -> None:
        self._answers = {b"*IDN?": [IDENTITY + b"\n"], **answers}
        self._listener = socket.create_server(("127.0.0.1", 0))
        port = self._listener.getsockname()[1]
        self.resource = f"TCPIP0::127.0.0.1::hislip0,{port}::INSTR"
        self.got: list[bytes] = []
        self.clears = 0
        self._connections: list[socket.socket] = []
        self._threads = [threading.Thread(target=self._accept)]
        self._threads[0].start()

    def __enter__(self) -> "HislipPeer":
        return self

    def __exit__(self, *_: object) -> None:
        self._listener.shutdown(socket.SHUT_RDWR)
        for connection in self._connections:
            with suppress(OSError):  # it is closed already
                connection.shutdown(socket.SHUT_RDWR)
        for thread in self._threads:
            thread.join()
        self._listener.close()

    def _accept(self) -> None:
        with suppress(OSError):
            while True:
                connection, _ = self._listener.accept()
                self._connections.append(connection)
                thread = threading.Thread(target=self._serve, args=(connection,))
                self._threads.append(thread)
                thread.start()

    def _serve(self, connection: socket.socket) -> None:
        with connection, connection.makefile("rb") as stream, suppress(ConnectionError):
            while len(header := stream.read(HEADER.size)) == HEADER.size:
                _, kind, _, parameter, length = HEADER.unpack(header)
                payload = stream.read(length)
                if not self._respond(connection, kind, parameter, payload):
                    return

    def _respond(self, connection: socket.socket, kind: int, number: int, payload: bytes) -> bool:
        """Whether the connection goes on."""

        def send(kind: int, parameter: int = 0, payload: bytes = b"") -> None:
            connection.sendall(HEADER.pack(b"HS", kind, 0, parameter, len(payload)) + payload)

        if kind == INITIALIZE:
            send(INITIALIZE_RESPONSE, 0x0100_0001)
        elif kind == ASYNC_INITIALIZE:
            send(ASYNC_INITIALIZE_RESPONSE)
        elif kind == MAXIMUM_SIZE:
            send(MAXIMUM_SIZE_RESPONSE, 0, struct.pack("!Q", 1 << 20))
        elif kind == ASYNC_CLEAR:
            self.clears += 1
            send(ASYNC_CLEAR_ACKNOWLEDGE)
        elif kind == CLEAR_COMPLETE:
            send(CLEAR_ACKNOWLEDGE)
        elif kind in (DATA, DATA_END):
            message = payload.rstrip(b"\n")
            self.got.append(message)
            pieces = self._answers.get(message, [])
            if pieces is None:
                return False
            for piece in pieces[:-1]:
                send(DATA, number, piece)
            if pieces:
                send(DATA_END, number, pieces[-1])
        return True
