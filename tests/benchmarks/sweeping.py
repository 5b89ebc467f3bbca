"""What a sweep costs the client, as ratios: its traces read by exact length against the stock
call, and the whole cycle against a loop that only triggers and reads."""

import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from drivers.dialect import load_dialect
from drivers.link import Link
from drivers.network_analyzer import NetworkAnalyzer
from drivers.simulated.launch import SimulatedBenchProcess
from drivers.sweep import S_PARAMETERS, SweepSettings
from harness.run_file import RunHeader, RunJournal
from harness.starter_files import write_starter

REPEATS = 12
IN_A_ROW = 5
"""As sweeps follow each other, so that what one leaves to be done meanwhile slows its next."""
READ = "TRACe:DATA? {trace}"
ALLOWED_READING = {1601: 0.25, 20001: 0.2}
ALLOWED_CYCLE = {0.0: 2.0, 0.01: 1.05}


def medians(*tasks: Callable[[], object]) -> list[float]:
    """Median seconds of each task, taken in turn so that all see the same machine."""
    times = [[_seconds(task) for task in tasks] for _ in range(REPEATS)]
    return [statistics.median(column) for column in zip(*times, strict=True)]


def _seconds(task: Callable[[], object]) -> float:
    begin = time.perf_counter()
    for _ in range(IN_A_ROW):
        task()
    return (time.perf_counter() - begin) / IN_A_ROW


def main() -> None:
    """Print the ratios."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_starter(folder)
        with SimulatedBenchProcess(folder / "simulated-bench.toml") as process:
            link = Link(process.addresses["analyzer"], timeout_s=30.0)
            link.open()
            for points in (201, 1601, 20001):
                _reading(link, points)
            link.close()
        for sweep_time_s in ALLOWED_CYCLE:
            _cycle(folder, sweep_time_s)


def _reading(link: Link, points: int) -> None:
    """Reading one complex sweep: all four S-parameters."""
    link.write(f"*RST;*CLS;:FORM:DATA REAL,64;:SWE:POIN {points}")
    names = ",".join(f'"XFRequency:{name}"' for name in S_PARAMETERS)
    link.write(f"SENSe:FUNCtion:ON {names}")
    link.query("OUTP ON;:INIT;*OPC?")
    session = link._session

    def stock() -> list[np.ndarray]:
        return [_stock_read(session, trace) for trace in S_PARAMETERS]

    def ours() -> list[np.ndarray]:
        return [
            np.frombuffer(link.query_block(READ.format(trace=trace)), ">f8")
            for trace in S_PARAMETERS
        ]

    assert np.array_equal(stock(), ours())
    stock_s, ours_s = medians(stock, ours)
    allowed = ALLOWED_READING.get(points)
    print(
        f"reading a sweep of {points} points, 4 traces: by exact length {ours_s * 1e6:.0f} us, "
        f"query_binary_values {stock_s * 1e6:.0f} us, ratio {ours_s / stock_s:.3f}"
        + (f" (allowed {allowed})" if allowed else "")
    )


def _stock_read(session: Any, trace: str) -> np.ndarray:
    values = session.query_binary_values(
        READ.format(trace=trace), datatype="d", is_big_endian=True, container=np.array
    )
    return np.asarray(values)


def _cycle(folder: Path, sweep_time_s: float) -> None:
    """Trigger, completion, reading, storing and flushing, against triggering and reading."""
    points = 201
    settings = SweepSettings(1e9, 2e9, points, -10.0, 1e5)
    with SimulatedBenchProcess(folder / "simulated-bench.toml", pace=1.0) as process:
        natural_s = _sweep_time_s(process.addresses["analyzer"], settings)
    pace = sweep_time_s / natural_s
    with SimulatedBenchProcess(folder / "simulated-bench.toml", pace=pace) as process:
        link = Link(process.addresses["analyzer"])
        dialect = load_dialect("scpi-99-network-analyzer")
        analyzer = NetworkAnalyzer(link, dialect, maximum_power_dbm=0.0)
        analyzer.open()
        analyzer.configure(settings)
        analyzer.rf_on()
        grid = np.linspace(settings.start_hz, settings.stop_hz, points)
        header = RunHeader("r", "p", {}, "", "", {}, {}, (), simulated=True)
        path = folder / f"run-{sweep_time_s}.h5"
        journal = RunJournal(path, header, {"band": grid}, S_PARAMETERS)

        def bare() -> list[bytes]:
            link.query("INITiate:IMMediate;*OPC?")
            return [link.query_block(READ.format(trace=trace)) for trace in S_PARAMETERS]

        session = link._session

        def stock() -> list[np.ndarray]:
            session.query("INITiate:IMMediate;*OPC?")
            return [_stock_read(session, trace) for trace in S_PARAMETERS]

        def whole() -> None:
            journal.append("band", "insertions", 0, analyzer.sweep())

        bare_s, stock_s, whole_s = medians(bare, stock, whole)
        journal.close()
        analyzer.close()
    print(
        f"cycle of {points} points, 4 traces, sweep time {sweep_time_s * 1e3:g} ms, with storing "
        f"and flushing: {whole_s * 1e3:.2f} ms; triggering and reading alone {bare_s * 1e3:.2f} ms "
        f"through the link, ratio {whole_s / bare_s:.3f}, and {stock_s * 1e3:.2f} ms by stock "
        f"calls, ratio {whole_s / stock_s:.3f} (allowed {ALLOWED_CYCLE[sweep_time_s]})"
    )


def _sweep_time_s(resource: str, settings: SweepSettings) -> float:
    """What the simulated analyzer takes for a sweep at its own pace."""
    link = Link(resource)
    analyzer = NetworkAnalyzer(
        link, load_dialect("scpi-99-network-analyzer"), maximum_power_dbm=0.0
    )
    analyzer.open()
    analyzer.configure(settings)
    seconds = link.query_number("SENSe:SWEep:TIME?")
    analyzer.close()
    return seconds


if __name__ == "__main__":
    main()
