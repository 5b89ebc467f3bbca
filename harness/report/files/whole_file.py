"""Files that appear whole or not at all."""

from __future__ import annotations

import os
import secrets
from pathlib import Path


def write_whole(text: str, path: Path, *, encoding: str = "utf-8") -> None:
    """Write `text` to `path`, line ends as they are; what stood there is replaced.

    Raises:
        OSError: the folder cannot be written to; what stood at `path` is as it was.
    """
    part = path.with_name(f".{path.name}.{secrets.token_hex(8)}.part")
    try:
        with part.open("x", encoding=encoding, newline="") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        os.replace(part, path)
    finally:
        part.unlink(missing_ok=True)
