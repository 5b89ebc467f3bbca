"""Simulated benches that many tests of a module share."""

import pytest

from tests.harness.recorded_run import recorded_run
from tests.harness.short_run import RunningBenches


@pytest.fixture(scope="module")
def benches(tmp_path_factory):
    """Running benches by set-up."""
    running = RunningBenches(tmp_path_factory.mktemp("benches"))
    yield running
    running.close()


@pytest.fixture(scope="session")
def recorded(tmp_path_factory):
    """A finished run of two bands, from recorded files."""
    return recorded_run(tmp_path_factory.mktemp("recorded"))
