"""Programs forked from an interpreter that has their imports loaded already.

A simulated bench and a guard are processes, and must be: tests kill them, and end their parents.
But nine tenths of what it takes to start one is to import what it needs. So one interpreter for
each process of the tests imports that once (`forking_interpreter`), and every such program is a
fork of it, with a standard input and output, arguments, environment, folder and session of its own.
What tests start by `subprocess` themselves begins from nothing, as in use.
"""

import json
import os
import select
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import contextmanager, suppress
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

import drivers.link.guard
import drivers.simulated.launch

PYTHON = sys.executable
PROGRAMS = ("drivers.simulated", "drivers.link.guard")
START_TIMEOUT_S, END_TIMEOUT_S = 60.0, 10.0
KILLED = -int(signal.SIGKILL)
START_NEW_SESSION = 5
"""Place among what the standard library hands over last."""


class ForkedProgram(subprocess.Popen):
    """Like any `subprocess.Popen` of this Python with `-m` or `-c`, but forked."""

    def __init__(self, command, **options):
        assert command[0] == PYTHON
        assert command[1] in ("-m", "-c")
        self._said = b""
        super().__init__(command, **options)

    def _execute_child(self, command, _executable, _preexec_fn, _close_fds, pass_fds, cwd, env,
                       _startupinfo, _creationflags, _shell, p2cread, p2cwrite, c2pread, c2pwrite,
                       errread, errwrite, *others):  # fmt: skip
        """In the place of the fork and exec of the standard library (3.11 to 3.13)."""
        standard = (p2cread, c2pwrite, errwrite)
        request = {
            "how": command[1],
            "program": command[2],
            "arguments": [os.fspath(each) for each in command[3:]],
            "environment": dict(os.environ if env is None else env),
            "folder": os.fspath(cwd or os.getcwd()),
            "new_session": others[START_NEW_SESSION],
            "descriptors": [0, 1, 2, *pass_fds],
        }
        handed = [number if own == -1 else own for number, own in enumerate(standard)]
        self._connection = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            self._connection.connect(INTERPRETER.address)
            sent = json.dumps(request).encode()
            self._connection.sendall(len(sent).to_bytes(8, "big"))
            socket.send_fds(self._connection, [b"+"], [*handed, *pass_fds])
            self._connection.sendall(sent)
            self.pid = int(self._line(START_TIMEOUT_S))
            self._child_created = True
        except BaseException:
            self._connection.close()
            raise
        finally:
            library: Any = self
            library._close_pipe_fds(p2cread, p2cwrite, c2pread, c2pwrite, errread, errwrite)

    def _internal_poll(self, _deadstate=None):
        with suppress(subprocess.TimeoutExpired):
            self._wait(0.0)
        return self.returncode

    def _wait(self, timeout):
        if self.returncode is None:
            # the interpreter says nothing more where it is gone itself, and its programs with it
            self.returncode = int(self._line(timeout) or KILLED)
            self._connection.close()
        return self.returncode

    def _line(self, timeout_s):
        """What the interpreter says next of this program; raises subprocess.TimeoutExpired."""
        end_s = None if timeout_s is None else time.monotonic() + timeout_s
        while b"\n" not in self._said:
            left_s = None if end_s is None else max(end_s - time.monotonic(), 0.0)
            if not select.select([self._connection], [], [], left_s)[0]:
                raise subprocess.TimeoutExpired(self.args, timeout_s)
            came = self._connection.recv(256)
            if not came:
                return b""
            self._said += came
        line, self._said = self._said.split(b"\n", 1)
        return line


def carry_out(command, *, timeout, **options):
    """Like `subprocess.run` that captures what is said, as text."""
    pipes = {"stdin": subprocess.DEVNULL, "stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
    with ForkedProgram(command, text=True, **pipes, **options) as program:
        try:
            out, err = program.communicate(timeout=timeout)
        except BaseException:
            program.kill()
            raise
    return subprocess.CompletedProcess(command, program.returncode, out, err)


class PreparedInterpreter:
    """The interpreter that forks, started when it is first needed; lives as long as the tests."""

    def __init__(self):
        self._is_used = self._is_told_of_forks = False
        self._folder = None
        self._process = None
        self._starting = threading.Lock()

    @property
    def address(self):
        """Where it listens."""
        with self._starting:
            if self._process is None:
                self._start()
        return f"{self._folder.name}/socket"

    @staticmethod
    def program(command, **options):
        """In the place of `subprocess.Popen`: a bench or a guard is forked."""
        is_known = command[:2] == [PYTHON, "-m"] and command[2] in PROGRAMS
        return (ForkedProgram if is_known else subprocess.Popen)(command, **options)

    def _start(self):
        self._folder = tempfile.TemporaryDirectory()
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.forking_interpreter", f"{self._folder.name}/socket"],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=Path(__file__).parents[1],
            start_new_session=True,
        )  # fmt: skip
        assert self._process.stdout.readline() == b"ready\n"

    @contextmanager
    def used(self):
        """Have benches and guards started by it; by whoever uses it already, and its forks."""
        if self._is_used:
            yield
            return
        stand_in = SimpleNamespace(**{**vars(subprocess), "Popen": self.program})
        self._is_used = True
        if not self._is_told_of_forks:
            # what the tests fork of themselves starts programs of this interpreter, none of its own
            os.register_at_fork(before=self._start_before_fork)
            self._is_told_of_forks = True
        try:
            with pytest.MonkeyPatch.context() as patch:
                patch.setattr(drivers.simulated.launch, "subprocess", stand_in)
                patch.setattr(drivers.link.guard, "subprocess", stand_in)
                yield
        finally:
            self._is_used = False
            self._close()

    def _start_before_fork(self):
        if self._is_used:
            assert self.address

    def _close(self):
        if self._process is not None:
            try:
                self._process.communicate(timeout=END_TIMEOUT_S)
            except subprocess.TimeoutExpired:  # some fork of the tests' process lives on
                self._process.kill()
                self._process.communicate()
            self._folder.cleanup()


INTERPRETER = PreparedInterpreter()
