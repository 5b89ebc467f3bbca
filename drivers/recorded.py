"""Sweeps recorded elsewhere: Touchstone files of versions 1.0, 1.1 and 2.0, of one or two ports.

Touchstone File Format Specification, version 2.0 (IBIS Open Forum, 2009), from memory. The
numbers are read by scikit-rf; option line, shape and normalization are seen to here, because
scikit-rf takes the fields of an option line in one order only, drops rows whose frequency falls,
and takes normalized admittances for impedances (2.2.0).
"""

from __future__ import annotations

import hashlib
import io
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from drivers.errors import InputError
from drivers.sweep import S_PARAMETERS, Sweep

UNITS = ("HZ", "KHZ", "MHZ", "GHZ")
PARAMETERS = ("S", "Y", "Z", "G", "H")
FORMATS = ("DB", "MA", "RI")
EDGE = 1e-9
"""Relative: a band's edge that a file has rounded still belongs to it."""
NUMBERS_IN_A_ROW = {1: 3, 2: 9}
NUMBERS_OF_NOISE = 5
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


@dataclass(frozen=True)
class _Options:
    """An option line. Version 1 normalizes all parameters to the reference resistance."""

    unit: str = "GHZ"
    parameter: str = "S"
    format: str = "MA"
    resistance: str = "50"


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
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = content.decode("latin-1")
    try:
        frequency_hz, s, reference_ohm = _parsed(text, path)
    except (ValueError, IndexError, TypeError, AttributeError, EOFError) as error:
        # scikit-rf checks little: what is wrong with a file comes out as any of these
        raise InputError(
            f"this is not a Touchstone file that can be used: {error}",
            where=str(path),
            hint="save it again as .s2p (Touchstone 1.1 or 2.0), frequencies rising, and compare "
            "the line that begins with # with `# HZ S RI R 50`",
        ) from error
    traces, readings = _traces(s, transmission, path)
    comments = (line.partition("!")[2].strip() for line in text.splitlines())
    return Recording(
        path=path,
        frequency_hz=frequency_hz,
        traces=traces,
        readings=readings,
        reference_ohm=reference_ohm,
        remark=next((comment for comment in comments if comment), ""),
        sha256=hashlib.sha256(content).hexdigest(),
        modified=modified,
    )


def _traces(
    s: NDArray[np.complex128], transmission: str, path: Path
) -> tuple[tuple[str, ...], NDArray[np.complex128]]:
    """Names and readings (S, F) of the matrices (F, N, N)."""
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
    return S_PARAMETERS, np.stack([s[:, *_ENTRIES[name]] for name in S_PARAMETERS])


def _parsed(text: str, path: Path) -> tuple[NDArray[np.float64], NDArray[np.complex128], float]:
    """Frequencies (F,), scattering parameters (F, N, N) and reference resistance of a file."""
    from skrf import network
    from skrf.io.touchstone import Touchstone

    stripped = (line.partition("!")[0].strip() for line in text.splitlines())
    lines = [line for line in stripped if line]
    keyword_lines = [line.lower() for line in lines if line.startswith("[")]
    is_second = any(line.startswith("[version] 2") for line in keyword_lines)
    if any(line.startswith("[mixed-mode order]") for line in keyword_lines):
        raise ValueError("it holds mixed-mode parameters, not those of single ports")
    at = [index for index, line in enumerate(lines) if line.startswith("#")]
    options = _option_line(lines[at[0]]) if at else _Options()
    if not is_second:
        lines = _checked_rows([line for line in lines if line[0] not in "#["], path)
        at = [0]
        lines.insert(0, "")
    elif not at:
        raise ValueError("the option line, which begins with #, is missing")
    # the parameters are converted below, with the normalization that they have
    lines[at[0]] = f"# {options.unit} S {options.format} R {options.resistance}"
    stream = io.StringIO("\n".join(lines) + "\n")
    stream.name = "recording.ts" if is_second else f"recording.s{_port_count(path)}p"
    read = Touchstone(stream)
    matrices = np.asarray(read.s, dtype=np.complex128)
    frequency_hz = np.asarray(read.f, dtype=np.float64)
    if len(frequency_hz) == 0 or matrices.shape[1] not in NUMBERS_IN_A_ROW:
        raise ValueError("it must hold data of one or two ports")
    if is_second and read.frequency_nb not in (None, len(frequency_hz)):
        raise ValueError(
            f"it says {read.frequency_nb} frequencies but has {len(frequency_hz)}: a part is "
            "missing"
        )
    reference = np.unique(np.asarray(read.z0))
    if len(reference) != 1 or reference[0].imag or reference[0].real <= 0.0:
        raise ValueError("its ports have different, or no real, reference resistances")
    resistance = float(reference[0].real)
    if options.parameter != "S":
        convert = getattr(network, f"{options.parameter.lower()}2s")
        matrices = np.asarray(convert(matrices, resistance if is_second else 1.0))
    if not np.all(np.isfinite(matrices)) or not np.all(np.isfinite(frequency_hz)):
        raise ValueError("it holds values that are no numbers")
    if np.any(np.diff(frequency_hz) <= 0.0) or frequency_hz[0] < 0.0:
        raise ValueError("its frequencies do not rise")
    return frequency_hz, matrices, resistance


def _option_line(line: str) -> _Options:
    """The fields may stand in any order; what is left out has its default."""
    words = line[1:].upper().split()
    found: dict[str, str] = {}
    while words:
        word = words.pop(0)
        if word == "R":
            values = []
            while words and _is_number(words[0]):
                values.append(words.pop(0))
            if not values or len({float(value) for value in values}) != 1:
                raise ValueError("R in the option line needs one resistance, the same at each port")
            found["resistance"] = values[0]
            continue
        for field, known in (("unit", UNITS), ("parameter", PARAMETERS), ("format", FORMATS)):
            if word in known and field not in found:
                found[field] = word
                break
        else:
            raise ValueError(f"{word!r} in the option line is not understood")
    return _Options(**found)


def _is_number(word: str) -> bool:
    try:
        return math.isfinite(float(word))
    except ValueError:
        return False


def _port_count(path: Path) -> int:
    match = _PORTS.fullmatch(path.suffix)
    if match is None:
        raise ValueError("the number of its ports is not known; name it .s2p (or .s1p, or 2.0)")
    count = int(match[1])
    if count not in NUMBERS_IN_A_ROW:
        raise ValueError(f"it has {count} ports; save the two that matter as .s2p")
    return count


def _checked_rows(lines: Sequence[str], path: Path) -> list[str]:
    """The rows of a version 1 file without those of noise parameters, which may follow."""
    wanted = NUMBERS_IN_A_ROW[_port_count(path)]
    kept: list[str] = []
    last = -math.inf
    for number, line in enumerate(lines, start=1):
        count, frequency = len(line.split()), float(line.split()[0])
        if frequency <= last:
            if wanted == NUMBERS_IN_A_ROW[2] and count == NUMBERS_OF_NOISE:
                break
            raise ValueError(f"its frequencies do not rise at row {number} of the data")
        if count != wanted:
            raise ValueError(
                f"row {number} of the data has {count} numbers instead of {wanted}: "
                "a part is missing, or the ending of its name is wrong"
            )
        kept.append(line)
        last = frequency
    return kept
