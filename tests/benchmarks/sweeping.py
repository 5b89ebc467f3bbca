"""What a sweep costs the client, as ratios: its traces read by exact length against the stock
call, and the whole cycle against a loop that only triggers and reads."""

import multiprocessing
import socket
import statistics
import tempfile
import time
from collections.abc import Callable, Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from drivers.dialects.dialect import load_dialect
from drivers.instruments.network_analyzer import NetworkAnalyzer
from drivers.link.link import Link
from drivers.simulated.launch import SimulatedBenchProcess
from drivers.sweep import S_PARAMETERS, SweepSettings
from harness.bench.storing import Storing
from harness.run_file import RunHeader, RunJournal
from harness.station.starter_files import write_starter

ROUNDS = 5
REPEATS = 12
"""Of every task in a round, taken in turn so that all see the same machine."""
IN_A_ROW = 4
"""As sweeps follow each other in a band, and what one leaves to be done slows its next."""
LONG_ROW = 16
READ = "TRACe:DATA? {trace}"
TOGETHER = ";:".join(READ.format(trace=trace) for trace in S_PARAMETERS)
ALLOWED_READING = {1601: 0.25, 20001: 0.2}
ALLOWED_CYCLE = {0.0: 2.0, 0.01: 1.05}


@dataclass(frozen=True)
class Timing:
    """Seconds of each task, and as ratios to the first one's, from several rounds."""

    seconds: list[float]
    """Median over the rounds of the median of each."""
    ratios: list[float]
    spread: list[tuple[float, float]]
    """Smallest and largest ratio of any round."""


Task = tuple[Callable[[], object], int]
"""Something to do, and how many sweeps it makes."""


def timing(*tasks: Task) -> Timing:
    """Take tasks in turn; a figure is for one sweep."""
    rounds = [_medians(tasks) for _ in range(ROUNDS)]
    ratios = [[each[n] / each[0] for each in rounds] for n in range(len(tasks))]
    return Timing(
        [statistics.median(column) for column in zip(*rounds, strict=True)],
        [statistics.median(column) for column in ratios],
        [(min(column), max(column)) for column in ratios],
    )


def _medians(tasks: Sequence[Task]) -> list[float]:
    times = [[_seconds(*task) for task in tasks] for _ in range(REPEATS)]
    return [statistics.median(column) for column in zip(*times, strict=True)]


def _seconds(task: Callable[[], object], sweeps: int) -> float:
    begin = time.perf_counter()
    task()
    return (time.perf_counter() - begin) / sweeps


def in_a_row(task: Callable[[], object]) -> Callable[[], None]:
    """Several sweeps, one after the other."""

    def repeated() -> None:
        for _ in range(IN_A_ROW):
            task()

    return repeated


def _say(what: str, timed: Timing, n: int, allowed: float | None) -> None:
    low, high = timed.spread[n]
    bound = f"   allowed {allowed}" if allowed else ""
    print(
        f"  {what:44}{timed.seconds[n] * 1e3:8.3f} ms   ratio {timed.ratios[n]:.3f} "
        f"({low:.3f} to {high:.3f}){bound}"
    )


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
        for points in ALLOWED_READING:
            _reading_alone(points)
        for sweep_time_s in ALLOWED_CYCLE:
            _cycle(folder, sweep_time_s)


def _reading(link: Link, points: int) -> None:
    """Reading one complex sweep: all four S-parameters."""
    link.write(f"*RST;*CLS;:FORM:DATA REAL,64;:SWE:POIN {points}")
    names = ",".join(f'"XFRequency:{name}"' for name in S_PARAMETERS)
    link.write(f"SENSe:FUNCtion:ON {names}")
    link.query("OUTP ON;:INIT;*OPC?")
    session = link._session

    def stock_one() -> np.ndarray:
        return _stock_read(session, "S21")

    def stock_four() -> list[np.ndarray]:
        return [_stock_read(session, trace) for trace in S_PARAMETERS]

    def one() -> np.ndarray:
        return np.frombuffer(link.query_block(READ.format(trace="S21")), ">f8")

    def four() -> list[np.ndarray]:
        return [
            np.frombuffer(link.query_block(READ.format(trace=trace)), ">f8")
            for trace in S_PARAMETERS
        ]

    def together() -> list[np.ndarray]:
        blocks, _ = link.query_blocks(TOGETHER, len(S_PARAMETERS))
        return [np.frombuffer(block, ">f8") for block in blocks]

    assert np.array_equal(stock_four(), four())
    assert np.array_equal(stock_four(), together())
    assert np.array_equal(stock_one(), one())
    allowed = ALLOWED_READING.get(points)
    print(f"reading {points} points, medians of {ROUNDS} rounds (smallest to largest)")
    timed = timing((in_a_row(stock_one), IN_A_ROW), (in_a_row(one), IN_A_ROW))
    _say("one trace by query_binary_values", timed, 0, None)
    _say("one trace by exact length", timed, 1, allowed)
    timed = timing(*((in_a_row(each), IN_A_ROW) for each in (stock_four, four, together)))
    _say("four traces by query_binary_values", timed, 0, None)
    _say("four in a row by exact length", timed, 1, allowed)
    _say("four by exact length in one message", timed, 2, allowed)


def _reading_alone(points: int) -> None:
    """One trace from a peer that only hands a ready block out: what the client itself takes."""
    block = np.linspace(0.0, 1.0, 2 * points).astype(">f8").tobytes()
    count = str(len(block))
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
        peer = multiprocessing.get_context("fork").Process(
            target=_hand_out, args=(server, f"#{len(count)}{count}".encode() + block + b"\n")
        )
        peer.start()
        link = Link(f"TCPIP0::127.0.0.1::{port}::SOCKET", timeout_s=30.0)
        link.connect()
        session = link._session

        def stock() -> np.ndarray:
            return _stock_read(session, "S21")

        def ours() -> np.ndarray:
            return np.frombuffer(link.query_block(READ.format(trace="S21")), ">f8")

        assert np.array_equal(stock(), ours())
        timed = timing((in_a_row(stock), IN_A_ROW), (in_a_row(ours), IN_A_ROW))
        link.close()
        peer.join()
    print(f"reading {points} points from a peer that has them ready")
    _say("one trace by query_binary_values", timed, 0, None)
    _say("one trace by exact length", timed, 1, ALLOWED_READING[points])


def _hand_out(server: socket.socket, answer: bytes) -> None:
    peer, _ = server.accept()
    with peer:
        peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        while peer.recv(4096):
            peer.sendall(answer)


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

        def bare_together() -> list[bytes]:
            link.query("INITiate:IMMediate;*OPC?")
            return link.query_blocks(TOGETHER, len(S_PARAMETERS))[0]

        session = link._session

        def stock() -> list[np.ndarray]:
            session.query("INITiate:IMMediate;*OPC?")
            return [_stock_read(session, trace) for trace in S_PARAMETERS]

        storing = Storing(journal, nullcontext, lambda: None)

        def whole(count: int) -> Callable[[], None]:
            def sweep_and_store() -> None:
                with storing:
                    for _ in range(count):
                        storing.append("band", "insertions", 0, analyzer.sweep())

            return sweep_and_store

        timed = timing(
            (in_a_row(bare), IN_A_ROW),
            (whole(LONG_ROW), LONG_ROW),
            (whole(IN_A_ROW), IN_A_ROW),
            (in_a_row(bare_together), IN_A_ROW),
            (in_a_row(stock), IN_A_ROW),
        )
        journal.close()
        analyzer.close()
    print(f"cycle of {points} points, 4 traces, sweep time {sweep_time_s * 1e3:g} ms")
    _say("triggering and reading alone", timed, 0, None)
    allowed = ALLOWED_CYCLE[sweep_time_s]
    _say(f"all of it and storing, {LONG_ROW} in a row", timed, 1, allowed)
    _say(f"the same, {IN_A_ROW} in a row, the last waited for", timed, 2, allowed)
    _say("triggering and reading in one message", timed, 3, None)
    _say("triggering and reading by stock calls", timed, 4, None)


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
