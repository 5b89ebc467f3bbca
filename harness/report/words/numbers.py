"""Numbers as people read them: results with their uncertainty, decibels, frequencies, times.

Everything here is pure and returns plain text with the ASCII hyphen for a minus sign;
`typeset` turns it into the typographic one where the medium is sure to show it.
"""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime, tzinfo
from decimal import ROUND_HALF_UP, Context, Decimal

from harness.analysis.uncertainty.budget import COVERAGE_PROBABILITY

CONFIDENCE = f"{100 * COVERAGE_PROBABILITY:.2f} %"
"""Of every interval that is shown."""
_UNKNOWN = "unknown"
_PLAIN_DECIBEL_PLACES = 3
_LIMIT_PLACES = 4
_MILLIDECIBEL_BELOW_DB = 0.1


def last_place(uncertainty: float) -> int:
    """Power of ten of the second significant digit of `uncertainty`, after rounding.

    JCGM 100:2008, 7.2.6: at most two significant digits are usually enough, and the
    estimate is rounded to be consistent with its uncertainty. 0.0996 becomes 0.10, so its
    last place is -2, not -3.

    Raises:
        ValueError: the uncertainty is not finite or not positive.
    """
    if not (math.isfinite(uncertainty) and uncertainty > 0.0):
        raise ValueError(f"an uncertainty of {uncertainty} has no significant digits")
    exact = Decimal(repr(uncertainty))
    place = exact.adjusted() - 1
    return _round(exact, place).adjusted() - 1


def rounded(value: float, place: int) -> str:
    """`value` rounded, halves away from zero, to the decimal `place` (-3 is thousandths).

    A value that is not finite is called unknown; a zero has no sign.
    """
    if not math.isfinite(value):
        return _UNKNOWN
    result = _round(Decimal(repr(value)), place)
    return f"{abs(result) if result == 0 else result:f}"


def with_uncertainty(value: float, expanded_uncertainty: float) -> str:
    """`0.312 ± 0.081`: U to two significant digits, the value to the same decimal place.

    Without a usable uncertainty the value stands alone with the words "U unknown", so
    that nobody takes it for exact.
    """
    if not math.isfinite(value):
        return _UNKNOWN
    if not (math.isfinite(expanded_uncertainty) and expanded_uncertainty > 0.0):
        return f"{rounded(value, -_PLAIN_DECIBEL_PLACES)}, U unknown"
    place = last_place(expanded_uncertainty)
    return f"{rounded(value, place)} ± {rounded(expanded_uncertainty, place)}"


def interval(value: float, expanded_uncertainty: float) -> tuple[str, str]:
    """Ends of value ± U from the two as `with_uncertainty` shows them, so that they add up.

    Raises:
        ValueError: the uncertainty is not finite or not positive.
    """
    place = last_place(expanded_uncertainty)
    if not math.isfinite(value):
        return _UNKNOWN, _UNKNOWN
    centre = _round(Decimal(repr(value)), place)
    half = _round(Decimal(repr(expanded_uncertainty)), place)
    ends = [centre - half, centre + half]
    low, high = (f"{abs(end) if end == 0 else end:f}" for end in ends)
    return low, high


def companion(value: float, expanded_uncertainty: float) -> str:
    """`value` to the decimal place that `expanded_uncertainty` allows."""
    return rounded(value, _place_or_default(expanded_uncertainty))


def signed(value: float, expanded_uncertainty: float) -> str:
    """As `companion`, with a plus sign before a positive value."""
    text = companion(value, expanded_uncertainty)
    return f"+{text}" if value > 0.0 and Decimal(text) != 0 else text


def limit(value: float, expanded_uncertainty: float) -> str:
    """A limit in dB: never cut shorter than it was stated (to 0.0001 dB), nor than the result."""
    if not math.isfinite(value):
        return _UNKNOWN
    stated = _round(Decimal(repr(value)), -_LIMIT_PLACES).normalize()
    exponent = stated.as_tuple().exponent
    places = -exponent if isinstance(exponent, int) else 0
    return rounded(value, -max(places, -_place_or_default(expanded_uncertainty), 0))


def two_digits(value: float) -> str:
    """A standard uncertainty to two significant digits; zero is `0`."""
    if value == 0.0:
        return "0"
    if not (math.isfinite(value) and value > 0.0):
        return _UNKNOWN
    return rounded(value, last_place(value))


def degrees_of_freedom(dof: float) -> str:
    """Whole part of the degrees of freedom, the sign for infinity where they are infinite.

    Truncated, as JCGM 100:2008, G.4.1 does before entering table G.2.
    """
    if math.isnan(dof):
        return _UNKNOWN
    if math.isinf(dof):
        return "∞"
    return f"{dof:.1f}" if dof < 10 and not dof.is_integer() else str(math.floor(dof))


def probability(value: float) -> str:
    """A probability in percent, never shown as certain: `> 99.99 %` at most."""
    if math.isnan(value):
        return _UNKNOWN
    percent = 100.0 * value
    if percent > 99.99:
        return "> 99.99 %"
    if percent < 0.01:
        return "< 0.01 %"
    return f"{percent:.2f} %" if percent > 99 or percent < 1 else f"{percent:.1f} %"


def decibel_scale(largest_db: float) -> tuple[float, str]:
    """Factor and unit for plotting changes: (1000, "mdB") when all are small, else (1, "dB")."""
    return (1e3, "mdB") if abs(largest_db) < _MILLIDECIBEL_BELOW_DB else (1.0, "dB")


def frequency(frequency_hz: float) -> str:
    """`434.79 MHz`: SI prefix, no trailing zeros, to the hertz in practice."""
    from quantiphy import Quantity

    return str(Quantity(frequency_hz, "Hz").render(prec=9))


def frequency_scale(highest_hz: float) -> tuple[float, str]:
    """Divisor and unit that keep `highest_hz` between 1 and 1000, from Hz to GHz."""
    scales = ((1e9, "GHz"), (1e6, "MHz"), (1e3, "kHz"))
    return next((scale for scale in scales if abs(highest_hz) >= scale[0]), (1.0, "Hz"))


def frequency_span(lowest_hz: float, highest_hz: float) -> str:
    """`433.05–434.79 MHz`: both ends in the unit of the higher one."""
    if lowest_hz == highest_hz:
        return frequency(lowest_hz)
    divisor, unit = frequency_scale(highest_hz)
    return f"{lowest_hz / divisor:.10g}–{highest_hz / divisor:.10g} {unit}"


def duration(seconds: float) -> str:
    """`2 h 05 min`, `14 min 05 s`, `38 s`."""
    whole = round(max(seconds, 0.0))
    hours, rest = divmod(whole, 3600)
    minutes, remaining = divmod(rest, 60)
    if hours:
        return f"{hours} h {minutes:02d} min"
    return f"{minutes} min {remaining:02d} s" if minutes else f"{remaining} s"


def clock(stamp: str) -> str:
    """`2026-03-02 09:14:05 UTC+01:00` from an ISO 8601 stamp; unreadable ones as they are."""
    # whoever shows no run needs no run files
    from harness.run_file.run import moment

    parsed = moment(stamp)
    return stamp if parsed is None else _clock(parsed)


def clock_of_unix(seconds: float, zone: tzinfo | None) -> str:
    """The same form from Unix seconds, in `zone` or else in UTC."""
    if not math.isfinite(seconds):
        return _UNKNOWN
    try:
        return _clock(datetime.fromtimestamp(seconds, zone or UTC))
    except (OverflowError, ValueError, OSError):
        return f"{seconds:.0f} s (Unix)"


def printable(text: str) -> str:
    """`text` with control characters, line ends and lone surrogates replaced by a visible mark."""
    return re.sub(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff\ufffe\uffff]", "\ufffd", text)


def typeset(text: str) -> str:
    """True minus signs before numbers, and no line break between a number and its unit or sign."""
    signed_text = re.sub(r"(?<![\w.-])-(?=\d)", "\u2212", text)
    return re.sub(
        r" (?=± )|(?<=±) |(?<=\d) (?=(?:[a-zA-ZµΩ°%]{1,3})(?![\w]))"
        r"|(?<=[=<>]) (?=[\d\u2212])| (?=[=<>] [\d\u2212])",
        "\u00a0",
        signed_text,
    )


def _place_or_default(uncertainty: float) -> int:
    usable = math.isfinite(uncertainty) and uncertainty > 0.0
    return last_place(uncertainty) if usable else -_PLAIN_DECIBEL_PLACES


def _round(exact: Decimal, place: int) -> Decimal:
    # The default context stops at 28 digits, fewer than a float at 0.0001 dB may have.
    return exact.quantize(Decimal((0, (1,), place)), ROUND_HALF_UP, Context(prec=800))


def _clock(when: datetime) -> str:
    offset = when.strftime("%z")
    zone = "UTC" if offset in ("", "+0000") else f"UTC{offset[:3]}:{offset[3:5]}"
    return f"{when:%Y-%m-%d %H:%M:%S} {zone}"
