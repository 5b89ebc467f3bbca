"""A command carried out at a terminal of 80 columns and 24 lines, as an operator sees it."""

import fcntl
import os
import pty
import re
import select
import signal
import struct
import sys
import termios
import time
import warnings

COMMAND = "from harness.commands.start import main; main()"
VERDICT = re.compile(rb"^PIG-\d+  \S+ [a-z ]+  -?[\d.]+ ", re.M)
NO_STATUS = 70


class AtATerminal:
    """Starts a command; `read` collects what it shows.

    It is a process of its own: this one's Python started from nothing, or, where it is to begin at
    once, forked from this one with all that it has imported.
    """

    def __init__(self, arguments, folder, *, from_nothing):
        self._ours, theirs = pty.openpty()
        fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        self._status = None
        with warnings.catch_warnings():
            # Python 3.12 and later: the test runner has threads, which the child does without
            warnings.simplefilter("ignore", DeprecationWarning)
            self._process_id = os.fork()
        if self._process_id == 0:
            _be_the_command(list(map(str, arguments)), folder, theirs, from_nothing)
        os.close(theirs)
        self.shown = b""

    def lines(self):
        """What stays to be read: without what was drawn over, and without the bell."""
        lines = self.shown.replace(b"\r\n", b"\n").split(b"\n")
        return b"\n".join(line.split(b"\r\x1b[K")[-1] for line in lines).replace(b"\a", b"")

    def verdicts(self):
        """How many verdicts were shown so far."""
        return len(VERDICT.findall(self.lines()))

    def read(self, until=lambda: False, deadline_s=600.0):
        """Read what is shown until the command ends (True) or `until` holds (False)."""
        end = time.monotonic() + deadline_s
        while time.monotonic() < end:
            if until():
                return False
            if not select.select([self._ours], [], [], 0.05)[0]:
                continue
            try:
                piece = os.read(self._ours, 65536)
            except OSError:
                piece = b""
            if not piece:
                return True
            self.shown += piece
        raise AssertionError(f"no end within {deadline_s:g} s: {self.shown[-2000:]!r}")

    def type(self, line):
        """Type a line and press Enter."""
        self.sends(f"{line}\r".encode())

    def sends(self, keys):
        """Keys as a keyboard or a reader sends them."""
        os.write(self._ours, keys)

    def kill(self):
        """End it without warning."""
        if self._status is None:
            os.kill(self._process_id, signal.SIGKILL)

    def finished(self):
        """Exit status, once it has ended; that of a killed one is below 0."""
        if self._status is None:
            self._status = os.waitstatus_to_exitcode(os.waitpid(self._process_id, 0)[1])
            os.close(self._ours)
        return self._status

    def close(self):
        """End it, if it has not ended."""
        self.kill()
        self.finished()


def _be_the_command(arguments, folder, terminal, from_nothing):
    status = NO_STATUS
    try:
        os.setsid()
        os.chdir(folder)
        for number in range(3):
            os.dup2(terminal, number)
        os.environ |= {"TERM": "xterm", "PYTHONIOENCODING": "utf-8"}
        if from_nothing:
            os.execv(sys.executable, [sys.executable, "-c", COMMAND, *arguments])
        os.closerange(3, 256)
        sys.stdin, sys.stdout, sys.stderr = (
            os.fdopen(number, "w" if number else "r", encoding="utf-8") for number in range(3)
        )
        sys.argv = ["tareline", *arguments]
        warnings.resetwarnings()
        from harness.commands.start import main

        main()
        status = 0
    except SystemExit as ended:
        status = int(ended.code or 0)
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(status)
