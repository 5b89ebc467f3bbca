"""A small lot at a terminal: hands-free, a fumbling operator, one bad item, killed once."""

import numpy as np
import pytest

from tests.harness.command_line import load
from tests.studies.production.drawn_lot import DrawnLot
from tests.studies.production.judgement import judged
from tests.studies.production.killed_twice import measured

pytestmark = pytest.mark.long

QUICK_HANDS = """reaction_time = "1 s"
undoing_time = "1 s"
exchange_time = "3 s"
making_time = "1 s"
fumble_share = 0.5
fumble_time = "3 s"
one_end_share = 0.2
loose_share = 0.2
"""


def test_a_killed_lot_is_taken_up_and_its_bad_item_found(tmp_path):
    load()
    lot = DrawnLot(
        tmp_path, 8, 1, seed=8, operator=QUICK_HANDS, look_every="3 s",
        bands=("backhaul-5600",),
    )  # fmt: skip
    shown, statuses, killed_at = measured(
        lot, 1, np.random.default_rng(8), "--sweeps", "1", longest_moment_s=0.3, from_nothing=False
    )
    judgement = judged(lot)
    assert statuses == [-9, 1], shown
    assert killed_at
    assert judgement.is_kept, f"{judgement}\n{shown}"
    assert judgement.good_failed == 0
    assert "Going on with the lot in lot" in shown
    assert "guard sent" in shown
    trouble = [line for line in shown.split("\n") if line.startswith("! ")]
    assert any("loose" in line or "still open" in line for line in trouble), shown
    assert max(map(len, shown.split("$ tareline")[-1].split("\n")[1:])) <= 80
