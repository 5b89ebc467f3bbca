"""`tareline verify`: are run files what they were when they were written?"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from harness.commands.named_runs import RunsOrFolders, run_files

if TYPE_CHECKING:
    from collections.abc import Iterator

    from harness.evaluation.verification import Verification

EXIT_ALL_AGREE, EXIT_NOT_ALL_AGREE = 0, 1
WIDTH = 78


def verify(
    runs: RunsOrFolders,
    as_json: Annotated[bool, typer.Option("--json", help="JSON instead of lines.")] = False,
) -> None:
    """Check run files: structure, hashes, and the analysis made anew from the readings.

    Exit status 0 if all agree, 1 if one is damaged or disagrees or has no hashes to show that it
    is as it was written, 2 if one is no run file.
    """
    import json

    from drivers.errors import InputError
    from harness.evaluation import verification

    found, refused = [], []
    for path in run_files(runs):
        try:
            found.append(verification.verify(path))
        except InputError as error:
            refused.append(error)
            continue
        if not as_json:
            for line in _lines(found[-1]):
                typer.echo(line)
    if as_json:
        typer.echo(json.dumps(verification.as_json(found), allow_nan=False, ensure_ascii=False))
    if refused:
        raise refused[0]
    wrong = any(one.state in ("wrong", "unproven") for one in found)
    raise typer.Exit(EXIT_NOT_ALL_AGREE if wrong else EXIT_ALL_AGREE)


def _lines(found: Verification) -> Iterator[str]:
    import textwrap

    # a path is never broken
    yield from textwrap.wrap(
        f"{found.path}: {_summary(found)}", WIDTH, subsequent_indent="    ",
        break_long_words=False, break_on_hyphens=False,
    )  # fmt: skip
    for text in (*found.problems, *found.notes):
        yield from textwrap.wrap(
            text, WIDTH, initial_indent="  ", subsequent_indent="    ", break_long_words=False,
            break_on_hyphens=False,
        )  # fmt: skip


def _summary(found: Verification) -> str:
    held = (
        f"{found.item_sweeps} {_plural(found.item_sweeps, 'sweep')} of the item, "
        f"{found.through_sweeps} of the through"
    )
    if found.state == "wrong":
        return "WRONG"
    if found.state == "unfinished":
        return f"not finished; whole are {held}, {found.events} {_plural(found.events, 'event')}"
    if found.state == "unproven":
        return f"unproven; {held}"
    return f"good; {held}, all as written"


def _plural(count: int, word: str) -> str:
    return word if count == 1 else f"{word}s"
