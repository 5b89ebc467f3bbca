"""What keeping a sweep costs, as a ratio: appending to a run file against writing the same bytes to
a plain file, one fsync each; and whether it stays so as the run grows.

    python -m tests.benchmarks.appending [SWEEPS]
"""

import os
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from drivers.sweep import Sweep
from harness.run_file import RunHeader, RunJournal

POINTS = 201
SWEEPS = 10_000
IN_A_ROW = 50
"""Both are done in turns of so many, so that both see the same disk."""
ALLOWED = 2.0
ALLOWED_GROWTH = 1.25
"""Last tenth of the run against its first, as ratios."""
HEADER = RunHeader("r", "appending", {}, "", "", {}, {}, (), simulated=True)


def main(sweeps: int = SWEEPS) -> None:
    """Print the ratios; exit status 1 if one is beyond what is allowed."""
    frequency_hz = np.linspace(1e9, 2e9, POINTS)
    readings = np.exp(1j * np.linspace(0.0, 9.0, POINTS)).reshape(1, POINTS)
    sweep = Sweep(frequency_hz, ("S21",), readings, 1.0)
    block = readings.tobytes()
    with tempfile.TemporaryDirectory(dir=".") as name:
        folder = Path(name)
        journal = RunJournal(folder / "run.h5", HEADER, {"band": frequency_hz}, ("S21",))
        handle = os.open(folder / "plain", os.O_WRONLY | os.O_CREAT | os.O_APPEND)

        def plain() -> None:
            os.write(handle, block)
            os.fsync(handle)

        def append() -> None:
            journal.append("band", "insertions", 0, sweep)

        turns = [(_seconds(plain), _seconds(append)) for _ in range(sweeps // IN_A_ROW)]
        os.close(handle)
        journal.close()
    tenth = max(len(turns) // 10, 1)
    ratio, begin, end = (_ratio(part) for part in (turns, turns[:tenth], turns[-tenth:]))
    print(f"appending {sweeps} sweeps of {POINTS} points, 1 trace, in turns of {IN_A_ROW}")
    for what, column in zip(("plain file, write and fsync", "run file"), zip(*turns, strict=True),
                            strict=True):  # fmt: skip
        print(f"  {what:32}{statistics.median(column) * 1e6:8.0f} us (median of the turns)")
    print(f"  ratio                           {ratio:8.2f}      allowed {ALLOWED}")
    print(f"  first tenth {begin:.2f}, last tenth {end:.2f}: growth {end / begin:.2f}, "
          f"allowed {ALLOWED_GROWTH}")  # fmt: skip
    if ratio > ALLOWED or end / begin > ALLOWED_GROWTH:
        sys.exit(1)


def _seconds(once: Callable[[], None]) -> float:
    begin = time.perf_counter()
    for _ in range(IN_A_ROW):
        once()
    return (time.perf_counter() - begin) / IN_A_ROW


def _ratio(turns: list[tuple[float, float]]) -> float:
    """Median over the turns: a disk that pauses now and then hits one or the other."""
    return statistics.median(appended / plain for plain, appended in turns)


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:]))
