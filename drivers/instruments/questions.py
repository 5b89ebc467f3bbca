"""Several questions in one message, where an instrument takes that: traces and what follows them.

IEEE 488.2-1992 has it so: questions with semicolons in between, answers likewise, and blocks of
definite length among them (6.3, 6.4 and 8.7.9, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from drivers.dialects.dialect_messages import fill
from drivers.dialects.dialect_roles import SweptDialect
from drivers.errors import AnswerError
from drivers.instruments.data_format import numbers_of_block, trace_of
from drivers.link.link import Link


def one_message(questions: Sequence[str]) -> str:
    """The questions between semicolons, each from the root of the command tree."""
    return ";".join(
        question if question.startswith(("*", ":")) else f":{question}" for question in questions
    )


def takes_traces_together(dialect: SweptDialect) -> bool:
    """Whether all traces, and the questions after a sweep, can be asked for in one message.

    Blocks say where they end; a trace in text, in parts, or selected first is asked for alone.
    """
    data = dialect.data
    alone = data.encoding == "ascii" or data.select or data.second_query or len(data.query) > 1
    return dialect.joins_questions and not alone and not dialect.sweep.idle


def ask_together(link: Link, questions: Sequence[str]) -> list[str]:
    """The answers to questions that are asked in one message.

    Raises:
        AnswerError: there are not as many.
    """
    message = one_message(questions)
    return _parted(link, message, link.query(message), len(questions))


def read_together(
    link: Link, dialect: SweptDialect, traces: Sequence[str], points: int, questions: Sequence[str]
) -> tuple[NDArray[np.complex128], list[str]]:
    """All traces, (S, P) as `read_trace` gives them, and the answers to `questions`, in one.

    Raises:
        AnswerError: a trace does not have as many numbers as the sweep has points, or there
            are not as many answers as questions.
    """
    data = dialect.data
    asked = [fill(data.query[-1], trace=data.names.get(trace, trace)) for trace in traces]
    message = one_message([*asked, *questions])
    blocks, text = link.query_blocks(message, len(asked))
    readings = [
        trace_of(link, data, question, numbers_of_block(link, data, block, question), None, points)
        for question, block in zip(asked, blocks, strict=True)
    ]
    answers = _parted(link, message, text, len(questions)) if questions else []
    return np.stack(readings), answers


def _parted(link: Link, message: str, text: str, count: int) -> list[str]:
    """`count` answers; the last may be the error queue's, whose text may hold semicolons."""
    answers = text.split(";", count - 1)
    if len(answers) != count:
        raise AnswerError(
            f"{message!r} got {len(answers)} answers instead of {count}",
            where=f"{link.resource} ({link.identity or 'not identified yet'})",
            hint="leave `joins_questions` out of the dialect if the instrument takes one question "
            "a message",
        )
    return [answer.strip() for answer in answers]
