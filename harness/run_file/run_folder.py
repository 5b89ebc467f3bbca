"""The run files of a folder."""

from __future__ import annotations

from pathlib import Path

from drivers.errors import InputError


def runs_in(folder: Path) -> list[Path]:
    """Its run files by name, which is in the order of time; drafts are none.

    Raises:
        InputError: there is none.
    """
    paths = sorted(path for path in folder.glob("*.h5") if not path.name.startswith("."))
    if not paths:
        raise InputError(
            f"there is no run file in {str(folder)!r}",
            hint="name a folder into which `tareline run` has written with --results",
        )
    return paths
