"""A finished run that gets more readings, and is finished anew."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from drivers.errors import InputError
from harness.run_file.drafts import draft_of
from harness.run_file.journal import RunJournal
from harness.run_file.opening import open_run
from harness.run_file.publishing import disk, replace
from harness.run_file.schema import Group, read_header
from harness.run_file.taking_up import copy_whole


def amend_run(
    path: Path, amend: Callable[[RunJournal], None], finish: Callable[[Path], None]
) -> None:
    """Have `amend` put more into a copy of a finished run, and `finish` evaluate that anew.

    The copy then takes the file's place: at every moment the old or the new one is there, and
    both are finished.

    Raises:
        InputError: the run is not finished, damaged, or not a run file of this version.
        RunFileError: the disk refused; the file stands as it was.
    """
    draft = draft_of(path, "amending")

    def fill(new: Group) -> None:
        copy_whole(path, old, new)
        new.attrs["finished"] = ""

    try:
        with open_run(path) as old:
            if not read_header(old).finished:
                raise InputError(
                    f"{str(path)!r} is not finished, so it cannot be amended",
                    hint="measure the item again",
                )
            journal = RunJournal.in_place_of(
                draft, draft_of(draft, "new"), fill, replace, path.stat().st_size
            )
        try:
            amend(journal)
        finally:
            journal.close()
        finish(draft)
        with disk(path):
            replace(draft, path)
    finally:
        draft.unlink(missing_ok=True)
