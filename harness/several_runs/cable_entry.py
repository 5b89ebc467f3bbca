"""A measured cable as an entry of a catalogue file."""

from __future__ import annotations

import tomllib
from pathlib import Path

from drivers.errors import InputError, UnwritableError
from harness.several_runs.cable_from_lengths import MeasuredCable

SPREAD_OF_A_TYPE = 0.05
"""Relative standard uncertainty of another cable of the same type: what one cable cannot tell
(common practice, no source)."""


def entry_text(cable: MeasuredCable) -> str:
    """The entry as TOML; its numbers hold at the temperature at which the lengths were measured."""
    constants = cable.constants
    (aa, ab), (ba, bb) = constants.covariance.tolist()
    lines = [
        f"[cables.{_quoted(cable.name)}]",
        f"description = {_quoted(_description(cable))}",
        f"constants = {{ conductor_db_per_m = {constants.a:.8g}, dielectric_db_per_m = "
        f"{constants.b:.8g}, covariance = [[{aa:.8g}, {ab:.8g}], [{ba:.8g}, {bb:.8g}]], "
        f"highest_ghz = {constants.frequency_hz.max() / 1e9:.6g} }}",
        f"points_temperature_c = {cable.temperature_c:g}",
        "# Of other cables of this type: one cable cannot tell how they differ (common practice,",
        "# no source). For the very cable that was measured the covariance is all.",
        f"relative_uncertainty = {SPREAD_OF_A_TYPE:g}",
        f"source = {_quoted(cable.combined.sources)}",
    ]
    velocity = cable.velocity
    if velocity is not None:
        lines.append(
            f"velocity_factor = {{ value = {velocity.value:.5f}, uncertainty = "
            f"{velocity.standard_uncertainty:.2g}, source = {_quoted(cable.combined.sources)} }}"
        )
    return "\n".join(lines) + "\n"


def add_entry(path: Path, cable: MeasuredCable) -> None:
    """Add the entry to a catalogue file, which is made if it is not there.

    Raises:
        InputError: the file has such a cable already, or cannot be read.
        UnwritableError: it cannot be written.
    """
    try:
        before = path.read_text("utf-8") if path.exists() else ""
        known = tomllib.loads(before).get("cables", {})
    except (OSError, ValueError) as error:
        raise InputError(
            f"{str(path)!r} is no catalogue file that could be added to: {error}"
        ) from error
    if cable.name.casefold() in {name.casefold() for name in known}:
        raise InputError(
            f"{str(path)!r} has a cable {cable.name!r} already",
            hint="give it another name with --name, or take the old entry out",
        )
    text = f"{before.rstrip()}\n\n{entry_text(cable)}" if before.strip() else entry_text(cable)
    try:
        path.write_text(text, "utf-8")
    except OSError as error:
        raise UnwritableError(path, error) from error


def _description(cable: MeasuredCable) -> str:
    said = "SIMULATED, " if cable.combined.is_simulated else ""
    return f"{said}measured on {len(cable.combined.runs)} lengths"


def _quoted(text: str) -> str:
    """A basic string of TOML 1.0."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in escaped) + '"'
