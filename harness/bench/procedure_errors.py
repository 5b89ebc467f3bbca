"""What is wrong with a procedure: what it asks for too early, and whatever it raises."""

from __future__ import annotations

import traceback
from collections.abc import Iterator
from contextlib import contextmanager

from drivers.errors import InputError, ProcedureError, TarelineError
from harness.bench.operator_lines import Asked


@contextmanager
def in_rehearsal(name: str) -> Iterator[None]:
    """A section that goes through the procedure `name` before anything is connected.

    Raises:
        InputError: instead of whatever it raises that is no error of Tareline's own.
    """
    try:
        yield
    except TarelineError:
        raise
    except (Exception, SystemExit) as error:  # a person's own procedure may raise anything
        raise InputError(
            f"the procedure {name!r} failed in rehearsal, before anything was connected: "
            f"{type(error).__name__}: {error}",
            where=_place(error),
        ) from error


@contextmanager
def in_earnest(name: str) -> Iterator[None]:
    """A section that carries the procedure `name` out.

    Raises:
        ProcedureError: instead of whatever it raises that is no error of Tareline's own, nor what
            an operator asked for.
    """
    try:
        yield
    except (TarelineError, Asked):
        raise
    except (Exception, SystemExit) as error:  # a person's own procedure may raise anything
        raise ProcedureError(
            f"the procedure {name!r} failed: {type(error).__name__}: {error}",
            where=_place(error),
            hint="RF is off and finished sweeps are kept; mend the procedure",
        ) from error


def require_positive(count: int, what: str) -> None:
    """Check how many a procedure asks for.

    Raises:
        InputError: fewer than one.
    """
    if count < 1:
        raise InputError(f"{count} {what} were asked for", hint="ask for at least 1")


def not_inserted() -> InputError:
    """The error of a procedure that sweeps too early."""
    return InputError(
        "the procedure sweeps while nothing is inserted",
        hint="call bench.sweep() in the body of `for _ in bench.insertions(n):`",
    )


def not_normalized(call: str) -> InputError:
    """The error of a procedure that calls something too early."""
    return InputError(
        f"the procedure calls {call} before the station is normalized",
        hint="begin with bench.normalize()",
    )


def _place(error: BaseException) -> str:
    """File and line that raised."""
    last = traceback.extract_tb(error.__traceback__)[-1]
    return f"{last.filename}, line {last.lineno}"
