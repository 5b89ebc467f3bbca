"""A command in a process of its own that reports, by a pipe, each sweep that it says is done.

The reports are made where the program counts a sweep as safely kept, and hold what was handed in to
be stored. What is in a pipe outlives whoever wrote it.
"""

import hashlib
import json
import os
import select
import signal
import time
from collections import deque
from contextlib import contextmanager

from harness.bench.storing import Storing
from harness.run_file import RunJournal
from harness.running import item_run, resuming
from harness.running.item_run import ItemRun
from harness.running.progress import PlainProgress
from tests.harness.command_line import Started

FINISHING, FINISHED = "finishing", "finished"
LONGEST_S = 60.0


def digest_of(readings):
    return hashlib.sha256(readings.tobytes()).hexdigest()


@contextmanager
def patched(owner, name, wrapper):
    real = getattr(owner, name)
    setattr(owner, name, wrapper(real))
    try:
        yield
    finally:
        setattr(owner, name, real)


class Reporting(Started):
    """A command that reports; see `lines`."""

    def __init__(self, arguments, folder):
        self._readable, writable = os.pipe()
        os.set_blocking(self._readable, False)
        self.begun = time.monotonic()
        self.lines = []
        """(seconds since the start, report), in order."""
        self._rest = b""
        self._is_open = True

        def report(**what):
            os.write(writable, json.dumps(what).encode() + b"\n")

        handed_in = deque()

        def append(real):
            def wrapped(storing, band, kind, index, sweep, *, is_suspect=False):
                # a rehearsal only counts
                if not is_suspect and isinstance(storing._journal, RunJournal):
                    digest = digest_of(sweep.readings)
                    handed_in.append([band, kind, int(index), float(sweep.time), digest])
                real(storing, band, kind, index, sweep, is_suspect=is_suspect)

            return wrapped

        def count_sweep(real):
            def wrapped(run):
                real(run)
                report(kept=handed_in.popleft())

            return wrapped

        def doing(real):
            def wrapped(progress, what):
                report(doing=what)
                real(progress, what)

            return wrapped

        def finish(real):
            def wrapped(*arguments):
                report(doing=FINISHING)
                real(*arguments)
                report(doing=FINISHED)

            return wrapped

        with (
            patched(Storing, "append", append),
            patched(ItemRun, "count_sweep", count_sweep),
            patched(PlainProgress, "doing", doing),
            patched(item_run, "finish", finish),
            patched(resuming, "finish", finish),
        ):
            super().__init__(arguments, folder, "")
        os.close(writable)

    def kept(self):
        """The sweeps that were reported done: band, kind, index, time, digest."""
        return [line["kept"] for _, line in self.lines if "kept" in line]

    def read_until(self, until_s):
        """Take reports in until then; returns early when one comes, or at their end."""
        left_s = until_s - time.monotonic()
        if not select.select([self._readable], [], [], max(left_s, 0.0))[0]:
            return
        came = os.read(self._readable, 1 << 16)
        now_s = time.monotonic() - self.begun
        if not came:
            self._is_open = False
        *whole, self._rest = (self._rest + came).split(b"\n")
        self.lines += [(now_s, json.loads(line)) for line in whole]

    def until_end(self):
        """Take everything in that it has to report; its end, as `Started.finished` has it."""
        end_s = time.monotonic() + LONGEST_S
        while self._is_open:
            self.read_until(end_s)
            assert time.monotonic() < end_s, "the command hangs"
        os.close(self._readable)
        return self.finished()

    def kill_after(self, count, delay_s):
        """SIGKILL so long after its report number `count`; whether it had not ended before."""
        end_s = time.monotonic() + LONGEST_S
        while len(self.lines) < count and self._is_open:
            self.read_until(end_s)
            assert time.monotonic() < end_s, "the command hangs"
        if len(self.lines) >= count:
            came_s = self.begun + (self.lines[count - 1][0] if count else 0.0)
        else:  # it has ended before
            came_s, delay_s = self.begun, 0.0
        while self._is_open and time.monotonic() < came_s + delay_s:
            self.read_until(came_s + delay_s)
        self.send_signal(signal.SIGKILL)
        self.ended = self.until_end()
        return self.ended.returncode == -signal.SIGKILL
