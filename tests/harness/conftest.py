"""Simulated benches that many tests of a module share."""

import pytest

from tests.harness.short_run import RunningBenches


@pytest.fixture(scope="module")
def benches(tmp_path_factory):
    """Running benches by set-up."""
    running = RunningBenches(tmp_path_factory.mktemp("benches"))
    yield running
    running.close()
