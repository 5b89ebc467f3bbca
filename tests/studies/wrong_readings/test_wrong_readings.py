"""Nothing wrong gets a pass, and the likely cause is said: the table of `make doubts`."""

import pytest

from tests.studies.wrong_readings.scenarios import SCENARIOS
from tests.studies.wrong_readings.trial import carry_out, start_bench

pytestmark = pytest.mark.long


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    process = start_bench(tmp_path_factory.mktemp("bench"))
    yield process
    process.close()


@pytest.mark.parametrize("scenario", SCENARIOS, ids=lambda each: each.name)
def test_nothing_wrong_gets_a_pass(bench, tmp_path, scenario):
    found = carry_out(bench, tmp_path, scenario)
    assert found.is_good, f"{found}\n{found.shown[-3000:]}"


def test_there_are_enough_of_them():
    assert len(SCENARIOS) >= 30
    assert len({each.name for each in SCENARIOS}) == len(SCENARIOS)
