"""An interpreter that imports what programs need, and forks each of them: for `forked_programs`.

It listens on the socket it is given; whoever connects says what to run and hands over descriptors,
and is told the process, then its exit status. It ends when its standard input closes.
"""

import fcntl
import gc
import importlib
import json
import os
import runpy
import select
import signal
import socket
import sys
import traceback
from contextlib import suppress
from types import ModuleType

MAIN_MODULES = ("drivers.simulated.__main__", "drivers.link.guard")
LOADED = (*MAIN_MODULES, "harness.commands.cli", "pyvisa_py", "scipy.constants", "skrf.media")
MOST_DESCRIPTORS = 16


def _serve(path):
    """Fork a program for every connection, and tell its process and its end there."""
    for name in LOADED:
        importlib.import_module(name)
    for name in MAIN_MODULES:
        del sys.modules[name]  # it will be `__main__`
    gc.collect()
    gc.freeze()
    listening = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    listening.bind(path)
    listening.listen(64)
    woken, waking = socket.socketpair()
    waking.setblocking(False)
    woken.setblocking(False)
    signal.signal(signal.SIGCHLD, lambda *_: None)
    signal.set_wakeup_fd(waking.fileno(), warn_on_full_buffer=False)
    print("ready", flush=True)
    connections = {}
    while True:
        awaited: list[socket.socket | int] = [listening, woken, 0]
        readable, _, _ = select.select(awaited, [], [])
        if woken in readable:
            with suppress(BlockingIOError):
                woken.recv(4096)
        _tell_ends(connections)
        if listening in readable:
            connection, _ = listening.accept()
            request, descriptors = _received(connection)
            child = os.fork()
            if child == 0:
                signal.set_wakeup_fd(-1)
                for each in (listening, woken, waking, connection, *connections.values()):
                    each.close()
                _be_the_program(request, descriptors)
            for each in descriptors:
                os.close(each)
            connections[child] = connection
            _say(connection, child)
        if 0 in readable:  # the tests are over
            return


def _tell_ends(connections):
    while connections:
        ended, status = os.waitpid(-1, os.WNOHANG)
        if not ended:
            return
        with connections.pop(ended) as connection:
            _say(connection, os.waitstatus_to_exitcode(status))


def _say(connection, number):
    with suppress(OSError):  # whoever started it is gone
        connection.sendall(f"{number}\n".encode())


def _received(connection):
    size = int.from_bytes(connection.recv(8, socket.MSG_WAITALL), "big")
    _, descriptors, _, _ = socket.recv_fds(connection, 1, MOST_DESCRIPTORS)
    return json.loads(connection.recv(size, socket.MSG_WAITALL)), descriptors


def _be_the_program(request, descriptors):
    """What follows a fork; does not return."""
    status = 1
    try:
        signal.signal(signal.SIGCHLD, signal.SIG_DFL)
        if request["new_session"]:
            os.setsid()
        _put_in_place(descriptors, request["descriptors"])
        os.environ.clear()
        os.environ.update(request["environment"])
        os.chdir(request["folder"])
        sys.stdin = os.fdopen(0, encoding="utf-8", closefd=False)
        sys.stdout = os.fdopen(1, "w", encoding="utf-8", closefd=False)
        sys.stderr = os.fdopen(2, "w", encoding="utf-8", closefd=False, buffering=1)
        sys.argv = [request["how"], *request["arguments"]]
        if request["how"] == "-m":
            runpy.run_module(request["program"], run_name="__main__", alter_sys=True)
        else:
            sys.modules["__main__"] = main = ModuleType("__main__")
            exec(compile(request["program"], "<string>", "exec"), vars(main))
        status = 0
    except SystemExit as ended:
        status = ended.code if isinstance(ended.code, int) else int(ended.code is not None)
    except BaseException:  # noqa: BLE001
        traceback.print_exc()
    finally:
        with suppress(OSError, ValueError):
            sys.stdout.flush()
        with suppress(OSError, ValueError):
            sys.stderr.flush()
        os._exit(status)


def _put_in_place(descriptors, numbers):
    """Give each received descriptor the number that it has to have."""
    above = 1 + max(*descriptors, *numbers)
    spare = []
    for each in descriptors:
        spare.append(_moved_above(each, above))
        above = spare[-1] + 1
    for each, number in zip(spare, numbers, strict=True):
        os.dup2(each, number)
        os.close(each)


def _moved_above(descriptor, lowest):
    moved = fcntl.fcntl(descriptor, fcntl.F_DUPFD, lowest)
    os.close(descriptor)
    return moved


if __name__ == "__main__":
    _serve(sys.argv[1])
