"""Verdicts and sentences."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import numpy as np
import pytest

from harness.evaluation.standing import (
    Agreement,
    Standing,
    agreement,
    deciding_band,
    standing_of_band,
    standing_of_run,
    worst_point,
)
from harness.report.words.sentences import notes_of, sentences, summary
from harness.report.words.validity import doubts_of
from harness.run_file.run import BandResult, Run


def test_the_fixtures_hold_every_standing(all_runs: list[Run], mixed_run: Run) -> None:
    bands = {standing_of_band(band) for band in mixed_run.bands.values()}
    assert bands == set(Standing) - {
        Standing.UNFINISHED,
        Standing.NO_VERDICT,
        Standing.AGAIN,
    }
    assert [standing_of_run(run) for run in all_runs] == [
        Standing.PASS,
        Standing.FAIL,
        Standing.FAIL,
        Standing.NO_LIMIT,
        Standing.UNFINISHED,
    ]
    assert summary(all_runs) == "5 runs: 1 pass, 2 fail, 1 no limit, 1 not finished"


def test_a_band_without_the_verdict_it_should_have_is_no_pass(all_runs: list[Run]) -> None:
    """A limit and readings that allow no verdict: neither pass nor "no limit"."""
    passing = all_runs[0]
    name, band = next(iter(passing.bands.items()))
    why = "The normalization is wrong."
    undecided = dataclasses.replace(band, decision=None, notes=(why,))
    run = dataclasses.replace(passing, bands={**passing.bands, name: undecided})
    assert standing_of_run(run) is Standing.NO_VERDICT
    assert deciding_band(run) == name
    assert (name, why) in notes_of(run)
    assert "1 has no verdict" in sentences(run)[0]


def test_a_note_that_concerns_every_band_is_told_once(all_runs: list[Run]) -> None:
    run = all_runs[0]
    noted = {n: dataclasses.replace(b, notes=("One insertion.",)) for n, b in run.bands.items()}
    assert notes_of(dataclasses.replace(run, bands=noted)) == [("", "One insertion.")]


def test_a_doubt_of_every_band_is_told_once(all_runs: list[Run]) -> None:
    """Its figures differ from band to band: those of the first. Another doubt is another."""
    run = all_runs[0]
    bands = {
        name: dataclasses.replace(
            band, decision=None, doubts=(f"The zero moved by {number / 10} dB.", "It is open.")
        )
        for number, (name, band) in enumerate(run.bands.items(), 1)
    }
    doubted = dataclasses.replace(run, bands=bands)
    told = ["The zero moved by 0.1 dB.", "It is open."]
    assert [text for text in sentences(doubted) if "moved" in text or "open" in text] == told
    assert [text for text in doubts_of(doubted) if "moved" in text or "open" in text] == told
    assert [note for note in notes_of(doubted) if "open" in note[1]] == [("", "It is open.")]


def test_the_worst_verdict_decides(mixed_run: Run) -> None:
    assert deciding_band(mixed_run) == "backhaul-5"
    left = {name: band for name, band in mixed_run.bands.items() if name != "backhaul-5"}
    milder = dataclasses.replace(mixed_run, bands=left)
    assert deciding_band(milder) == "satellite"
    assert standing_of_run(milder) is Standing.CONDITIONAL_FAIL


def test_sentences_speak_of_loss_limit_and_expectation(bad_crimp_run: Run) -> None:
    told = " ".join(sentences(bad_crimp_run))
    point = worst_point(bad_crimp_run.bands[deciding_band(bad_crimp_run)])
    assert "All 5 bands fail." in told
    assert "95.45 %" in told
    assert "above the limit" in told
    assert f"{point.limit_db:.2f}" in told
    assert "more, which the uncertainties do not explain" in told


def test_an_unfinished_run_states_nothing(unfinished_run: Run) -> None:
    (told,) = sentences(unfinished_run)
    assert "not finished" in told


def test_a_run_with_bands_but_no_end_is_unfinished(good_run: Run) -> None:
    assert standing_of_run(dataclasses.replace(good_run, finished="")) is Standing.UNFINISHED


@pytest.mark.parametrize(
    ("extra", "expected"),
    [(0.0, Agreement.AS_EXPECTED), (0.5, Agreement.MORE), (-0.5, Agreement.LESS)],
)
def test_normalized_error(
    band_with: Callable[..., BandResult], extra: float, expected: Agreement
) -> None:
    # ISO/IEC 17043:2010, B.3.1.3 (from memory): |E_n| <= 1 is agreement.
    band = band_with(np.linspace(1e9, 1.1e9, 5), extra_loss_db=extra)
    point = worst_point(band)
    e_n = (point.insertion_loss_db - point.expected_db) / np.hypot(
        point.expanded_uncertainty_db, point.expected_expanded_uncertainty_db
    )
    assert agreement(point) is expected
    assert (abs(e_n) <= 1) == (expected is Agreement.AS_EXPECTED)
