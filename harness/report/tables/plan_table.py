"""Plans in the terminal: a column for each choice, at any width."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from rich.console import Console
from rich.table import Table

from harness.analysis.uncertainty.conformity import Verdict
from harness.report.tables.run_table import as_text
from harness.report.words import numbers
from harness.report.words.numbers import CONFIDENCE

if TYPE_CHECKING:
    from harness.planning.planned import ItemPlan, PlannedBand, PlannedRun

ROOMY = 76
"""Columns from which losses and limits stand beside the names of the bands."""
WIDEST_CELL = len("> 99 % pass")
REMEDIES = {
    "insertion repeatability": "more insertions; clean and gauge the connectors, use the torque "
    "wrench",
    "connection of the reference": "join the through more than once when normalizing and checking",
    "connections made once": "join the through by hand, or a switch with better connectors",
    "noise": "more sweeps, a narrower bandwidth, or more power",
    "noise of the reference": "more sweeps of the through, a narrower bandwidth, or more power",
    "tracking of the reflections": "say how far S11 reads too low, or state return_loss",
    "drift of the zero": "check the zero more often, let the bench warm up, be quicker",
    "mismatch": "pads at the ends of the leads; state or measure the item's return loss",
    "through adapter": "an adapter whose loss is better known, or leads that join directly",
    "linearity": "a receiver of better linearity, or pads that keep the two levels alike",
    "leakage": "screen and separate the leads; tighten what leaks",
    "flexure": "fix the leads so that they move less from through to item",
    "temperature": "keep the room's temperature within closer limits",
    "resolution": "a finer step of the readings",
    "paths of the switch": "measure the difference of the switch's paths and state it",
}
"""What helps against a contribution (common practice, no source), by the beginning of its name."""


def print_plans(plans: Sequence[ItemPlan], console: Console) -> None:
    """Write every plan to `console`, no line wider than it; what all assume stands at the end."""
    common = [
        sentence
        for sentence in plans[0].assumptions
        if all(sentence in plan.assumptions for plan in plans)
    ]
    for plan in plans:
        _print_plan(plan, [s for s in plan.assumptions if s not in common], console)
        console.print()
    for sentence in common:
        console.print(as_text(f"assumed: {sentence}", console, "dim"))


def _print_plan(plan: ItemPlan, assumptions: Sequence[str], console: Console) -> None:
    heading = as_text(plan.item, console, "bold")
    if plan.description:
        heading.append_text(as_text(f"  {plan.description}", console))
    console.print(heading)
    console.print(
        as_text("predicted from simulated campaigns, nothing was measured", console, "dim")
    )
    for runs in _chunks(plan.runs, console.width, _first_column(plan, console.width >= ROOMY)):
        console.print(_table(plan, runs, console))
    _print_attack(plan, console)
    for sentence in assumptions:
        console.print(as_text(f"assumed: {sentence}", console, "dim"))
    console.print(as_text(f"rule: {plan.rule}", console, "dim"))


def _first_column(plan: ItemPlan, roomy: bool) -> int:
    """Width that the labels take, the gap to the next column included."""
    bands = plan.runs[0].bands
    names = (len(b.name) + (len(_loss_of_limit(b)) if roomy else 0) + 4 for b in bands)
    return max(len("insertions × sweeps") + 2, *names)


def _chunks(
    runs: Sequence[PlannedRun], width: int, first_column: int
) -> list[Sequence[PlannedRun]]:
    """The choices in groups that fit beside each other."""
    column = max(WIDEST_CELL, *(len(_head(run)) for run in runs)) + 2
    fitting = max((width - first_column) // column, 1)
    return [runs[start : start + fitting] for start in range(0, len(runs), fitting)]


def _head(run: PlannedRun) -> str:
    return f"{run.choice.insertions} × {run.choice.sweeps}"


def _table(plan: ItemPlan, runs: Sequence[PlannedRun], console: Console) -> Table:
    table = Table(box=None, padding=(0, 2, 0, 0), pad_edge=False, header_style="bold")
    table.add_column(as_text("insertions × sweeps", console), overflow="fold")
    for run in runs:
        table.add_column(as_text(_head(run), console), justify="right", no_wrap=True)

    def row(label: str, cell: Callable[[PlannedRun], str]) -> None:
        table.add_row(as_text(label, console), *(as_text(cell(run), console) for run in runs))

    row("time, about", lambda run: _about(run.duration_s))
    row("connections", lambda run: str(run.connections))
    table.add_row(as_text(f"U in dB, {CONFIDENCE}", console, "bold"))
    names = [band.name for band in plan.runs[0].bands]
    for place, name in enumerate(names):
        row(f"  {name}", lambda run, at=place: _u(run.bands[at]))  # type: ignore[misc]
    if any(band.chances for band in plan.runs[0].bands):
        roomy = console.width >= ROOMY
        heading = "clear verdict, chance" if not roomy else "clear verdict (loss of limit, dB)"
        table.add_row(as_text(heading, console, "bold"))
        for place, band in enumerate(plan.runs[0].bands):
            label = f"  {band.name}{_loss_of_limit(band) if roomy else ''}"
            row(label, lambda run, at=place: _clear(run.bands[at]))  # type: ignore[misc]
    return table


def _about(seconds: float) -> str:
    """Whole minutes from one minute on."""
    minutes = round(seconds / 60.0)
    if minutes >= 60:
        return f"{minutes // 60} h {minutes % 60:02d} min"
    return f"{minutes} min" if minutes else f"{round(seconds)} s"


def _loss_of_limit(band: PlannedBand) -> str:
    if band.limit_db is None:
        return ""
    u_db = band.expanded_uncertainty_db
    loss = numbers.companion(band.loss_db, u_db)
    return f"  {loss} of {numbers.limit(band.limit_db, u_db)}"


def _u(band: PlannedBand) -> str:
    return numbers.two_digits(band.expanded_uncertainty_db)


def _clear(band: PlannedBand) -> str:
    if band.clear is None or band.chances is None:
        return "no limit"
    percent = 100.0 * band.clear
    share = "> 99 %" if percent > 99.0 else "< 1 %" if percent < 1.0 else f"{percent:.0f} %"
    likely = max((Verdict.PASS, Verdict.FAIL), key=band.chances.__getitem__)
    return f"{share} {likely.value}" if band.chances[likely] > 0.5 else share


def _print_attack(plan: ItemPlan, console: Console) -> None:
    """For each choice the contributions to work on first, and what helps against them."""
    choices_of: dict[str, list[str]] = {}
    names: dict[str, None] = {}
    for run in plan.runs:
        names |= dict.fromkeys(band.weakest.name for band in run.bands)
        choices_of.setdefault(_attack(run), []).append(_head(run))
    console.print(as_text("work on first", console, "bold"))
    for attack, heads in choices_of.items():
        which = "" if len(choices_of) == 1 else f"{', '.join(heads)}: "
        console.print(as_text(f"  {which}{attack}", console))
    for name in names:
        console.print(as_text(f"  {name}: {_remedy(name)}", console))


def _attack(run: PlannedRun) -> str:
    """Each contribution that leads somewhere, where, and what U would be without it."""
    bands_of: dict[str, list[PlannedBand]] = {}
    for band in run.bands:
        bands_of.setdefault(band.weakest.name, []).append(band)
    parts = []
    for name, bands in bands_of.items():
        where = "" if len(bands) == len(run.bands) else f" in {', '.join(b.name for b in bands)}"
        most = max(bands, key=_saved)
        now, then = (
            numbers.two_digits(u_db)
            for u_db in (most.expanded_uncertainty_db, most.weakest.expanded_without_db)
        )
        parts.append(f"{name}{where}; without it U would be {then} dB, not {now}, in {most.name}")
    return "; ".join(parts)


def _saved(band: PlannedBand) -> float:
    return 1.0 - band.weakest.expanded_without_db / band.expanded_uncertainty_db


def _remedy(name: str) -> str:
    return next(
        (remedy for begin, remedy in REMEDIES.items() if name.startswith(begin)),
        "see what it rests on in the budget of a report",
    )
