"""Touchstone files, written from the specification from memory."""

import numpy as np
from skrf import network

UNITS = {"Hz": 1.0, "kHz": 1e3, "MHz": 1e6, "GHz": 1e9}
ORDER = ((0, 0), (1, 0), (0, 1), (1, 1))
"""Of version 1 two-port data: S11 S21 S12 S22 (Touchstone 1.1)."""


def pair(value, form):
    if form == "RI":
        return f"{value.real:.12g} {value.imag:.12g}"
    size = abs(value) if form == "MA" else 20 * np.log10(abs(value))
    return f"{size:.12g} {np.degrees(np.angle(value)):.12g}"


def touchstone(frequency_hz, s, *, version=1, unit="Hz", form="RI", parameter="S", resistance=50,
               options=None):  # fmt: skip
    """The text of a file; Touchstone 1.1 and 2.0."""
    ports = s.shape[1]
    values = s
    if parameter != "S":
        # version 1 normalizes to the reference resistance, version 2 does not
        reference = np.full((len(s), ports), 1.0 if version == 1 else resistance)
        values = getattr(network, f"s2{parameter.lower()}")(s, reference)
    entries = ORDER if ports == 2 else ((0, 0),)
    rows = [
        f"{hz / UNITS[unit]:.12g} " + " ".join(pair(m[entry], form) for entry in entries)
        for hz, m in zip(frequency_hz, values, strict=True)
    ]
    line = options or f"# {unit} {parameter} {form} R {resistance}"
    if version == 1:
        return "\n".join(["! bench analyzer, front panel", line, *rows, ""])
    return "\n".join([
        "[Version] 2.0", line, f"[Number of Ports] {ports}",
        *(["[Two-Port Data Order] 21_12"] if ports == 2 else []),
        f"[Number of Frequencies] {len(rows)}",
        f"[Reference] {' '.join([str(resistance)] * ports)}",
        "[Network Data]", *rows, "[End]", "",
    ])  # fmt: skip


def some_network(seed, count=3, ports=2):
    rng = np.random.default_rng(seed)
    shape = (count, ports, ports)
    return 0.3 * (rng.normal(size=shape) + 1j * rng.normal(size=shape)) + 0.05
