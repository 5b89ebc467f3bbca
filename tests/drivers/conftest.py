"""The starting bench in a process of its own, for tests that drive it over TCP."""

import pytest

from drivers.simulated.launch import SimulatedBenchProcess
from harness.station.starter_files import write_starter


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    folder = tmp_path_factory.mktemp("bench")
    write_starter(folder)
    with SimulatedBenchProcess(folder / "simulated-bench.toml") as process:
        yield process
