"""A verdict that is told before its run is finished is the one that the file states afterwards."""

from dataclasses import replace

import numpy as np
import pytest

from harness.evaluation.read_back import read_run, run_to_be
from harness.evaluation.run_analysis import assess, finish
from harness.evaluation.standing import standing_of_run
from harness.report.words.verdict_line import verdict_line
from harness.run_file import take_up
from tests.harness.made_runs import BAND, Length, header, make_run

FINISHED = "2027-01-15T10:00:00+00:00"


@pytest.mark.parametrize("limit_db", [0.1, 1.0, None])
def test_what_is_told_is_what_the_file_says(tmp_path, limit_db):
    of = header(tmp_path / "station", 11)
    limits_db = {} if limit_db is None else {BAND: limit_db}
    of = replace(of, item={**of.item, "limits_db": limits_db})
    path = make_run(tmp_path / "made.h5", of, Length(8, 11))
    journal = take_up(path)
    results = assess(journal)
    told = run_to_be(journal, results, FINISHED)
    journal.close()
    finish(path, FINISHED)
    stated = read_run(path)
    assert standing_of_run(told) is standing_of_run(stated)
    assert verdict_line(told) == verdict_line(stated)
    assert replace(told, bands={}, finding=stated.finding) == replace(stated, bands={})
    for band, result in stated.bands.items():
        np.testing.assert_array_equal(told.bands[band].insertion_loss_db, result.insertion_loss_db)
        np.testing.assert_array_equal(
            told.bands[band].expanded_uncertainty_db, result.expanded_uncertainty_db
        )
