"""A few kills of `python -m tests.studies.survival`, and that its checks would notice a loss."""

import numpy as np
import pytest

from tests.studies.survival.place import Place
from tests.studies.survival.reported import Reporting
from tests.studies.survival.trial import (
    COMMANDS,
    LOST,
    RESUMING,
    differing,
    missing,
    run_file,
    trial,
    undisturbed,
)

pytestmark = pytest.mark.long


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    place = Place(tmp_path_factory.mktemp("survival"))
    yield place
    place.close()


@pytest.fixture(scope="module")
def expected(place):
    return {name: undisturbed(place, name) for name in COMMANDS}


@pytest.mark.parametrize(
    ("phase", "procedure"),
    [
        ("normalizing", "qualify"), ("sweeping", "overnight"), ("finishing", "qualify"),
        (RESUMING, "overnight"),
    ],
)  # fmt: skip
def test_killed_runs_lose_nothing_and_come_to_their_end(place, expected, phase, procedure):
    outcome = trial(place, procedure, phase, expected[procedure], np.random.default_rng(3))
    assert outcome.problems == []
    assert outcome.kills + outcome.earlier_kills > 0


def test_a_loss_would_be_noticed(place, expected):
    folder = place.fresh()
    run = Reporting(COMMANDS["qualify"], folder)
    assert run.until_end().returncode == 0
    path, reported = run_file(folder), run.kept()
    assert missing(path, reported) == []
    assert differing(path, expected["qualify"]) == []
    band, kind, index, time_s, digest = reported[5]
    for changed in (
        [band, kind, index, time_s + 1e-3, digest],
        [band, kind, index, time_s, digest[::-1]],
        [band, kind, index + 9, time_s, digest],
    ):
        assert {problem for problem, _ in missing(path, [*reported, changed])} == {LOST}
    assert missing(None, reported)[0][0] == LOST
    loss_db = {band: values + 1e-6 for band, values in expected["qualify"].loss_db.items()}
    expected["qualify"].loss_db = loss_db
    assert "loss is 1e-06 dB off" in differing(path, expected["qualify"])[0][1]
