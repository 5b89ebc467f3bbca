"""Analysing and reporting a long run: time as a ratio to reading its readings once with h5py, and
peak memory; imports are left out of both. Of 10,000 sweeps against 100,000, to see whether both
stay as they should.

    python -m tests.benchmarks.long_runs [SWEEPS]
"""

import importlib
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.harness.made_runs import BAND, Length, header, make_run

SWEEPS, POINTS = 100_000, 201
SHORT = "short.h5"
ROUNDS = 3
ALLOWED_RATIO, ALLOWED_MIB = 3.0, 400.0
ALLOWED_GROWTH = 12.5
"""Of the time, for ten times the sweeps: what is paid once makes it less than ten."""


def read_once(path: Path) -> None:
    """All readings by h5py as its documents show it."""
    import h5py

    with h5py.File(path, "r") as file:
        for kind in ("normalization", "insertions"):
            file[f"bands/{BAND}/{kind}/readings"][()]


def finish_run(path: Path) -> None:
    """The analysis, written into the file."""
    from harness.evaluation.run_analysis import finish

    finish(path, "2027-01-16T08:00:00+00:00")


def report(path: Path) -> None:
    """What is stated, read back, as a table and as a page."""
    from harness.commands.reporting import report_json
    from harness.evaluation.read_back import read_run
    from harness.report.pages.run_page import write_page

    run = read_run(path)
    report_json([run])
    write_page([run], path.with_suffix(".html"))


def analyse_and_report(path: Path) -> None:
    """All of it."""
    finish_run(path)
    report(path)


TASKS = {task.__name__: task for task in (read_once, finish_run, report, analyse_and_report)}


def main(sweeps: int = SWEEPS) -> None:
    """Print the figures; exit status 1 if one is beyond what is allowed."""
    with tempfile.TemporaryDirectory(dir=".") as name:
        folder = Path(name)
        head = header(folder, POINTS)
        make_run(folder / SHORT, head, Length(100, POINTS))
        seconds, ratios, mebibytes = [], [], []
        for count in (sweeps // 10, sweeps):
            path = make_run(folder / f"{count}.h5", head, Length(count, POINTS))
            rounds = [_round(path) for _ in range(ROUNDS)]
            reading, parts = (
                [r[0] for r in rounds],
                list(zip(*[r[1:] for r in rounds], strict=True)),
            )
            whole = [one for one, _ in parts[0]]
            mebibytes.append(max(peak for _, peak in parts[0]))
            seconds.append(statistics.median(whole))
            ratios.append(statistics.median(w / r[0] for w, r in zip(whole, reading, strict=True)))
            print(f"{count} sweeps of {POINTS} points, 1 trace, medians of {ROUNDS} rounds")
            print(f"  read once by h5py      {statistics.median(r[0] for r in reading):7.2f} s")
            print(f"  analysed and reported  {seconds[-1]:7.2f} s   ratio {ratios[-1]:.2f}   "
                  f"peak memory {mebibytes[-1]:.0f} MiB")  # fmt: skip
            path.unlink()
        growth = seconds[1] / seconds[0]
        print(f"ratio {ratios[1]:.2f} (allowed {ALLOWED_RATIO}), peak {mebibytes[1]:.0f} MiB "
              f"(allowed {ALLOWED_MIB:.0f}), ten times the sweeps take {growth:.1f} times as long "
              f"(allowed {ALLOWED_GROWTH})")  # fmt: skip
        if ratios[1] > ALLOWED_RATIO or mebibytes[1] > ALLOWED_MIB or growth > ALLOWED_GROWTH:
            sys.exit(1)


Measured = tuple[float, float]
"""Seconds, and the largest resident size in MiB."""


def _round(path: Path) -> tuple[Measured, Measured]:
    reading = _in_a_child("read_once", path)
    fresh = path.with_name("fresh.h5")
    shutil.copyfile(path, fresh)
    return reading, _in_a_child("analyse_and_report", fresh)


def _in_a_child(task: str, path: Path) -> Measured:
    done = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.long_runs", "--task", task, str(path)],
        check=True, capture_output=True, text=True,
    )  # fmt: skip
    seconds, peak = done.stdout.split()
    return float(seconds), float(peak)


def _task(name: str, path: Path) -> None:
    if name != read_once.__name__:
        # a short run first: what every process imports once is not of this one
        short = shutil.copyfile(path.with_name(SHORT), path.with_name(f"fresh-{SHORT}"))
        TASKS[name](short)
    else:
        importlib.import_module("h5py")
    begin = time.perf_counter()
    TASKS[name](path)
    taken = time.perf_counter() - begin
    print(taken, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0)


if __name__ == "__main__":
    if sys.argv[1:2] == ["--task"]:
        _task(sys.argv[2], Path(sys.argv[3]))
    else:
        main(*(int(argument) for argument in sys.argv[1:]))
