"""Which software made a run."""

from __future__ import annotations

import platform
import sys
from functools import cache
from importlib.metadata import version


@cache
def software_versions() -> str:
    """Tareline and what it stands on, for the record; the same as long as a process lives."""
    parts = [f"tareline {version('tareline')}", f"Python {platform.python_version()}"]
    parts += [
        f"{name} {version(name)}" for name in ("numpy", "scipy", "h5py", "PyVISA", "PyVISA-py")
    ]
    return f"{', '.join(parts)} on {sys.platform}"
