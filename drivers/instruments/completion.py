"""Waiting until an instrument has done what it was told: one place for every way of telling.

The shipped dialects sleep for the sweep's own time and then poll `*ESR?`, rather than wait in
`*OPC?`: at Ctrl-C RF has to go off, and no answer may be outstanding on the link then.
"""

from __future__ import annotations

import time

from drivers.dialects.dialect_tables import (
    Completion,
    EventStatusBit,
    OperationCompleteQuery,
    StatusConditionBit,
    Wait,
)
from drivers.errors import AnswerError, LinkError
from drivers.link.link import Link
from drivers.stop_signals import sleep

FIRST_POLL_S = 0.0002
POLLS_GROW_BY = 1.5
LONGEST_POLL_S = 0.05


def forget_earlier(link: Link, completion: Completion) -> None:
    """Take away what an earlier operation may have left in a register that is read once."""
    if isinstance(completion, EventStatusBit):
        link.query_number(completion.query)


def await_completion(link: Link, completion: Completion, expected_s: float, doing: str) -> None:
    """Return when what was started is done; `expected_s` is how long it should take.

    Raises:
        LinkError: it was not done `link.timeout_s` after that; `doing` says what.
        AnswerError: the answer is none that can be given.
    """
    if isinstance(completion, Wait):
        sleep(expected_s + completion.time_s)
    elif isinstance(completion, OperationCompleteQuery):
        answer = link.query(completion.query, timeout_s=expected_s + link.timeout_s)
        if answer not in completion.answers:
            raise AnswerError(
                f"{completion.query!r} answers {answer!r}; expected "
                f"{' or '.join(map(repr, completion.answers))}",
                where=_where(link),
                hint="check `completion` in the dialect",
            )
    else:
        _poll(link, completion, expected_s, doing)


def _poll(
    link: Link, completion: EventStatusBit | StatusConditionBit, expected_s: float, doing: str
) -> None:
    """Sleep for the expected time, then ask at growing intervals; can be interrupted."""
    waits_for_start = isinstance(completion, StatusConditionBit) and completion.busy_first
    if waits_for_start and not _comes(link, completion, False, 0.0):
        raise LinkError(
            f"{doing} was not seen to begin within {link.timeout_s:g} s: the instrument stayed "
            "idle",
            where=_where(link),
            hint="check the trigger source on the front panel (it must be internal); if the sweep "
            "is over before it can be asked for, leave `busy_first` out of the dialect",
        )
    if not _comes(link, completion, True, expected_s):
        raise LinkError(
            f"{doing} that should take {expected_s:g} s was not finished after "
            f"{expected_s + link.timeout_s:g} s",
            where=_where(link),
            hint="check the trigger source on the front panel (it must be internal), and "
            "`completion` in the dialect",
        )


def _comes(
    link: Link, completion: EventStatusBit | StatusConditionBit, done: bool, expected_s: float
) -> bool:
    """Whether the instrument says that it is done, or (`done` False) that it is busy, in time."""
    deadline = time.monotonic() + expected_s + link.timeout_s
    pause_s = expected_s if expected_s > FIRST_POLL_S else 0.0
    poll_s = FIRST_POLL_S
    while True:
        if pause_s > 0.0:
            sleep(pause_s)
        if _is_done(link, completion) is done:
            return True
        if time.monotonic() > deadline:
            return False
        pause_s, poll_s = poll_s, min(POLLS_GROW_BY * poll_s, LONGEST_POLL_S)


def _is_done(link: Link, completion: EventStatusBit | StatusConditionBit) -> bool:
    bit = bit_of(link, completion.query, completion.bit)
    return not bit if _done_when_clear(completion) else bit


def _done_when_clear(completion: EventStatusBit | StatusConditionBit) -> bool:
    return isinstance(completion, StatusConditionBit) and completion.done_when == "clear"


def bit_of(link: Link, query: str, bit: int) -> bool:
    """Ask for one bit of a register; see `bit_in`."""
    return bit_in(link, query, link.query(query), bit)


def bit_in(link: Link, query: str, answer: str, bit: int) -> bool:
    """One bit of the register that was answered.

    Raises:
        AnswerError: the answer is no whole number.
    """
    text = answer.strip().removeprefix("+")
    try:
        return bool(int(text if text.isdigit() else float(text)) >> bit & 1)
    except (ValueError, OverflowError):
        raise AnswerError(
            f"{query!r} answers {answer!r}; expected the whole number of a register",
            where=_where(link),
            hint="check in the dialect which register is asked",
        ) from None


def _where(link: Link) -> str:
    return f"{link.resource} ({link.identity or 'not identified yet'})"
