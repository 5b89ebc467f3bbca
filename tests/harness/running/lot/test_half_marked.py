"""A sitting that was killed while it marked the items after which the zero moved."""

from dataclasses import replace
from functools import partial

import pytest

from harness.evaluation.run_analysis import finish
from harness.evaluation.standing import Standing
from harness.run_file import amend_run
from harness.run_file.run import WANTED_AGAIN, Event
from harness.running.lot.folder import lot_so_far
from harness.running.lot.half_marked import finish_marking
from tests.harness.made_runs import header
from tests.harness.run_file.test_earlier_zeros import write

WHY = "the zero moved by 0.3 dB"


@pytest.fixture
def lot(tmp_path):
    """Two items on one zero and one on another; of the check that found the first zero moved, one
    item has got the mark."""
    of = replace(header(tmp_path / "station", 5), procedure="spot-check")
    folder = tmp_path / "lot"
    folder.mkdir()
    for name, day in (("A", 1), ("B", 1), ("C", 2)):
        item = replace(of, item={"id": name}, run_id=name)
        write(folder, item, day, -20.0)
        (folder / f"{day}.h5").rename(folder / f"{name}.h5")
    mark(folder / "A.h5")
    return folder


def mark(path):
    event = Event(1.9e9, WANTED_AGAIN, WHY)
    amend_run(path, lambda journal: journal.event(event), partial(finish, finished="2030-01-01"))


def test_the_rest_is_marked_at_the_next_sitting(lot):
    before = lot_so_far(lot, "spot-check")
    assert [one.serial for one in before.wanted_again()] == ["A"]
    assert finish_marking(before, lambda: 1.9e9) == ["B"]
    for found in (before, lot_so_far(lot, "spot-check")):
        assert sorted(one.serial for one in found.wanted_again()) == ["A", "B"]
        assert found.done["C",].standing is not Standing.AGAIN
    assert finish_marking(before, lambda: 1.9e9) == []
