"""Sweeps recorded elsewhere: Touchstone files of versions 1.0, 1.1 and 2.0, of one or two ports.

Their text is read by `drivers.touchstone_text`, because scikit-rf (2.2.0) takes the fields of an
option line in one order only, drops rows whose frequency falls, takes normalized admittances for
impedances, and returns memory that nobody has written to for triangles of a matrix.
"""

from __future__ import annotations

import codecs
import hashlib
import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from drivers.errors import InputError
from drivers.sweep import S_PARAMETERS, Sweep
from drivers.touchstone_text import TouchstoneNumbers, read_touchstone

EDGE = 1e-9
"""Relative: a band's edge that a file has rounded still belongs to it."""
_ENTRIES = {"S11": (0, 0), "S21": (1, 0), "S12": (0, 1), "S22": (1, 1)}
_PORTS = re.compile(r"\.[sgyzh](\d+)p", re.IGNORECASE)


@dataclass(frozen=True)
class Recording:
    """What one file holds."""

    path: Path
    frequency_hz: NDArray[np.float64]
    """(F,), rising."""
    traces: tuple[str, ...]
    readings: NDArray[np.complex128]
    """(S, F), ratios of wave quantities."""
    reference_ohm: float
    remark: str
    """The first comment of the file, which often names the instrument."""
    sha256: str
    modified: float
    """Unix seconds at which the file was last written."""

    def within(self, start_hz: float, stop_hz: float, time: float) -> Sweep:
        """The file's own points from `start_hz` to `stop_hz`, both included, as a sweep."""
        low, high = start_hz * (1.0 - EDGE), stop_hz * (1.0 + EDGE)
        chosen = (self.frequency_hz >= low) & (self.frequency_hz <= high)
        return Sweep(self.frequency_hz[chosen], self.traces, self.readings[:, chosen], time)


def read_recording(path: Path, transmission: str = "S21") -> Recording:
    """Read a Touchstone file.

    `transmission` names the parameter that went through the item: S21; S12 where the ports
    were exchanged, which are then exchanged back; S11 where an instrument saved the one trace
    that it shows, whatever it was, as a file of one port.

    Raises:
        InputError: there is no such file, or it cannot be used; says what to do.
    """
    try:
        content = path.read_bytes()
        modified = path.stat().st_mtime
    except OSError as error:
        raise InputError(f"the file cannot be read: {error}", where=str(path)) from error
    text = _text_of(content, path)
    try:
        read = read_touchstone(text, _ports_of(path))
    except ValueError as error:
        foreign = "" if text.isascii() else " It has characters beyond ASCII: save it as UTF-8."
        raise InputError(
            f"this is not a Touchstone file that can be used: {error}",
            where=str(path),
            hint="save it again as .s2p (Touchstone 1.1 or 2.0), frequencies rising, and compare "
            f"the line that begins with # with `# HZ S RI R 50`.{foreign}",
        ) from error
    traces, readings = _traces(read, transmission, path)
    comments = (line.partition("!")[2].strip() for line in text.splitlines())
    return Recording(
        path=path,
        frequency_hz=read.frequency_hz,
        traces=traces,
        readings=readings,
        reference_ohm=read.reference_ohm,
        remark=next((comment for comment in comments if comment), ""),
        sha256=hashlib.sha256(content).hexdigest(),
        modified=modified,
    )


def _traces(
    read: TouchstoneNumbers, transmission: str, path: Path
) -> tuple[tuple[str, ...], NDArray[np.complex128]]:
    """Names and readings (S, F) of what a file holds."""
    s = read.s
    ports = s.shape[1]
    if ports == 1 and transmission != "S11":
        raise InputError(
            "a file of one port holds a reflection; there is no transmission in it",
            where=str(path),
            hint="save the measurement as a two-port file (.s2p). If your instrument saves the "
            "transmission it shows in this form, say so with --transmission S11",
        )
    if ports == 1:
        return ("S21",), s[:, 0, 0][np.newaxis]
    if transmission not in ("S21", "S12"):
        raise InputError(
            f"{transmission} of a two-port file is no transmission",
            where=str(path),
            hint="leave --transmission out, or name S12 where the ports were exchanged",
        )
    if transmission == "S12":
        s = s[:, ::-1, ::-1]
    names = tuple(name for name in S_PARAMETERS if read.has_both_ways or name != "S12")
    return names, np.stack([s[:, *_ENTRIES[name]] for name in names])


def _text_of(content: bytes, path: Path) -> str:
    """The text of a file; what is not UTF-8 may be Latin-1 in its comments."""
    if content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)) or b"\0" in content[:400]:
        raise InputError(
            "this text is not in UTF-8 but in UTF-16, or it is no text at all",
            where=str(path),
            hint="save it as UTF-8, or as plain ASCII, and import that",
        )
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return content.decode("latin-1")


def _ports_of(path: Path) -> int | None:
    match = _PORTS.fullmatch(path.suffix)
    return None if match is None else int(match[1])
