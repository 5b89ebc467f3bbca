"""The catalogue in the terminal: all parts by kind, or one with all that stands behind it."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator

import numpy as np
from rich.console import Console
from rich.table import Table

from drivers.quantities import counted
from harness.analysis.expected.catalogue_parts import Cable, Catalogue, Joint
from harness.report.tables.expectation_table import say, shown

_AT_HZ = np.array([1e9, 2.4e9, 5.8e9])
_AT = ["1 GHz", "2.4 GHz", "5.8 GHz"]


def print_list(catalogue: Catalogue, console: Console) -> None:
    """Cables with dB/m, connectors and adapters with dB."""
    cables = catalogue.cables.values()
    _print(
        console, "Cables, nominal dB/m", ["u", "to"],
        ([c.name, *_figures(c.attenuation_db_per_m(_AT_HZ)), *_standing(c)] for c in cables),
    )  # fmt: skip
    for kind, heading in (("connector", "Connectors, mated pair, dB"), ("adapter", "Adapters, dB")):
        joints = [joint for joint in catalogue.joints.values() if joint.kind == kind]
        say(console, "")
        _print(
            console, heading, ["u", "to"],
            ([j.name, *_figures(j.loss_db(_AT_HZ)), *_standing(j)] for j in joints),
        )  # fmt: skip
    say(console, "")
    say(console, "u: relative standard uncertainty; to: rated frequency.", "dim")
    say(console, "Sources: tareline catalogue PART.", "dim")


def print_entry(entry: Cable | Joint, console: Console) -> None:
    """One part with its sources."""
    say(console, entry.name, "bold")
    say(console, entry.description)
    for line in _of_cable(entry) if isinstance(entry, Cable) else _of_joint(entry):
        indent = "    " if line.startswith(" ") else "  "
        wide = max(console.width, 2 * len(indent))
        for piece in textwrap.wrap(line, wide, subsequent_indent=indent):
            say(console, piece)


def _of_joint(joint: Joint) -> Iterator[str]:
    reflective = f" + {joint.reflective_db:g} f^2" if joint.reflective_db else ""
    yield (
        f"loss {joint.ohmic_db:g} sqrt(f){reflective} dB, f in GHz, "
        f"u {100 * joint.relative_uncertainty:g} %"
    )
    yield f"  source: {joint.source}"
    if joint.maximum_ohmic_db is not None:
        most = joint.maximum_reflective_db
        yield f"at most {joint.maximum_ohmic_db:g} sqrt(f)" + (f" + {most:g} f^2" if most else "")
        yield f"  source: {joint.maximum_source}"
    yield from _rating(joint)
    if joint.torque is not None:
        (low, high), (low_inch, high_inch) = joint.torque.n_m, joint.torque.in_lbf
        yield f"torque {low:g} to {high:g} N m ({low_inch:g} to {high_inch:g} in lbf)"
        yield f"  source: {joint.torque.source}"
    if joint.coupling:
        yield f"coupling: {joint.coupling}"


def _of_cable(cable: Cable) -> Iterator[str]:
    u_a, u_b = np.sqrt(np.diag(np.asarray(cable.covariance)))
    yield (
        f"attenuation {cable.conductor_db_per_m:.4f} sqrt(f) + {cable.dielectric_db_per_m:.4f} f "
        f"dB/m, f in GHz, at {cable.points_temperature_c:g} °C"
    )
    of_type = 100 * cable.relative_uncertainty
    yield f"  (u of the fit {u_a:.4f} and {u_b:.4f}; of the type {of_type:g} %)"
    yield f"  source: {cable.source}"
    if cable.spread is not None:
        at, differ = cable.spread.frequency_hz[:-1], cable.spread.relative_uncertainty
        told = ", ".join(
            f"{100 * u:g} % at {f / 1e6:g} MHz" for f, u in zip(at, differ, strict=False)
        )
        yield f"  (makers differ more there: u {told})"
        yield f"  source: {cable.spread.source}"
    residuals = cable.fit_residuals()
    if residuals is not None:
        worst = float(np.abs(residuals).max())
        yield (
            f"  {counted(len(residuals), 'point')}, to {cable.highest_point_hz / 1e9:g} GHz; "
            f"farthest from the fit by {worst:.1f} of its u"
        )
    if cable.maximum is not None:
        ratio = " to ".join(f"{r:.2f}" for r in np.unique(cable.maximum.over_nominal.round(2)))
        yield f"at most {ratio} times that"
        yield f"  source: {cable.maximum.source}"
    yield from _rating(cable)
    for label, stated, unit in (
        ("velocity factor", cable.velocity_factor, ""),
        ("conductor loss rises by", cable.temperature_coefficient, " /K"),
    ):
        if stated is not None:
            yield f"{label} {stated.value:g}{unit}, u {stated.uncertainty:g}"
            yield f"  source: {stated.source}"
    made = cable.construction
    if made is not None:
        yield (
            f"inner conductor {made.inner_diameter_m * 1e3:g} mm, {made.inner}; dielectric "
            f"{made.outer_diameter_m * 1e3:g} mm; outer conductor: {made.outer}"
        )
        yield f"  source: {made.source}"


def _rating(entry: Cable | Joint) -> Iterator[str]:
    if entry.rated_frequency is not None:
        yield f"rated to {entry.rated_frequency.value / 1e9:g} GHz"
        yield f"  source: {entry.rated_frequency.source}"


def _standing(entry: Cable | Joint) -> list[str]:
    rated = entry.rated_frequency
    to = "–" if rated is None else f"{rated.value / 1e9:g} GHz"
    return [f"{100 * entry.relative_uncertainty:.0f} %", to]


def _figures(values: Iterable[float]) -> list[str]:
    return [f"{value:.3f}" for value in values]


def _print(console: Console, heading: str, further: list[str], rows: Iterable[list[str]]) -> None:
    table = Table(box=None, padding=(0, 2, 0, 0), pad_edge=False, header_style="bold")
    table.add_column(heading, overflow="fold", min_width=min(30, max(8, console.width - 47)))
    for label in (*_AT, *further):
        table.add_column(label, justify="right", no_wrap=True)
    for row in rows:
        table.add_row(*[shown(cell, console) for cell in row])
    console.print(table)
