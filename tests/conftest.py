"""A folder to work in, and simulated benches in processes of their own."""

import gc
import os
from contextlib import contextmanager
from pathlib import Path

import pytest
from hypothesis import settings

# as in `harness.commands.cli`, before numpy is loaded: two test processes on two cores
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from drivers.simulated.launch import SimulatedBenchProcess
from harness.running.locks import FOLDER_VARIABLE
from harness.station.starter_files import write_starter
from tests.forked_programs import INTERPRETER
from tests.forked_workers import pytest_addoption, pytest_runtestloop  # noqa: F401

# No time limit for an example: how long it takes says how busy the machine is. The same examples
# every time, wherever the tests run: a failure is one of the change that is being tested, and
# comes again when it is looked for. `make examples` looks for new ones.
settings.register_profile("suite", deadline=None, derandomize=True, database=None)
settings.register_profile("new examples", settings.get_profile("suite"), derandomize=False)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "suite"))


LONG = ("tests/procedures/", "tests/studies/", "tests/harness/running/", "tests/harness/commands/")


def pytest_collection_modifyitems(items):
    """Rooms whose files take long begin, so that no process of the tests is alone with one."""
    items.sort(key=lambda item: not item.nodeid.startswith(LONG))


def pytest_collection_finish():
    """What was collected stays to the end: no use in looking for garbage in it again and again,
    here and in every process that is forked."""
    gc.collect()
    gc.freeze()


@pytest.fixture(scope="session", autouse=True)
def _own_locks(tmp_path_factory):
    """Locks of the tests' own, apart from those of whoever measures on this machine."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv(FOLDER_VARIABLE, str(tmp_path_factory.mktemp("locks")))
        yield


@pytest.fixture(scope="session", autouse=True)
def _forked_programs():
    """Benches and guards start at once; see `tests.forked_programs`."""
    with INTERPRETER.used():
        yield


@pytest.fixture
def workplace_folder(tmp_path) -> Path:
    """The files that `tareline init` writes."""
    write_starter(tmp_path)
    return tmp_path


@pytest.fixture
def start_bench(workplace_folder):
    """Start a simulated bench from the starting description, changed by text replacement."""
    running = []

    def start(changes=(), **options):
        path = workplace_folder / "simulated-bench.toml"
        text = path.read_text("utf-8")
        for old, new in dict(changes).items():
            assert old in text, f"the description does not say {old!r}"
            text = text.replace(old, new)
        path.write_text(text, "utf-8")
        process = SimulatedBenchProcess(path, **options)
        running.append(process)
        return process

    yield start
    for process in running:
        process.close()


@contextmanager
def closing(thing):
    """Close at the end."""
    try:
        yield thing
    finally:
        thing.close()
