"""Whether the settings in force are still those that were set up, once sweeps have been made.

Somebody at the front panel, another program, or an instrument that started again without the
link being lost change them without a word; readings made since then are those of another band.
"""

from __future__ import annotations

from collections.abc import Sequence

from drivers.errors import AnswerError
from drivers.sweep import SuspectSweepError, Sweep


def require_unchanged(differences: Sequence[str], last: Sweep | None, where: str) -> None:
    """Raise where settings in force differ from those set up; `last` is the latest sweep, if any.

    Raises:
        SuspectSweepError: they differ; carries `last`.
        AnswerError: they differ, and nothing was swept yet.
    """
    if not differences:
        return
    what = f"settings are not what they were set to any more: {'; '.join(differences)}"
    hint = (
        "leave the front panel alone while it measures, and see that no other program uses the "
        "instrument and that its supply is sound: it may have started again by itself"
    )
    if last is None:
        raise AnswerError(what, where=where, hint=hint)
    raise SuspectSweepError(what, last, where=where, hint=hint)
