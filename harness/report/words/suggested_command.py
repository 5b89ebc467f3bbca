"""A command that a person may want to carry out next, as it can be pasted into a shell."""

from __future__ import annotations

import shlex
from pathlib import Path

STATION = Path("station.toml")
"""Which a command takes where it names none."""


def suggested_command(*words: str | Path) -> str:
    """`tareline` with these words, each quoted as a shell needs it.

    It belongs on a line of its own: `harness.report.words.complaint` never breaks such a line.
    """
    return shlex.join(["tareline", *map(_word, words)])


def go_on(run: Path, again: tuple[str | Path, ...] = ()) -> str:
    """How to go on with a stopped run; `again` are the options that it needs once more."""
    return f"go on with it:\n{suggested_command('resume', run, *again)}"


def station_again(station: Path) -> tuple[str | Path, ...]:
    """The option that names the station, where it is not the usual one."""
    return () if station == STATION else ("--station", station)


def _word(word: str | Path) -> str:
    text = str(word)
    # a file whose name begins like an option
    return f"./{text}" if isinstance(word, Path) and text.startswith("-") else text
