"""Quantities as people write them."""

from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers import quantities as q


@pytest.mark.parametrize(
    ("text", "units", "si"),
    [
        ("2.4 GHz", q.FREQUENCY_UNITS, 2.4e9),
        ("433.05MHz", q.FREQUENCY_UNITS, 433.05e6),
        ("450 mm", q.LENGTH_UNITS, 0.45),
        ("18 in", q.LENGTH_UNITS, 0.4572),  # the inch is 25.4 mm exactly
        ("1 ft", q.LENGTH_UNITS, 0.3048),
        ("-10 dBm", q.LEVEL_UNITS, -10.0),
        ("0.56 N m", q.TORQUE_UNITS, 0.56),
        ("8 in lbf", q.TORQUE_UNITS, 0.9039),  # SMA torque conversions of the trade
        ("30 min", q.TIME_UNITS, 1800.0),
        ("1e3 Hz", q.FREQUENCY_UNITS, 1000.0),
    ],
)
def test_quantities_become_si(text, units, si):
    assert q.parse_quantity(text, units, "x") == pytest.approx(si, rel=1e-4)


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("2.4", "has no unit"),
        (2.4, "has no unit"),
        ("2,4 GHz", "not a number with a unit: write '2.4 GHz'"),
        ("2.4 ghz", "did you mean 'GHz'"),
        ("2.4 V", "not a unit that fits"),
        ("", "not a number with a unit"),
        ("fast", "not a number with a unit"),
        (True, "expected a quantity"),
        (None, "expected a quantity"),
        ("nan GHz", "not a number with a unit"),
        ("1e999 GHz", "larger than any quantity"),
    ],
)
def test_what_is_not_a_frequency_says_what_would_be(text, complaint):
    with pytest.raises(ValueError, match=complaint) as raised:
        q.parse_quantity(text, q.FREQUENCY_UNITS, "2.4 GHz")
    assert "GHz" in str(raised.value)


@pytest.mark.parametrize(
    ("text", "better"),
    [
        ("4'", "4 ft"),
        ('18"', "18 in"),
        ("4 \u2032", "4 ft"),
        ("1,2 m", "1.2 m"),
        ("1,5'", "1.5 ft"),
    ],
)
def test_lengths_as_people_write_them_elsewhere(text, better):
    with pytest.raises(ValueError, match=f"write '{better}'"):
        q.parse_quantity(text, q.LENGTH_UNITS, "450 mm")


@given(st.floats(-1e200, 1e200), st.sampled_from(list(q.FREQUENCY_UNITS)))
def test_any_number_reads_back(value, unit):
    got = q.parse_quantity(f"{value!r} {unit}", q.FREQUENCY_UNITS, "x")
    assert got == value * q.FREQUENCY_UNITS[unit]


@given(st.text())
def test_any_other_text_is_a_value_error(text):
    with suppress(ValueError):
        assert isinstance(q.parse_quantity(text, q.LENGTH_UNITS, "450 mm"), float)
