"""The runs that a person names on the command line: files, and folders with all that is in them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from harness.run_file.run import Run

RunsOrFolders = Annotated[
    list[Path],
    typer.Argument(metavar="RUN|FOLDER", help="Run files (.h5), or folders with all in them."),
]


def run_files(named: Sequence[Path]) -> list[Path]:
    """The files, those of a folder in its place.

    Raises:
        InputError: there is no run file in a folder.
    """
    from harness.run_file.run_folder import runs_in

    found: list[Path] = []
    for path in named:
        found += runs_in(path) if path.is_dir() else [path]
    return found


def finished_runs(named: Sequence[Path]) -> list[Run]:
    """The finished runs, read; of the others it is said on standard error that they are left out.

    Raises:
        InputError: none is finished, or one cannot be read.
    """
    from drivers.errors import InputError
    from harness.evaluation.read_back import read_run
    from harness.report.words.suggested_command import go_on

    runs = [read_run(path) for path in run_files(named)]
    finished = [run for run in runs if run.bands]
    unfinished = [run.path for run in runs if not run.bands]
    if not finished:
        raise InputError(
            "the run is not finished: it states no result yet"
            if len(runs) == 1
            else f"none of the {len(runs)} runs is finished: they state no result yet",
            where=str(unfinished[0]),
            hint=go_on(unfinished[0]),
        )
    tell_left_out(unfinished)
    return finished


def trusted_runs(named: Sequence[Path]) -> list[Run]:
    """The finished runs whose figures count; of those that are to be measured again it is said on
    standard error that they are left out.

    Raises:
        InputError: none is left, or one cannot be read.
    """
    return without_wanted_again(finished_runs(named))


def without_wanted_again(runs: Sequence[Run]) -> list[Run]:
    """Those whose figures count; of the others it is said on standard error that they are left
    out.

    Raises:
        InputError: none is left.
    """
    from drivers.errors import InputError

    trusted = [run for run in runs if not run.wanted_again]
    if not trusted:
        raise InputError(
            f"to be measured again: {runs[0].wanted_again}",
            where=str(runs[0].path),
            hint="measure the item again",
        )
    for run in runs:
        if run.wanted_again:
            typer.echo(f"left out, to be measured again: {run.path}", err=True)
    return trusted


def tell_left_out(unfinished: Sequence[Path]) -> None:
    """Say on standard error which runs are not finished."""
    for path in unfinished:
        typer.echo(f"left out, not finished: {path}", err=True)
