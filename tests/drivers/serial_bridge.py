"""A serial port for instruments that only have a socket: a pseudo-terminal at one end of TCP."""

import os
import pty
import select
import socket
import threading
import tty
from collections.abc import Iterator
from contextlib import contextmanager

CHUNK = 1024


@contextmanager
def serial_bridge(resource: str) -> Iterator[str]:
    """The VISA address of a serial port behind which is the instrument at `resource`.

    As on a real line, the instrument does not notice when somebody opens or closes the port.
    """
    _, host, port, _ = resource.split("::")
    master, slave = pty.openpty()  # the slave stays open, or the master fails when clients close
    tty.setraw(slave)
    stop_here, stop_there = os.pipe()
    try:
        with socket.create_connection((host, int(port))) as instrument:
            instrument.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            thread = threading.Thread(target=_carry, args=(master, instrument, stop_here))
            thread.start()
            try:
                yield f"ASRL{os.ttyname(slave)}::INSTR"
            finally:
                os.close(stop_there)
                thread.join()
    finally:
        for end in (master, slave, stop_here):
            os.close(end)


def _carry(master: int, instrument: socket.socket, stop: int) -> None:
    """Carry bytes both ways until told to stop or the instrument hangs up."""
    os.set_blocking(master, False)
    instrument.setblocking(False)
    to_port = to_instrument = b""
    while True:
        readers: list[int | socket.socket] = [stop]
        readers += [] if to_instrument else [master]
        readers += [] if to_port else [instrument]
        writers: list[int | socket.socket] = [master] if to_port else []
        writers += [instrument] if to_instrument else []
        readable, writable, _ = select.select(readers, writers, [])
        if stop in readable:
            return
        if master in readable:
            to_instrument = os.read(master, CHUNK)
        if instrument in readable:
            try:
                to_port = instrument.recv(CHUNK)
            except ConnectionResetError:
                return
            if not to_port:
                return
        if master in writable:
            to_port = to_port[os.write(master, to_port) :]
        if instrument in writable:
            to_instrument = to_instrument[instrument.send(to_instrument) :]
