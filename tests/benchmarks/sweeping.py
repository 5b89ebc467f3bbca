"""What a sweep costs the client: blocks by exact length against the stock call, and the whole
cycle against the commands alone."""

import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from drivers.dialect import load_dialect
from drivers.link import Link
from drivers.network_analyzer import NetworkAnalyzer
from drivers.simulated.launch import SimulatedBenchProcess
from drivers.sweep import S_PARAMETERS, Sweep, SweepSettings
from harness.run_file import RunHeader, RunJournal
from harness.starter_files import write_starter

REPEATS = 40


def medians(*tasks: Callable[[], object]) -> list[float]:
    """Median seconds of each task, taken in turn so that all see the same machine."""
    times = [[_seconds(task) for task in tasks] for _ in range(REPEATS)]
    return [statistics.median(column) for column in zip(*times, strict=True)]


def _seconds(task: Callable[[], object]) -> float:
    begin = time.perf_counter()
    task()
    return time.perf_counter() - begin


def main() -> None:
    """Print the ratios."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_starter(folder)
        with SimulatedBenchProcess(folder / "simulated-bench.toml") as process:
            link = Link(process.addresses["analyzer"])
            analyzer = NetworkAnalyzer(
                link, load_dialect("scpi-99-network-analyzer"), maximum_power_dbm=0.0
            )
            analyzer.open()
            for points in (201, 1601, 20001):
                _reading(analyzer, points)
            _cycle(analyzer, folder)
            analyzer.close()


def _reading(analyzer: NetworkAnalyzer, points: int) -> None:
    analyzer.configure(SweepSettings(1e9, 2e9, points, -10.0, 1e5))
    analyzer.rf_on()
    analyzer.sweep()
    session = analyzer.link._session

    def stock() -> np.ndarray:
        values = session.query_binary_values(
            "TRACe:DATA? S21", datatype="d", is_big_endian=True, container=np.array
        )
        return np.asarray(values)

    def ours() -> np.ndarray:
        return np.frombuffer(analyzer.link.query_block("TRACe:DATA? S21"), ">f8")

    assert np.array_equal(stock(), ours())
    stock_s, ours_s = medians(stock, ours)
    print(
        f"reading {points} complex points: by exact length {ours_s * 1e6:.0f} us, "
        f"query_binary_values {stock_s * 1e6:.0f} us, ratio {ours_s / stock_s:.2f}"
    )


def _cycle(analyzer: NetworkAnalyzer, folder: Path) -> None:
    settings = SweepSettings(1e9, 2e9, 201, -10.0, 1e5)
    analyzer.configure(settings)
    analyzer.rf_on()
    grid = np.linspace(settings.start_hz, settings.stop_hz, settings.points)
    header = RunHeader("r", "p", {}, "", "", {}, {}, (), simulated=True)
    journal = RunJournal(folder / "run.h5", header, {"band": grid}, S_PARAMETERS)
    link, commands = analyzer.link, analyzer.dialect.sweep

    def commands_alone() -> None:
        link.write(commands.start)
        while not int(link.query(commands.finished)) & 1:
            pass
        for trace in S_PARAMETERS:
            link.query_block(commands.read.format(trace=trace))

    def whole_cycle() -> None:
        sweep: Sweep = analyzer.sweep()
        journal.append("band", "insertions", 0, sweep)

    bare_s, cycle_s = medians(commands_alone, whole_cycle)
    journal.close()
    print(
        f"sweep cycle of 201 points, 4 traces, sweep time 0: {cycle_s * 1e3:.2f} ms with storing "
        f"and fsync, trigger and read alone {bare_s * 1e3:.2f} ms, ratio {cycle_s / bare_s:.2f}"
    )


if __name__ == "__main__":
    main()
