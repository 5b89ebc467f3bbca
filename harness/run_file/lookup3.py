"""The checksum that HDF5 puts behind its metadata: lookup3, published by Bob Jenkins in 2006.

HDF5 file format 3.0 calls it "Jenkins' lookup3"; this is `hashlittle` with 0 for its start.
"""

from __future__ import annotations

import struct

_ALL = 0xFFFFFFFF


def lookup3(data: bytes) -> int:
    """Of any bytes, in 32 bits."""
    a = b = c = (0xDEADBEEF + len(data)) & _ALL
    if not data:
        return c
    # the last 1 to 12 bytes are mixed otherwise
    words = struct.unpack(f"<{(len(data) - 1) // 12 * 3}I", data[: (len(data) - 1) // 12 * 12])
    for at in range(0, len(words), 3):
        a, b, c = (a + words[at]) & _ALL, (b + words[at + 1]) & _ALL, (c + words[at + 2]) & _ALL
        a, c = _mixed(a, c, 4), (c + b) & _ALL
        b, a = _mixed(b, a, 6), (a + c) & _ALL
        c, b = _mixed(c, b, 8), (b + a) & _ALL
        a, c = _mixed(a, c, 16), (c + b) & _ALL
        b, a = _mixed(b, a, 19), (a + c) & _ALL
        c, b = _mixed(c, b, 4), (b + a) & _ALL
    rest = struct.unpack("<3I", data[len(words) * 4 :].ljust(12, b"\0"))
    a, b, c = (a + rest[0]) & _ALL, (b + rest[1]) & _ALL, (c + rest[2]) & _ALL
    c = _ended(c, b, 14)
    a = _ended(a, c, 11)
    b = _ended(b, a, 25)
    c = _ended(c, b, 16)
    a = _ended(a, c, 4)
    b = _ended(b, a, 14)
    return _ended(c, b, 24)


def _turned(word: int, bits: int) -> int:
    return ((word << bits) | (word >> (32 - bits))) & _ALL


def _mixed(one: int, other: int, bits: int) -> int:
    return ((one - other) & _ALL) ^ _turned(other, bits)


def _ended(one: int, other: int, bits: int) -> int:
    return ((one ^ other) - _turned(other, bits)) & _ALL
