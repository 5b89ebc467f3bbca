"""What a person's own procedure raises, told as an error with its place."""

from __future__ import annotations

import traceback
from collections.abc import Iterator
from contextlib import contextmanager

from drivers.errors import InputError, ProcedureError, TarelineError


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
        ProcedureError: instead of whatever it raises that is no error of Tareline's own.
    """
    try:
        yield
    except TarelineError:
        raise
    except (Exception, SystemExit) as error:  # a person's own procedure may raise anything
        raise ProcedureError(
            f"the procedure {name!r} failed: {type(error).__name__}: {error}",
            where=_place(error),
            hint="RF is off and finished sweeps are kept; mend the procedure",
        ) from error


def _place(error: BaseException) -> str:
    """File and line that raised."""
    last = traceback.extract_tb(error.__traceback__)[-1]
    return f"{last.filename}, line {last.lineno}"
