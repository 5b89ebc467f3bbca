"""What the report says of a decision: rule, guard band, risks and advice."""

from __future__ import annotations

import dataclasses
import io
from collections.abc import Callable

import numpy as np
import pytest
from rich.console import Console

from harness.analysis.uncertainty.conformity import Decision, DecisionRule, Verdict, decide
from harness.report.files.result_json import as_dict
from harness.report.pages.run_page import render_page
from harness.report.tables.run_table import print_runs
from harness.report.words import particulars
from harness.report.words.decisions import advice_of, risk_of
from harness.report.words.sentences import sentences
from harness.run_file.run import BandResult, Run

ADVICE = "4 more insertions (9 in all) would decide it, should the loss stay what it is."


@pytest.fixture
def judged(
    band_with: Callable[..., BandResult], run_with: Callable[..., Run]
) -> Callable[..., tuple[Run, Decision]]:
    """A run of one band that lies so many U below its limit, judged by a rule."""

    def make(reach: float, rule: DecisionRule, advice: str = "") -> tuple[Run, Decision]:
        band = band_with(np.linspace(1e9, 1.2e9, 5), limit_over_expected=None)
        limit_db = band.insertion_loss_db + reach * band.expanded_uncertainty_db
        decision = decide(
            band.insertion_loss_db,
            band.standard_uncertainty_db,
            band.effective_dof,
            band.expanded_uncertainty_db,
            limit_db,
            rule,
        )
        decision = dataclasses.replace(decision, advice=advice)
        band = dataclasses.replace(band, limit_db=limit_db, decision=decision)
        return run_with("PIG-0451", {"satellite": band}), decision

    return make


SIMPLE = DecisionRule("simple acceptance")
ONE_PERCENT = DecisionRule("guard band for risk", 0.01)


@pytest.mark.parametrize(
    ("reach", "rule", "verdict", "says"),
    [
        (1.5, DecisionRule(), "pass", "and the uncertainty fits into that margin: pass"),
        (0.5, DecisionRule(), "conditional pass", "the uncertainty is greater than that margin"),
        (-0.5, DecisionRule(), "conditional fail", "is great enough to explain that"),
        (-1.5, DecisionRule(), "fail", "the uncertainty cannot explain that"),
        (0.5, SIMPLE, "pass", "judged by simple acceptance, which leaves the uncertainty aside"),
        (-0.5, SIMPLE, "fail", "judged by simple acceptance, which leaves the uncertainty aside"),
        (1.6, ONE_PERCENT, "pass", "dB fits into that margin: pass"),
        (0.5, ONE_PERCENT, "conditional pass", "dB is greater than that margin"),
        (-0.5, ONE_PERCENT, "conditional fail", "which is within the guard band of"),
        (-1.6, ONE_PERCENT, "fail", "which is beyond the guard band of"),
    ],
)
def test_sentences_weigh_the_margin_by_the_rule(
    judged: Callable[..., tuple[Run, Decision]],
    reach: float,
    rule: DecisionRule,
    verdict: str,
    says: str,
) -> None:
    run, decision = judged(reach, rule)
    told = " ".join(sentences(run))
    assert decision.verdict.value == verdict
    assert says in told
    kind = "beyond its limit there although accepted" if reach > 0 else "although rejected"
    assert kind in told


def test_the_risk_of_a_verdict_is_below_one_half_whichever_it_is(
    judged: Callable[..., tuple[Run, Decision]],
) -> None:
    """JCGM 106:2012, 3.3.13 and 3.3.14: of the two, the one that the verdict carries."""
    for reach in (-2.0, -0.3, 0.3, 2.0):
        _, decision = judged(reach, DecisionRule())
        accepted = decision.verdict in (Verdict.PASS, Verdict.CONDITIONAL_PASS)
        assert risk_of(decision) == (decision.consumer_risk if accepted else decision.producer_risk)
        assert risk_of(decision) < 0.5


def test_advice_reaches_terminal_page_and_json(
    judged: Callable[..., tuple[Run, Decision]],
) -> None:
    run, decision = judged(0.5, DecisionRule(), ADVICE)
    assert advice_of(run) == [("satellite", ADVICE)]
    assert sentences(run)[-1] == ADVICE
    out = io.StringIO()
    print_runs([run], Console(file=out, width=100))
    assert f"to decide satellite: {ADVICE}" in " ".join(out.getvalue().split())
    page = render_page([run]).replace("\u00a0", " ")
    assert ADVICE in page
    assert "consumer's risk" in page.replace("&#39;", "'")
    (band,) = as_dict([run])["runs"][0]["bands"]
    assert band["advice"] == ADVICE
    assert band["decision_rule"] == str(DecisionRule())
    assert band["guard_band_db"] == decision.guard_band_db
    assert band["consumer_risk"] == pytest.approx(1.0 - band["conformance_probability"])
    assert band["producer_risk"] == band["conformance_probability"]


def test_advice_on_another_band_than_the_deciding_one_stands_by_the_table(
    judged: Callable[..., tuple[Run, Decision]],
) -> None:
    doubtful, _ = judged(0.5, DecisionRule(), ADVICE)
    failed, _ = judged(-3.0, DecisionRule())
    run = dataclasses.replace(
        doubtful, bands={**doubtful.bands, "backhaul-5": failed.bands["satellite"]}
    )
    assert ADVICE not in sentences(run)
    page = render_page([run]).replace("\u00a0", " ")
    assert "satellite, to decide it:" in page
    assert page.count(ADVICE) == 1


def test_a_formula_among_limits_is_shown_as_written() -> None:
    rows = particulars.rows({"limits_db": {"telemetry-433": 0.45, "b-5": "expected + 0.3 dB"}})
    assert [(row.path, row.label, row.value) for row in rows] == [
        (("Limits",), "telemetry-433", "0.45 dB"),
        (("Limits",), "b-5", "expected + 0.3 dB"),
    ]
    (risk,) = particulars.rows({"risk_percent": 2.5})
    assert (risk.label, risk.value) == ("Risk", "2.5 %")
