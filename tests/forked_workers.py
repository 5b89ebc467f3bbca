"""Tests carried out by forks of the process that collected them: `pytest --workers 3`.

What takes long before the first test (to compile, import and collect them all, the libraries they
need, the interpreter of `forked_programs`) is done once. Whoever is free takes the tests of the
next file. Reports come back by a pipe, and are shown and counted as ever.
"""

import os
import signal
import sys
from itertools import groupby
from multiprocessing import Pipe
from multiprocessing.connection import wait
from typing import Any

import pytest

from tests.forked_programs import INTERPRETER
from tests.harness.command_line import load


def pytest_addoption(parser):
    parser.addoption(
        "--workers", type=int, default=0, metavar="N",
        help="have the tests carried out by so many forks of this process",
    )  # fmt: skip


@pytest.hookimpl(tryfirst=True)
def pytest_runtestloop(session):
    """In the place of pytest's own, where workers are asked for."""
    config = session.config
    if not config.option.workers or session.testsfailed or config.option.collectonly:
        return None
    files = [list(items) for _, items in groupby(session.items, lambda item: item.path)]
    taken, numbers = os.pipe()
    os.write(numbers, bytes(byte for n in range(len(files)) for byte in divmod(n, 256)))
    os.close(numbers)
    load()
    with INTERPRETER.used():
        assert INTERPRETER.address
        workers = [_Worker(session, files, taken) for _ in range(config.option.workers)]
        os.close(taken)
        try:
            _follow(session, workers)
        finally:
            for worker in workers:
                worker.end()
    return True


class _Worker:
    """A fork that carries out the tests of one file after the other, and what it reports."""

    def __init__(self, session, files, taken):
        self.reports: Any
        self.item: Any = None
        self.reports, said = Pipe(duplex=False)
        sys.stdout.flush()
        sys.stderr.flush()
        self._number = os.fork()
        if self._number:
            said.close()
            return
        try:
            self.reports.close()
            _carry_out(session, files, taken, said)
        finally:
            os._exit(0)

    def end(self):
        """Whatever it does."""
        if not self.reports.closed:
            os.kill(self._number, signal.SIGTERM)
        os.waitpid(self._number, 0)


def _carry_out(session, files, taken, said):
    manager = session.config.pluginmanager
    for name in ("terminalreporter", "logxml"):
        if manager.has_plugin(name):
            manager.unregister(name=name)
    # its files are those of the process that collected, and so of every worker
    capture = manager.getplugin("capturemanager")
    capture.stop_global_capturing()
    capture.start_global_capturing()
    capture.suspend_global_capture()
    manager.register(_Reporter(session.config, said))
    items = _next_file(files, taken)
    while items:
        following = []
        for item, after in zip(items, [*items[1:], None], strict=True):
            if after is None:
                following = _next_file(files, taken)
                after = next(iter(following), None)
            session.config.hook.pytest_runtest_protocol(item=item, nextitem=after)
        items = following
    said.send(("done", None))


def _next_file(files, taken):
    number = os.read(taken, 2)
    return files[int.from_bytes(number, "big")] if number else []


class _Reporter:
    """What a worker has instead of a terminal."""

    def __init__(self, config, said):
        self._config, self._said = config, said

    def pytest_runtest_logstart(self, nodeid, location):
        self._said.send(("begun", (nodeid, location)))

    def pytest_runtest_logreport(self, report):
        hook = self._config.hook
        data = hook.pytest_report_to_serializable(config=self._config, report=report)
        self._said.send(("report", data))


def _follow(session, workers):
    """Hand on what workers report, until all are done."""
    hook = session.config.hook
    running = {worker.reports: worker for worker in workers}
    while running:
        reports: Any
        for reports in wait(list(running)):
            worker = running[reports]
            try:
                kind, told = reports.recv()
            except EOFError:
                kind, told = "gone", None
            if kind == "begun":
                worker.item = told
                hook.pytest_runtest_logstart(nodeid=told[0], location=told[1])
            elif kind == "report":
                report = hook.pytest_report_from_serializable(config=session.config, data=told)
                hook.pytest_runtest_logreport(report=report)
            else:
                reports.close()
                del running[reports]
            if kind == "gone":
                _tell_of_the_end(hook, worker)
        if session.shouldfail:
            raise session.Failed(session.shouldfail)
        if session.shouldstop:
            raise session.Interrupted(session.shouldstop)


def _tell_of_the_end(hook, worker):
    if worker.item is None:
        raise RuntimeError("a worker ended before its first test")
    nodeid, location = worker.item
    said = "the process that carried out this test ended, and no other test of its file was made"
    hook.pytest_runtest_logreport(
        report=pytest.TestReport(nodeid, location, {}, "failed", said, "call")
    )
