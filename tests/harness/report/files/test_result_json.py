"""The JSON contract `tareline-result/1`."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.analysis.uncertainty.conformity import Decision, Verdict
from harness.report.files.result_json import as_dict
from harness.run_file.run import BandResult, Run
from tests.long_cases import examples

RUN_KEYS = {
    "run_id", "procedure", "started", "finished", "simulated", "item",
    "to_be_measured_again", "bands", "diagnosis",
}  # fmt: skip
BAND_KEYS = {
    "name",
    "frequency_hz",
    "insertion_loss_db",
    "standard_uncertainty_db",
    "effective_dof",
    "coverage_factor",
    "expanded_uncertainty_db",
    "interval_low_db",
    "interval_high_db",
    "method",
    "trials",
    "gum_validated",
    "gum_difference_db",
    "zero_marks",
    "notes",
    "expected_db",
    "expected_expanded_uncertainty_db",
    "normalized_error",
    "limit_db",
    "worst",
    "verdict",
    "conformance_probability",
    "decision_rule",
    "guard_band_db",
    "consumer_risk",
    "producer_risk",
    "advice",
    "budget",
    "stability",
}
WORST_KEYS = {
    "frequency_hz",
    "insertion_loss_db",
    "expanded_uncertainty_db",
    "limit_db",
    "margin_db",
}
BUDGET_KEYS = {
    "contribution",
    "type",
    "distribution",
    "standard_uncertainty_db",
    "dof",
    "source",
    "acts_on",
}


def test_every_key_is_always_there(all_runs: list[Run]) -> None:
    document = as_dict(all_runs)
    assert list(document) == ["schema", "runs"]
    assert document["schema"] == "tareline-result/1"
    for run in document["runs"]:
        assert set(run) == RUN_KEYS
        for band in run["bands"]:
            assert set(band) == BAND_KEYS
            assert set(band["worst"]) == WORST_KEYS
            assert all(set(line) == BUDGET_KEYS for line in band["budget"])


def test_values_are_those_of_the_run(mixed_run: Run) -> None:
    document = json.loads(json.dumps(as_dict([mixed_run]), allow_nan=False))
    (run,) = document["runs"]
    assert run["item"] == mixed_run.item
    assert [band["name"] for band in run["bands"]] == list(mixed_run.bands)
    for stated, band in zip(run["bands"], mixed_run.bands.values(), strict=True):
        np.testing.assert_array_equal(stated["insertion_loss_db"], band.insertion_loss_db)
        np.testing.assert_array_equal(stated["frequency_hz"], band.frequency_hz)
        for line, contribution in zip(stated["budget"], band.budget, strict=True):
            assert line["contribution"] == contribution.name
            assert (line["dof"] is None) == np.isinf(contribution.dof)
        if band.decision:
            worst = stated["worst"]
            assert worst["margin_db"] == band.decision.margin_db
            assert worst["frequency_hz"] == band.frequency_hz[band.decision.worst_index]
            assert stated["verdict"] == str(band.decision.verdict)


def test_null_where_nothing_is_stated(limitless_run: Run, unfinished_run: Run) -> None:
    bare, unfinished = as_dict([limitless_run, unfinished_run])["runs"]
    for band, source in zip(bare["bands"], limitless_run.bands.values(), strict=True):
        for key in (
            "limit_db",
            "expected_db",
            "expected_expanded_uncertainty_db",
            "verdict",
            "conformance_probability",
        ):
            assert band[key] is None
        assert band["worst"]["limit_db"] is None
        assert band["worst"]["insertion_loss_db"] == source.insertion_loss_db.max()
    assert unfinished["bands"] == []
    assert unfinished["finished"] is None


def test_simulated_data_says_so(good_run: Run, limitless_run: Run) -> None:
    assert [run["simulated"] for run in as_dict([good_run, limitless_run])["runs"]] == [True, False]


@examples(20, 60)
@given(
    points=st.integers(1, 6),
    data=st.data(),
    verdict=st.sampled_from([None, *Verdict]),
)
def test_strictly_valid_whatever_the_numbers(
    band_with: Callable[..., BandResult],
    run_with: Callable[..., Run],
    points: int,
    data: st.DataObject,
    verdict: Verdict | None,
) -> None:
    anything = st.lists(st.floats(), min_size=points, max_size=points).map(np.array)
    band = band_with(np.linspace(1e9, 2e9, points), limit_over_expected=None)
    changes: dict[str, Any] = {
        name: data.draw(anything)
        for name in ("insertion_loss_db", "effective_dof", "expanded_uncertainty_db", "limit_db")
    }
    if verdict is not None:
        index = data.draw(st.integers(0, points - 1))
        changes["decision"] = Decision(
            verdict, index, data.draw(st.floats()), data.draw(st.floats())
        )
    item = {"id": data.draw(st.text()), "limits_db": {"b": data.draw(st.floats())}}
    run = run_with("x", {"b": dataclasses.replace(band, **changes)}, item=item)
    text = json.dumps(as_dict([run]), allow_nan=False)
    stated = json.loads(text)["runs"][0]["bands"][0]
    for number, value in zip(stated["effective_dof"], changes["effective_dof"], strict=True):
        assert (number is None) == (not np.isfinite(value))


def test_an_item_that_json_cannot_say_is_refused(run_with: Callable[..., Run]) -> None:
    with pytest.raises(TypeError, match="which JSON has no form for"):
        as_dict([run_with("x", {}, item={"id": object()})])
