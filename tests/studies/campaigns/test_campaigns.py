"""A few campaigns of each procedure on one simulated bench each; `make campaigns` has 300."""

import numpy as np
import pytest

from tests.studies.campaigns import adapters, cables
from tests.studies.campaigns.tally import Tally


@pytest.mark.long
@pytest.mark.parametrize(("module", "campaigns", "quantities"), [(cables, 1, 8), (adapters, 1, 3)])
def test_truth_lies_inside_the_stated_uncertainty(module, campaigns, quantities, tmp_path):
    tally = Tally()
    module.run_block(tmp_path / "bench", 41, campaigns, tally)
    assert len(tally.rows) == quantities
    inside = [np.mean(np.abs(np.stack(rows)) <= 1.0) for rows in tally.rows.values()]
    assert np.mean(inside) >= 0.94, tally.table()
    # not bought with width: somewhere an error fills a fair part of U
    assert max(np.abs(np.stack(rows)).max() for rows in tally.rows.values()) > 0.2


def test_a_wrong_truth_is_found_outside():
    tally = Tally()
    tally.add("loss", np.array([1.0, 1.0]), np.array([1.1, 1.3]), np.array([0.2, 0.2]))
    assert tally.inside("loss").tolist() == [1.0, 0.0]
    assert "50.0% | 0.0%" in tally.table()
