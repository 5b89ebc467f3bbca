"""Decisions against ILAC-G8 and JCGM 106."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, stats

from harness.analysis.uncertainty.conformity import (
    DecisionRule,
    Verdict,
    decide,
    severities,
    verdict_of,
)

SIMPLE = DecisionRule("simple acceptance")


def at_one_point(loss, u, limit, dof=np.inf, k=2.0, rule=None):
    loss, u, dof, expanded, limit = (np.array([float(x)]) for x in (loss, u, dof, k * u, limit))
    return decide(loss, u, dof, expanded, limit, rule)


@pytest.mark.parametrize(
    ("loss", "verdict"),
    [
        (0.79, Verdict.PASS),
        (0.7999999, Verdict.PASS),
        (0.81, Verdict.CONDITIONAL_PASS),
        (1.00, Verdict.CONDITIONAL_PASS),
        (1.01, Verdict.CONDITIONAL_FAIL),
        (1.20, Verdict.CONDITIONAL_FAIL),
        (1.21, Verdict.FAIL),
    ],
)
def test_four_verdicts_of_ilac_g8(loss, verdict):
    """ILAC-G8:09/2019, 4.2.3: guard band w = U, here U 0.2 about a limit of 1."""
    assert at_one_point(loss, 0.1, 1.0).verdict is verdict


@pytest.mark.parametrize(
    ("loss", "verdict"), [(0.9, Verdict.PASS), (1.0, Verdict.PASS), (1.0001, Verdict.FAIL)]
)
def test_simple_acceptance_has_two_verdicts(loss, verdict):
    """ILAC-G8:09/2019, 4.2.1: w = 0; the specific false accept is up to 50 %, reached where
    the value sits on the limit."""
    decision = at_one_point(loss, 0.1, 1.0, rule=SIMPLE)
    assert decision.verdict is verdict
    assert decision.guard_band_db == 0.0
    if verdict is Verdict.PASS:
        assert decision.consumer_risk <= 0.5 + 1e-12


def test_zener_example_of_jcgm_106():
    """JCGM 106:2012 (from memory; recomputed Phi(1.4) = 0.9192): -5.47 V against an upper limit
    of -5.40 V with u 0.05 V conforms with probability 0.92."""
    decision = at_one_point(-5.47, 0.05, -5.40)
    assert decision.conformance_probability == pytest.approx(0.9192, abs=5e-5)
    assert round(decision.conformance_probability, 2) == 0.92
    assert decision.consumer_risk == pytest.approx(0.0808, abs=5e-5)


def test_speed_example_of_jcgm_106():
    """JCGM 106:2012 (from memory; recomputed 106.59): with u 2 % a speed is above 100 km/h with
    a probability of 99.9 % from 106.6 km/h on, rounded 107 km/h."""
    rule = DecisionRule("guard band for risk", 0.001)

    def verdict(speed):
        return at_one_point(speed, 0.02 * speed, 100.0, rule=rule).verdict

    assert verdict(107.0) is Verdict.FAIL
    assert verdict(106.6) is Verdict.FAIL
    assert verdict(106.58) is Verdict.CONDITIONAL_FAIL
    assert at_one_point(106.587, 0.02 * 106.587, 100.0).producer_risk == pytest.approx(
        0.001, abs=2e-6
    )


@pytest.mark.parametrize(
    ("guard_um", "consumer", "tolerance"), [(0.0, 0.0080, 5e-5), (0.328, 0.001, 5e-6)]
)
def test_ball_bearing_example_of_jcgm_106(guard_um, consumer, tolerance):
    """JCGM 106:2012, 9.5.4 (as quoted by an open-source reference; recomputed): radial error
    gamma distributed, shape 4, rate 4 per um, upper limit 2 um, u 0.25 um. The global
    consumer's risk is 0.0080, and 0.1 % with the acceptance limit at 1.672 um."""
    prior = stats.gamma(4, scale=0.25)
    assert prior.sf(2.0) == pytest.approx(0.0424, abs=5e-5)
    reading = np.linspace(0.0, 6.0, 60_001)
    accepted = severities(2.0 - reading, np.full_like(reading, guard_um)) == 0

    def risk(error_um):
        density = stats.norm.pdf(reading, error_um, 0.25)
        return prior.pdf(error_um) * np.trapezoid(density * accepted, reading)

    total, _ = integrate.quad(risk, 2.0, 4.0, epsabs=1e-7, limit=60)
    assert total == pytest.approx(consumer, abs=tolerance)


@pytest.mark.parametrize(
    ("ratio", "false_accept"),
    [(0.0, 0.5), (0.83, 0.0485), (1.0, 0.0228), (1.5, 0.00135), (3.0, 9.87e-10)],
)
def test_false_accept_at_the_acceptance_limit(ratio, false_accept):
    """ILAC-G8:09/2019, table 1 (from memory): the specific risk where the value sits on the
    acceptance limit for w = r U, k 2; below 2.5 % for w = U. Recomputed: 1 - Phi(2 r)."""
    accepted = at_one_point(1.0 - ratio * 0.2, 0.1, 1.0)
    assert accepted.consumer_risk == pytest.approx(false_accept, rel=3e-3)
    assert accepted.consumer_risk + accepted.producer_risk == 1.0


@given(
    risk=st.floats(0.001, 0.49),
    u=st.floats(0.01, 0.5),
    dof=st.one_of(st.just(np.inf), st.floats(2, 200)),
)
def test_a_guard_band_for_a_risk_keeps_it(risk, u, dof):
    """JCGM 106:2012, 8.3.2: what just passes carries the chosen risk, what just fails too;
    quantiles of t by scipy.stats."""
    rule = DecisionRule("guard band for risk", risk)
    guard = stats.t.ppf(1 - risk, dof) * u
    passed = at_one_point(1.0 - guard * (1 + 1e-9), u, 1.0, dof, rule=rule)
    failed = at_one_point(1.0 + guard * (1 + 1e-9), u, 1.0, dof, rule=rule)
    assert passed.verdict is Verdict.PASS
    assert failed.verdict is Verdict.FAIL
    assert passed.guard_band_db == pytest.approx(guard, rel=1e-6)
    assert passed.consumer_risk == pytest.approx(risk, rel=1e-5)
    assert failed.producer_risk == pytest.approx(risk, rel=1e-5)
    between = at_one_point(1.0 - 0.5 * guard, u, 1.0, dof, rule=rule)
    assert between.verdict is Verdict.CONDITIONAL_PASS


@given(
    loss=st.lists(st.floats(-1, 5), min_size=1, max_size=20),
    u=st.floats(1e-3, 1.0),
    limit=st.floats(-1, 5),
    dof=st.one_of(st.just(np.inf), st.floats(1, 200)),
    rule=st.sampled_from(
        [DecisionRule(), SIMPLE, DecisionRule("guard band for risk", 0.01)],
    ),
)
def test_worst_point_speaks_for_the_band(loss, u, limit, dof, rule):
    """No single point has a worse verdict than the band; better than even odds go with a
    margin that is not negative."""
    n = len(loss)
    band = decide(
        np.array(loss), np.full(n, u), np.full(n, dof), np.full(n, 2 * u), np.full(n, limit), rule
    )
    singles = [at_one_point(x, u, limit, dof, rule=rule) for x in loss]
    assert band.verdict.severity == max(s.verdict.severity for s in singles)
    if abs(band.margin_db) > 1e-9:
        assert (band.conformance_probability > 0.5) == (band.margin_db > 0)


@pytest.mark.parametrize(
    ("rule", "worst"),
    [(SIMPLE, 3), (DecisionRule(), 3), (DecisionRule("guard band for risk", 0.001), 4)],
)
def test_the_worst_point_is_that_of_the_chosen_rule(rule, worst):
    """Counted in U = k u where there is no guard band or w = U, else in w = t u (quantiles of t by
    scipy.stats). Neither the largest loss (0) nor the least margin, in dB (1) or in u (2), need be
    it."""
    loss = np.array([0.90, 0.50, 0.30, 0.30, 0.30])
    limit = np.array([1.50, 0.60, 1.00, 1.00, 1.00])
    u = np.array([0.10, 0.02, 0.20, 0.18, 0.07])
    dof = np.array([np.inf, np.inf, np.inf, 5.0, 2.0])
    k = stats.t.ppf(0.5 + 0.9545 / 2, dof)
    guard = {SIMPLE: k * u, DecisionRule(): k * u}.get(rule, stats.t.ppf(0.999, dof) * u)
    assert int(np.argmin((limit - loss) / guard)) == worst
    found = decide(loss, u, dof, k * u, limit, rule)
    assert found.worst_index == worst
    assert found.margin_db == pytest.approx(0.7)
    assert found.guard_band_db == (0.0 if rule is SIMPLE else pytest.approx(guard[worst]))
    within = stats.t.cdf(0.7 / u[worst], dof[worst])
    assert found.conformance_probability == pytest.approx(within)


@given(margin=st.floats(-3, 3), guard=st.one_of(st.just(0.0), st.floats(1e-3, 2)))
def test_one_point_and_many_are_judged_alike(margin, guard):
    (severity,) = severities(np.array([margin]), np.array([guard]))
    assert verdict_of(margin, guard).severity == severity
    assert (severity in (0, 3)) == verdict_of(margin, guard).is_clear
    assert (severity < 2) == (margin >= 0.0)


def test_rules_say_what_they_are():
    assert "50 %" in str(SIMPLE)
    assert "w = U" in str(DecisionRule())
    assert "at most 1 %" in str(DecisionRule("guard band for risk", 0.01))


@pytest.mark.parametrize("risk", [0.0, 0.5, -0.1, float("nan")])
def test_a_risk_that_nobody_can_ask_for_is_refused(risk):
    with pytest.raises(ValueError, match="choose one above 0 % and below 50 %"):
        DecisionRule("guard band for risk", risk)


def test_nothing_is_decided_without_uncertainty():
    with pytest.raises(ValueError, match="positive uncertainty"):
        at_one_point(0.5, 0.0, 1.0)
