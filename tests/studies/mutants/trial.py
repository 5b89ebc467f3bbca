"""Every mutant against the tests that call its function, the quickest first, in a fork of its own.

The tests are imported and found once, and carried out once without a mutant, to see which of them
call which function and how long they take.
"""

import os
import resource
import sys
import time
from collections import defaultdict
from collections.abc import Sequence
from types import FunctionType

import pytest
from hypothesis import Phase, settings

from tests.studies.mutants.making import Mutant, function_of, put_in_place, recorded

SURVIVED, KILLED, NOT_MADE = range(3)
LONGEST_CPU_S = 60
"""Of a mutant that never ends; by the clock nothing ends, for others may keep the machine busy."""
TOLD_EVERY = 100


class Trial:
    """A plugin of pytest that has mutants tried instead of the tests carried out."""

    def __init__(self, mutants: Sequence[Mutant], workers: int) -> None:
        self.survivors: list[Mutant] = []
        self._mutants = mutants
        self._workers = workers
        self._has_failed = False
        self._running: dict[int, Mutant] = {}

    def pytest_runtest_logreport(self, report) -> None:
        """Remember whether anything failed."""
        self._has_failed = self._has_failed or report.failed

    def pytest_runtestloop(self, session) -> bool:
        """In place of pytest's own."""
        tests = self._seen(session.items)
        for count, mutant in enumerate(self._mutants, 1):
            if len(self._running) == self._workers:
                self._wait()
            self._running[self._tried(mutant, tests.get(function_of(mutant), []))] = mutant
            if count % TOLD_EVERY == 0:
                print(f"{count} of {len(self._mutants)}", file=sys.stderr, flush=True)
        while self._running:
            self._wait()
        return True

    def _seen(self, items) -> dict[FunctionType, list]:
        """Which tests call which function; those first that take least."""
        callers: dict[FunctionType, list] = defaultdict(list)
        took_s = {}
        with recorded({function_of(mutant) for mutant in self._mutants}) as called:
            for item, following in zip(items, [*items, None][1:], strict=True):
                called.clear()
                begun = time.process_time()
                item.ihook.pytest_runtest_protocol(item=item, nextitem=following)
                took_s[item] = time.process_time() - begun
                if self._has_failed:
                    raise pytest.UsageError(f"{item.nodeid} fails without a mutant: mend it first")
                for function in called:
                    callers[function].append(item)
        for found in callers.values():
            found.sort(key=took_s.get)
        return callers

    def _tried(self, mutant: Mutant, items) -> int:
        """A process that ends with what became of it."""
        child = os.fork()
        if child:
            return child
        status = NOT_MADE
        try:
            resource.setrlimit(resource.RLIMIT_CPU, (LONGEST_CPU_S, LONGEST_CPU_S))
            nothing = os.open(os.devnull, os.O_RDWR)
            for standard in range(3):
                os.dup2(nothing, standard)
            put_in_place(mutant)
            status = KILLED
            for item, following in zip(items, [*items, None][1:], strict=True):
                item.ihook.pytest_runtest_protocol(item=item, nextitem=following)
                if self._has_failed:
                    break
            else:
                status = SURVIVED
        finally:
            os._exit(status)

    def _wait(self) -> None:
        child, status = os.wait()
        mutant = self._running.pop(child)
        ended = os.WEXITSTATUS(status) if os.WIFEXITED(status) else KILLED
        if ended == NOT_MADE:
            raise AssertionError(f"this mutant cannot be made: {mutant.key}")
        if ended == SURVIVED:
            print("survives:", *mutant.key, sep="\n    ", file=sys.stderr, flush=True)
            self.survivors.append(mutant)


def survivors_of(mutants: Sequence[Mutant], tests: Sequence[str], workers: int) -> list[Mutant]:
    """Those mutants that no test notices.

    Raises:
        RuntimeError: the tests cannot be carried out.
    """
    # what fails need not be made small, or explained
    settings.register_profile(
        "mutants", deadline=None, derandomize=True, database=None,
        phases=(Phase.explicit, Phase.generate),
    )  # fmt: skip
    os.environ["HYPOTHESIS_PROFILE"] = "mutants"
    trial = Trial(mutants, workers)
    options = ("-n", "0", "-s", "--assert", "plain", "--tb", "no", "--no-summary", "--timeout", "0")
    if status := pytest.main([*options, *tests], [trial]):
        raise RuntimeError(f"pytest ended with {status!r}")
    return trial.survivors
