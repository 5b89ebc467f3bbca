"""Limits as formulas: read right, or refused with the reason."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.quantities import FREQUENCY_UNITS, RATIO_UNITS
from harness.analysis.uncertainty.limits import DEEPEST_NESTING, LONGEST_FORMULA, parse_formula

FREQUENCY_HZ = np.array([433e6, 868e6, 2.4e9, 5.6e9])
GHZ = FREQUENCY_HZ / 1e9
EXPECTED_DB = np.array([0.2, 0.3, 0.6, 1.0])


def parse(text):
    return parse_formula(text, FREQUENCY_UNITS, RATIO_UNITS)


@pytest.mark.parametrize(
    ("text", "limit_db"),
    [
        ("0.1 dB + 0.35 dB * sqrt(f / 1 GHz)", 0.1 + 0.35 * np.sqrt(GHZ)),
        ("0.1 dB + 0.35dB*sqrt(f/1000 MHz)", 0.1 + 0.35 * np.sqrt(GHZ)),
        ("expected + 0.3 dB", EXPECTED_DB + 0.3),
        ("1.2 * expected + 50 mdB", 1.2 * EXPECTED_DB + 0.05),
        ("0.3 dB * (f / 1 GHz)^0.6", 0.3 * GHZ**0.6),
        ("0.3 dB * f^2 / (1 GHz)^2 + 1 dB", 0.3 * GHZ**2 + 1),
        ("2 dB - 0.1 dB * f / 1 GHz", 2 - 0.1 * GHZ),
        ("2 dB - (1 dB - 0.5 dB)", np.full(4, 1.5)),
        ("2 dB - 1 dB - 0.5 dB", np.full(4, 0.5)),
        ("8 dB / 2 / 2", np.full(4, 2.0)),
        ("-1 dB + 3 dB", np.full(4, 2.0)),
        ("3 dB - -1 dB", np.full(4, 4.0)),
        ("10 dB - 2^2 * 1 dB", np.full(4, 6.0)),
        ("1 dB * 2^-1", np.full(4, 0.5)),
        ("sqrt(expected * expected)", EXPECTED_DB),
        ("3 dB * f^2 / (f * f)", np.full(4, 3.0)),
        ("3 dB * (f^0.5 / (1 GHz)^0.5)^2 / f * 1 GHz", np.full(4, 3.0)),
    ],
)
def test_formulas_are_worked_out(text, limit_db):
    """The usual order of operations, against the same expression in numpy."""
    np.testing.assert_allclose(parse(text).at(FREQUENCY_HZ, EXPECTED_DB), limit_db, rtol=1e-12)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("0.1 dB +", "it ends there"),
        ("0.1 dB + 3", "dB and a plain number cannot be added"),
        ("0.1 dB + f", "dB and Hz cannot be added"),
        ("f", "comes out as Hz, not in dB"),
        ("0.1 dB * f", "not in dB"),
        ("0.1 dB * f^2", "not in dB"),
        ("0.1 dB / f", "not in dB"),
        ("sqrt(expected)", "comes out as dB^1/2, not in dB"),
        ("0.35 * sqrt(f / 1 GHz)", "comes out as a plain number"),
        ("0.1 dB * sqrt(f / 1 ghz)", "did you mean 'GHz'?"),
        ("0.1 dBm + expected", "'dBm' is not a unit that fits here"),
        ("0.1 dB * sqrt f", "expected a bracket after sqrt at character 15, found 'f'"),
        ("(0.1 dB + expected", "expected a closing bracket"),
        ("0.1 dB 0.2 dB", "expected an operator such as + or * at character 8, found '0.2'"),
        ("exp(f) * 1 dB", "'exp' has no meaning in a limit"),
        ("0.1 dB * f ^ f", "expected a number as the power"),
        ("1 dB * 2^2^2", "needs brackets"),
        ("1 dB * 2^99", "a power above 10"),
        ("__import__('os')", "'_' has no meaning in a limit"),
        ("1 dB + [1]", "'[' has no meaning in a limit"),
        ("1e999 dB + expected", "larger than any quantity can be"),
        ("(" * (DEEPEST_NESTING + 1) + "1 dB" + ")" * (DEEPEST_NESTING + 1), "too deep"),
        ("1 dB + " * LONGEST_FORMULA, "characters is none"),
        ("", "it ends there"),
    ],
)
def test_what_is_no_limit_is_refused(text, says):
    with pytest.raises(ValueError, match=r"(?s).") as raised:
        parse(text)
    assert says in str(raised.value)


@pytest.mark.parametrize(("text", "is_hinted"), [("0,3 dB", True), ("0;3 dB", False)])
def test_a_decimal_comma_is_told(text, is_hinted):
    with pytest.raises(ValueError, match="has no meaning") as raised:
        parse(text)
    assert ("decimals have a point" in str(raised.value)) is is_hinted


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("0.1 dB - 0.1 dB * f / 1 GHz", "is -0.14 dB at 2400 MHz"),
        ("1 dB * 1 GHz / (f - 2.4 GHz)", "is -0.508"),
        ("1 dB - 1 dB * (f / f)", "is 0 dB at 433 MHz"),
        ("1 dB * (f / 1 GHz - 1)^0.5", "is nan dB at 433 MHz"),
    ],
)
def test_a_limit_is_above_zero_everywhere(text, says):
    with pytest.raises(ValueError, match="must be above 0 dB in the whole band") as raised:
        parse(text).at(FREQUENCY_HZ)
    assert says in str(raised.value)


def test_an_expected_loss_that_nobody_knows_is_missed():
    limit = parse("expected + 0.3 dB")
    with pytest.raises(ValueError, match="say in made_of"):
        limit.at(FREQUENCY_HZ)


@given(st.text(alphabet="0123456789. +-*/^()fdBGHzexpctqrs_'\"", max_size=40))
def test_any_text_is_read_or_refused(text):
    """Nothing but ValueError ever comes of it, and what is read is above 0 dB."""
    try:
        limit_db = parse(text).at(FREQUENCY_HZ, EXPECTED_DB)
    except ValueError:
        return
    assert limit_db.shape == FREQUENCY_HZ.shape
    assert np.all(limit_db > 0.0)
