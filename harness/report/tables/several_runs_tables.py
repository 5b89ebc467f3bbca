"""What the terminal shows of runs that were combined: cables, adapters, delays."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import numpy as np
from rich.console import Console
from rich.table import Table
from rich.text import Text

from drivers.quantities import counted
from harness.analysis.several_runs.cable_model import CONNECTORS, PER_METRE, CableModel
from harness.analysis.several_runs.delay import SPEED_OF_LIGHT_M_PER_S, VelocityFactor
from harness.report.words import numbers
from harness.report.words.numbers import CONFIDENCE
from harness.report.words.sentences import SIMULATED
from harness.several_runs.adapter_losses import MeasuredAdapters
from harness.several_runs.cable_from_lengths import MeasuredCable
from harness.several_runs.item_delay import DelayOfRun

_SPELT_OUT = {"±": "+/-", "–": "-", "°": "deg "}


def print_cable(cable: MeasuredCable, console: Console, predict_m: float | None = None) -> None:
    """Loss per metre and connectors at the middle of each band, then the constants."""
    lengths = ", ".join(f"{length:g}" for length in cable.length_m)
    _heading(console, f"{cable.name}: lengths of {lengths} m", cable.combined.is_simulated)
    columns = ["Loss, dB/m", "Connectors, dB", "Fit"]
    if predict_m is not None:
        columns.append(f"{predict_m:g} m, dB")
    table = _table(["Band", "At", *columns])
    for name, model in cable.models.items():
        middle = len(model.frequency_hz) // 2
        row = [
            name,
            numbers.frequency(float(model.frequency_hz[middle])),
            _with_u(model.attenuation_db_per_m, _expanded(model, PER_METRE), middle),
            _with_u(model.connectors_db, _expanded(model, CONNECTORS), middle),
            _fit(model),
        ]
        if predict_m is not None:
            predicted = model.prediction_uncertainty_db(predict_m)
            row.append(_with_u(model.loss_db(predict_m), predicted, middle))
        _add(table, console, row)
    console.print(table)
    _say(
        console,
        f"± U with {CONFIDENCE} confidence. Fit: chi square over its degrees of freedom, 1 on "
        "average, less where the stated limits of the station are not used up.",
        "dim",
    )
    constants = cable.constants
    u_a, u_b = np.sqrt(np.diag(constants.covariance))
    _say(
        console,
        f"{constants.a:.4f} sqrt(f) + {constants.b:.4f} f dB/m, f in GHz, at "
        f"{cable.temperature_c:g} °C (u {u_a:.4f} and {u_b:.4f}, from "
        f"{counted(constants.segments, 'point')})",
    )
    if cable.velocity is not None:
        _say(console, f"velocity factor {_velocity(cable.velocity)}")
    _notes(console, cable.notes)


def print_adapters(found: MeasuredAdapters, console: Console) -> None:
    """Each adapter's loss at the middle of each band."""
    pairs = ", ".join(" with ".join(pair) for pair in found.pairs)
    _heading(console, f"Adapters from {pairs}", found.combined.is_simulated)
    table = _table(["Adapter", "Band", "At", "Loss, dB"])
    for adapter in found.adapters:
        for name, losses in found.losses.items():
            middle = len(losses.frequency_hz) // 2
            loss_db, u_db = losses.loss_db(adapter), losses.expanded_uncertainty_db(adapter)
            at = numbers.frequency(float(losses.frequency_hz[middle]))
            _add(table, console, [adapter, name, at, _with_u(loss_db, u_db, middle)])
    console.print(table)
    _say(console, f"± U with {CONFIDENCE} confidence. Loss of the body and one mating.", "dim")
    fits = [losses for losses in found.losses.values() if losses.estimate.dof]
    if fits:
        worst = min(float(np.mean(losses.estimate.chi_square_probability)) for losses in fits)
        _say(console, f"The pairs agree with one another: probability {worst:.2f} or more.", "dim")
    _notes(console, found.notes)


def print_delays(found: Sequence[DelayOfRun], console: Console) -> None:
    """Delay and electrical length by band, then together against the stated length."""
    for place, one in enumerate(found):
        if place:
            console.print()
        _heading(console, str(one.run.item["id"]), one.run.simulated)
        if one.bands:
            table = _table(["Band", "Delay, ns", "Electrical length, mm"])
            together = one.combined
            rows = dict(one.bands)
            if together is not None and len(rows) > 1:
                rows["all together"] = together
            for name, delay in rows.items():
                u_s = delay.expanded_uncertainty_s
                metre = SPEED_OF_LIGHT_M_PER_S
                delay_ns = numbers.with_uncertainty(delay.delay_s * 1e9, u_s * 1e9)
                length_mm = numbers.with_uncertainty(
                    delay.electrical_length_m * 1e3, u_s * metre * 1e3
                )
                _add(table, console, [name, delay_ns, length_mm])
            console.print(table)
        for name, why in one.refused.items():
            _say(console, f"{name}: no delay: {why}.")
        velocity, stated, found_m = one.velocity, one.stated_length_m, one.length
        if velocity is not None and stated is not None:
            _say(
                console,
                f"With the stated {stated * 1e3:g} mm (± {one.length_limits_m * 1e3:g} mm) the "
                f"velocity factor is {_velocity(velocity)}, connectors and through within it.",
            )
        if found_m is not None and stated is not None:
            u_mm = found_m.expanded_uncertainty_m * 1e3
            e_n = found_m.normalized_error(stated, one.length_limits_m)
            agrees = "agrees with" if abs(e_n) <= 1.0 else "does NOT agree with"
            _say(
                console,
                f"By the catalogue's velocity factor, {found_m.velocity_factor:g}, it is "
                f"{numbers.with_uncertainty(found_m.length_m * 1e3, u_mm)} mm long, which {agrees} "
                f"what is stated (E_n {e_n:+.2f}).",
            )


def _expanded(model: CableModel, weights: np.ndarray) -> np.ndarray:
    return model.estimate.expanded_uncertainty(weights)


def _with_u(values: np.ndarray, expanded: np.ndarray, index: int) -> str:
    return numbers.with_uncertainty(float(values[index]), float(expanded[index]))


def _fit(model: CableModel) -> str:
    if not model.estimate.dof:
        return "–"
    ratio = float(np.mean(model.estimate.chi_square)) / model.estimate.dof
    enlarged = f", U x {model.enlargement:.1f}" if model.enlargement > 1.0 else ""
    return f"{ratio:.2f}{enlarged}"


def _velocity(velocity: VelocityFactor) -> str:
    u = velocity.expanded_uncertainty
    return numbers.with_uncertainty(velocity.value, u) if math.isfinite(u) else "unknown"


def _heading(console: Console, text: str, is_simulated: bool) -> None:
    _say(console, text, "bold")
    if is_simulated:
        _say(console, SIMULATED, "italic")


def _table(headings: Iterable[str]) -> Table:
    table = Table(box=None, padding=(0, 2, 0, 0), pad_edge=False, header_style="bold")
    for index, heading in enumerate(headings):
        table.add_column(heading, justify="right" if index else "left", overflow="fold")
    return table


def _add(table: Table, console: Console, cells: Sequence[str]) -> None:
    table.add_row(*[_shown(cell, console) for cell in cells])


def _notes(console: Console, notes: Sequence[str]) -> None:
    for note in notes:
        _say(console, f"note: {note}")


def _say(console: Console, text: str, style: str = "") -> None:
    console.print(_shown(text, console), style=style or None)


def _shown(text: str, console: Console) -> Text:
    """Text, not markup, whose signs are spelt out where the console's encoding lacks them."""
    shown = numbers.printable(text)
    for sign, spelt in _SPELT_OUT.items():
        if sign.encode(console.encoding, "ignore") == b"":
            shown = shown.replace(sign, spelt)
    return Text(shown.encode(console.encoding, "replace").decode(console.encoding))
