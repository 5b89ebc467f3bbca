"""The files that a new station starts from."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

from drivers.errors import InputError, UnwritableError

NAMES = (
    "station.toml",
    "items.toml",
    "simulated-bench.toml",
    "lot-7.txt",
    "certificate.toml",
)


def write_starter(folder: Path) -> list[Path]:
    """Write the starting files into `folder`, which is made if need be; overwrites nothing.

    Raises:
        InputError: one of the files is already there.
        UnwritableError: the folder cannot be written.
    """
    there = [name for name in NAMES if (folder / name).exists()]
    if there:
        raise InputError(
            f"{str(folder)!r} already has {', '.join(there)}; nothing was written",
            hint="choose another folder",
        )
    source = resources.files("harness.station") / "starter"
    written = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name in NAMES:
            path = folder / name
            path.write_text((source / name).read_text("utf-8"), "utf-8")
            written.append(path)
    except OSError as error:
        raise UnwritableError(folder, error) from error
    return written
