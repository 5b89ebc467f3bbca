"""Events as people read them."""

from __future__ import annotations

import pytest

from drivers.errors import RefusedError, SilentError
from harness.report.words.event_words import event_text


def as_recorded(error: BaseException) -> str:
    """What the run file holds of an error."""
    return f"{type(error).__name__}: {error}"


def test_an_error_is_told_in_one_line_without_its_class() -> None:
    error = SilentError("no answer within 5 s", where="TCPIP0::1", hint="is it on? Look")
    assert event_text(as_recorded(error)) == (
        "no answer within 5 s. Where: TCPIP0::1. Try: is it on? Look"
    )


def test_what_was_tried_later_stays() -> None:
    error = RefusedError("-222: data out of range")
    assert event_text(f"{as_recorded(error)}; RF is off") == "-222: data out of range; RF is off"


@pytest.mark.parametrize(
    ("recorded", "shown"),
    [
        ("MemoryError: ", "something unforeseen (MemoryError)"),
        ("ValueError: no band", "something unforeseen (ValueError): no band"),
        ("by SIGTERM", "by SIGTERM"),
        ("starting afresh after: sent '*IDN?'", "starting afresh after: sent '*IDN?'"),
        ("", ""),
    ],
)
def test_other_texts(recorded: str, shown: str) -> None:
    assert event_text(recorded) == shown
