"""Files under way beside a run file, which get its name once they are whole.

Their names cannot be foreseen, and each is made new: what somebody put there before, such as a link
to another file, is never written to. A killed process leaves its drafts; whoever makes one next
takes such leftovers away.
"""

from __future__ import annotations

import os
import re
import secrets
import stat
import time
from contextlib import suppress
from pathlib import Path
from typing import Literal

from drivers.errors import InputError
from harness.run_file.writer_lock import lock

Purpose = Literal["new", "taking-up", "finishing", "amending"]
_NAME = re.compile(r"\..+\.h5(\.(new|taking-up|finishing|amending)(-[0-9a-f]{16})?)+")
"""Earlier versions took no random digits."""
LEFT_BEHIND_S = 3600.0
"""What nobody wrote to for so long, and nobody has locked, is nobody's any more."""


def draft_of(path: Path, purpose: Purpose) -> Path:
    """A name beside `path` for a draft, to be opened exclusively (`x`).

    Raises:
        InputError: `path` is a link, whose place the draft would take.
    """
    if path.is_symlink():
        raise InputError(
            f"{str(path)!r} is a link, and nothing is written in its place",
            hint="name the file that it leads to",
        )
    _clear(path.parent)
    return path.with_name(f".{path.name}.{purpose}-{secrets.token_hex(8)}")


def _clear(folder: Path) -> None:
    for each in folder.glob(".*.h5.*"):
        # what is gone, or may not be opened, is not there to be cleared
        with suppress(OSError):
            if _NAME.fullmatch(each.name) and _is_left_behind(each):
                each.unlink()


def _is_left_behind(path: Path) -> bool:
    """Raises OSError where another has locked it, or where it is none of ours to open."""
    handle = os.open(path, os.O_RDWR | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        status = os.fstat(handle)
        if not stat.S_ISREG(status.st_mode) or status.st_uid != os.geteuid():
            return False
        lock(handle)
        return time.time() - status.st_mtime > LEFT_BEHIND_S
    finally:
        os.close(handle)
