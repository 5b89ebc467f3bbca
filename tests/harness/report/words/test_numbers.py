"""Rounding and wording of numbers."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.quantities import counted
from harness.report.words import numbers
from harness.run_file.run import moment

UNCERTAINTIES = st.floats(1e-6, 1e3, allow_nan=False)
LOSSES = st.floats(-200.0, 200.0, allow_nan=False)


def significant_digits(text: str) -> int:
    return len(text.replace(".", "").lstrip("0"))


@given(LOSSES, UNCERTAINTIES)
def test_two_significant_digits_and_the_same_decimal_place(value: float, u: float) -> None:
    # JCGM 100:2008, 7.2.6
    stated, _, uncertainty = numbers.with_uncertainty(value, u).partition(" ± ")
    place = numbers.last_place(u)
    step = Decimal((0, (1,), place))
    assert abs(Decimal(uncertainty) - Decimal(u)) <= step / 2
    assert abs(Decimal(stated) - Decimal(repr(value))) <= step / 2
    assert Decimal(stated) % step == 0
    if place <= 0:
        assert significant_digits(uncertainty) == 2
        assert Decimal(stated).as_tuple().exponent == Decimal(uncertainty).as_tuple().exponent
    assert 10 <= Decimal(uncertainty) / step <= 99


def test_worked_rounding_of_the_guide() -> None:
    # JCGM 100:2008, 7.2.6: 10.057 62 ohm with u = 27 mohm is 10.058 ohm; 28.05 is 28.
    assert numbers.with_uncertainty(10.05762, 0.027) == "10.058 ± 0.027"
    assert numbers.two_digits(28.05) == "28"


@pytest.mark.parametrize(
    ("value", "u", "shown"),
    [
        (0.31249, 0.0807, "0.312 ± 0.081"),
        (0.31249, 0.0996, "0.31 ± 0.10"),
        (1.0, 0.0023, "1.0000 ± 0.0023"),
        (1234.0, 123.0, "1230 ± 120"),
        (-0.0001, 0.05, "0.000 ± 0.050"),
        (-2.25, 1.2, "-2.3 ± 1.2"),
        (0.3, float("inf"), "0.300, U unknown"),
        (0.3, 0.0, "0.300, U unknown"),
        (float("nan"), 0.1, "unknown"),
    ],
)
def test_results_with_their_uncertainty(value: float, u: float, shown: str) -> None:
    assert numbers.with_uncertainty(value, u) == shown


@given(LOSSES, UNCERTAINTIES)
def test_interval_adds_up_with_what_is_shown(value: float, u: float) -> None:
    stated, _, uncertainty = numbers.with_uncertainty(value, u).partition(" ± ")
    low, high = numbers.interval(value, u)
    assert Decimal(low) + Decimal(uncertainty) == Decimal(stated)
    assert Decimal(high) - Decimal(uncertainty) == Decimal(stated)


@pytest.mark.parametrize("u", [0.0, -1.0, float("nan"), float("inf")])
def test_no_last_place_without_an_uncertainty(u: float) -> None:
    with pytest.raises(ValueError, match="no significant digits"):
        numbers.last_place(u)


@given(st.integers(0, 200_000), UNCERTAINTIES)
def test_a_limit_is_never_cut(ten_thousandths: int, u: float) -> None:
    stated = Decimal(ten_thousandths).scaleb(-4)
    assert Decimal(numbers.limit(float(stated), u)) == stated


def test_limit_and_margin_follow_the_result() -> None:
    assert numbers.limit(0.9, 0.081) == "0.900"
    assert numbers.limit(0.8734, 1.2) == "0.8734"
    assert numbers.signed(0.5877, 0.081) == "+0.588"
    assert numbers.signed(-0.5877, 0.081) == "-0.588"
    assert numbers.signed(0.0001, 0.081) == "0.000"


@pytest.mark.parametrize(
    ("lowest", "highest", "shown"),
    [
        (433.05e6, 434.79e6, "433.05–434.79 MHz"),
        (1.610e9, 1.6265e9, "1.61–1.6265 GHz"),
        (863e6, 863e6, "863 MHz"),
        (900e6, 1.1e9, "0.9–1.1 GHz"),
    ],
)
def test_spans(lowest: float, highest: float, shown: str) -> None:
    assert numbers.frequency_span(lowest, highest) == shown


def test_degrees_of_freedom() -> None:
    # JCGM 100:2008, G.4.1: truncated to the next lower integer for the table.
    assert numbers.degrees_of_freedom(14.9) == "14"
    assert numbers.degrees_of_freedom(4.0) == "4"
    assert numbers.degrees_of_freedom(8.06) == "8.1"
    assert numbers.degrees_of_freedom(float("inf")) == "∞"


@given(st.floats(0.0, 1.0))
def test_a_probability_is_never_shown_as_certain(value: float) -> None:
    assert numbers.probability(value) not in {"100 %", "100.0 %", "100.00 %", "0.0 %", "0.00 %"}


def test_times() -> None:
    assert numbers.clock("2026-03-02T09:14:05+01:00") == "2026-03-02 09:14:05 UTC+01:00"
    assert numbers.clock("yesterday") == "yesterday"
    start = moment("2026-03-02T09:14:05+01:00")
    assert start is not None
    shown = numbers.clock_of_unix(start.timestamp(), start.tzinfo)
    assert shown == "2026-03-02 09:14:05 UTC+01:00"
    assert numbers.clock_of_unix(float("inf"), None) == "unknown"
    assert numbers.clock_of_unix(1e30, None).endswith("(Unix)")
    assert numbers.duration(7500) == "2 h 05 min"
    assert numbers.duration(845) == "14 min 05 s"


def test_typesetting_touches_only_signs_and_units() -> None:
    assert numbers.typeset("-10 dBm") == "\u221210\u00a0dBm"
    assert numbers.typeset("-0.2 dB") == "\u22120.2\u00a0dB"
    assert numbers.typeset("0.3 ± 0.1 dB") == "0.3\u00a0±\u00a00.1\u00a0dB"
    assert numbers.typeset("risk: < 0.01 %") == "risk:\u00a0<\u00a00.01\u00a0%"
    assert numbers.typeset("E_n = -0.3; so") == "E_n\u00a0=\u00a0\u22120.3; so"
    assert numbers.typeset("PIG-0451 2026-03-02 scpi-99") == "PIG-0451 2026-03-02 scpi-99"


@pytest.mark.parametrize(
    ("count", "told"), [(0, "0 runs"), (1, "1 run"), (2, "2 runs"), (1200, "1,200 runs")]
)
def test_a_count_agrees_with_its_noun(count: int, told: str) -> None:
    assert counted(count, "run") == told


@given(st.text())
def test_printable_text_has_no_control_characters(text: str) -> None:
    shown = numbers.printable(text)
    assert len(shown) == len(text)
    assert not any(ord(sign) < 32 or 127 <= ord(sign) < 160 for sign in shown)
