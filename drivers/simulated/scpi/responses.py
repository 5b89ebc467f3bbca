"""Responses: from Python values to the bytes on the wire.

IEEE 488.2 chapter 8.7 (response elements) and SCPI-99 7.2 (special numbers) and FORMat.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["DataFormat", "Quoted", "definite_block", "format_response", "real"]


@dataclass(frozen=True, slots=True)
class Quoted:
    """A string response: quoted, quotes inside doubled (IEEE 488.2 8.7.8)."""

    text: str


@dataclass(slots=True)
class DataFormat:
    """What FORMat states: `real_bits` 0 (ASCii), 32 or 64, and the order of the bytes."""

    real_bits: int = 0
    is_swapped: bool = False

    def reset(self) -> None:
        """Take the *RST state: ASCii, NORMal (most significant byte first)."""
        self.real_bits = 0
        self.is_swapped = False


def real(value: float) -> str:
    """Return `value` as NR3 with as many digits as bring it back exactly.

    Infinities and not-a-number are 9.9E37, -9.9E37 and 9.91E37 (SCPI-99 7.2.1.4 and 7.2.1.5).
    """
    if not math.isfinite(value):
        return "9.91E+37" if math.isnan(value) else f"{math.copysign(9.9e37, value):.1E}"
    text = f"{value:.15E}"
    if float(text) != value:
        text = f"{value:.16E}"  # 17 digits tell any two numbers of double precision apart
    mantissa, exponent = text.split("E")
    mantissa = mantissa.rstrip("0")
    return f"{mantissa}0E{exponent}" if mantissa[-1] == "." else f"{mantissa}E{exponent}"


def definite_block(data: bytes) -> bytes:
    """Return `data` as a definite length arbitrary block (IEEE 488.2 8.7.9)."""
    length = str(len(data))
    if len(length) > 9:
        raise ValueError(f"a block of {length} bytes has no definite length header")
    return f"#{len(length)}{length}".encode() + data


def format_response(value: object, data_format: DataFormat) -> bytes:
    """Return the response for `value`.

    bool and int give NR1, float NR3, complex its two parts, str itself, Quoted a string, bytes
    themselves, tuple and list their entries between commas; float and complex arrays (any
    shape, complex as real, imaginary, ...) follow `data_format`, integer arrays are NR1.
    Raises TypeError for anything else and ValueError for text beyond ASCII.
    """
    match value:
        case bool() | np.bool_():
            return b"1" if value else b"0"
        case int() | np.integer():
            return str(int(value)).encode()
        case float() | np.floating():
            return real(float(value)).encode()
        case str():
            return _line(value)
        case Quoted():
            return b'"' + _line(value.text.replace('"', '""')) + b'"'
        case bytes():
            return value
        case np.ndarray():
            return _array(value, data_format)
        case complex() | np.complexfloating():
            return f"{real(float(value.real))},{real(float(value.imag))}".encode()
        case tuple() | list():
            return b",".join(format_response(entry, data_format) for entry in value)
    raise TypeError(f"no response is defined for {type(value).__name__}: {value!r:.80}")


def _line(text: str) -> bytes:
    if "\n" in text:
        raise ValueError(f"a new line inside a response would end it: {text!r:.80}")
    return text.encode("ascii")


def _array(values: NDArray[np.generic], data_format: DataFormat) -> bytes:
    flat = np.ascontiguousarray(values).reshape(-1)
    if flat.dtype.kind in "bui":
        return ",".join(map(str, flat.astype(np.int64, copy=False).tolist())).encode()
    if flat.dtype.kind == "c":
        flat = flat.astype(np.complex128, copy=False).view(np.float64)
    elif flat.dtype.kind != "f":
        raise TypeError(f"no response is defined for an array of {values.dtype}")
    if not data_format.real_bits:
        return ",".join(map(real, flat.astype(np.float64, copy=False).tolist())).encode()
    order = "<" if data_format.is_swapped else ">"
    with np.errstate(over="ignore"):  # beyond single precision a value is sent as infinite
        wire = flat.astype(f"{order}f{data_format.real_bits // 8}")
    return definite_block(wire.tobytes())
