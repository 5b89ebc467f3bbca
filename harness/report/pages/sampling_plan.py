"""A sampling plan in words, as a table, as JSON and as its operating characteristic."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from rich.console import Console
from rich.table import Table

from drivers.quantities import counted
from harness.analysis.arrays import FloatArray
from harness.analysis.lots.sampling import (
    QualityPoint,
    SamplingPlan,
    acceptance_of_defectives,
    acceptance_probability,
    bad_items,
    quality_accepted_with,
)
from harness.report.figures.svg import EXPECTED, HAIRLINE, INK, LIMIT, LOSS, MUTED, PAPER, rendered
from harness.report.tables.run_table import as_text

if TYPE_CHECKING:
    from matplotlib.figure import Figure

SCHEMA = "tareline-sample-size/1"


@dataclass(frozen=True)
class PlanWithRisks:
    """A plan, and what was asked of it."""

    plan: SamplingPlan
    good: QualityPoint
    bad: QualityPoint

    @property
    def producer_risk(self) -> float:
        """Probability that what is still good enough is rejected."""
        return 1.0 - self._at(self.good.fraction, at_most=True)

    @property
    def consumer_risk(self) -> float:
        """Probability that what should be found out is accepted."""
        return self._at(self.bad.fraction, at_most=False)

    def _at(self, fraction: float, *, at_most: bool) -> float:
        plan = self.plan
        if plan.lot_size is None:
            return float(acceptance_probability(plan, fraction))
        bad = bad_items(fraction, plan.lot_size, at_most=at_most)
        return float(acceptance_of_defectives(plan, bad))


def sentences(told: PlanWithRisks) -> list[str]:
    """What to do, what it is worth, and what it is not."""
    plan = told.plan
    of = "of a process" if plan.lot_size is None else f"of the {plan.lot_size} in the lot"
    what = (
        "Check all items"
        if plan.is_whole_lot
        else f"Check {counted(plan.sample_size, 'item')} {of}"
    )
    chosen = "" if plan.is_whole_lot else ", taken at random"
    most = (
        "if none fails" if plan.acceptance_number == 0
        else f"if at most {plan.acceptance_number} {_fail(plan.acceptance_number)}"
    )  # fmt: skip
    fewest = (
        "any fails" if plan.acceptance_number == 0
        else f"{plan.acceptance_number + 1} or more fail"
    )  # fmt: skip
    stuff = "lot" if plan.lot_size is not None else "process"
    said = [
        f"{what}{chosen}. Accept the {stuff} {most}; reject it if {fewest}.",
        f"With {_share(told.good.fraction)} bad items{_whole(told, good=True)} it is rejected with "
        f"a probability of {_share(told.producer_risk)}"
        f"{_against(told.producer_risk, told.good.risk)}; with {_share(told.bad.fraction)} bad"
        f"{_whole(told, good=False)} it is accepted with {_share(told.consumer_risk)}"
        f"{_against(told.consumer_risk, told.bad.risk)}.",
    ]
    if plan.acceptance_number < plan.sample_size:
        half = quality_accepted_with(plan, 0.5)
        said.append(f"It accepts and rejects equally often at {_share(half)} bad items.")
    if plan.acceptance_number == 0:
        said.append(
            f"If none fails, less than {_share(told.bad.fraction)} are bad with "
            f"{100 * (1 - told.consumer_risk):.3g} % confidence."
        )
    return said


def print_plan(told: PlanWithRisks, console: Console) -> None:
    """Sentences and the operating characteristic as a table, no line wider than the console."""
    first, *rest = sentences(told)
    console.print(as_text(first, console, "bold"))
    for sentence in rest:
        console.print(as_text(sentence, console))
    lot = told.plan.lot_size
    table = Table(box=None, padding=(0, 3, 0, 0), pad_edge=False, header_style="bold")
    table.add_column("bad items", justify="right")
    if lot is not None:
        table.add_column("in the lot", justify="right")
    for heading in ("accepted", "rejected"):
        table.add_column(heading, justify="right")
    for share in _table_shares(told):
        chance = float(acceptance_probability(told.plan, share))
        cells = [_share(share)]
        if lot is not None:
            cells.append(f"{round(share * lot)}")
        cells += [_share(chance), _share(1.0 - chance)]
        table.add_row(*(as_text(cell, console) for cell in cells))
    console.print()
    console.print(table)


def as_dict(told: PlanWithRisks) -> dict[str, Any]:
    """The plan as schema `tareline-sample-size/1`; shares and probabilities are 0 to 1."""
    shares = _curve_shares(told, 101)
    plan = told.plan
    return {
        "schema": SCHEMA,
        "lot_size": plan.lot_size,
        "sample_size": plan.sample_size,
        "acceptance_number": plan.acceptance_number,
        "distribution": "binomial" if plan.lot_size is None else "hypergeometric",
        "accept_quality": {"fraction": told.good.fraction, "allowed_risk": told.good.risk,
                           "risk": told.producer_risk},
        "reject_quality": {"fraction": told.bad.fraction, "allowed_risk": told.bad.risk,
                           "risk": told.consumer_risk},
        "operating_characteristic": {
            "fraction": shares.tolist(),
            "acceptance_probability": acceptance_probability(plan, shares).tolist(),
        },
        "sentences": sentences(told),
    }  # fmt: skip


def oc_figure(told: PlanWithRisks, key: str) -> str:
    """The operating characteristic with the two points that were asked for."""
    shares = _curve_shares(told, 201)
    chance = acceptance_probability(told.plan, shares)
    points = (
        (told.good.fraction, 1.0 - told.producer_risk, 1.0 - told.good.risk, "producer's point"),
        (told.bad.fraction, told.consumer_risk, told.bad.risk, "consumer's point"),
    )

    def paint(figure: Figure) -> None:
        axes = figure.add_subplot()
        axes.set_title("Probability that the lot is accepted, %", color=MUTED)
        axes.set_xlabel("Bad items, %")
        axes.grid(axis="y")
        axes.set_axisbelow(True)
        if told.plan.lot_size is not None and len(shares) < 60:
            axes.plot(100 * shares, 100 * chance, color=LOSS, linewidth=1.0, marker="o",
                      markersize=4)  # fmt: skip
        else:
            axes.plot(100 * shares, 100 * chance, color=LOSS)
        for place, (share, reached, asked, label) in enumerate(points):
            colour = EXPECTED if place == 0 else LIMIT
            axes.plot([100 * share] * 2, [0, 100 * reached], color=HAIRLINE, linewidth=1.0)
            axes.plot([100 * share], [100 * reached], linestyle="none", color=colour,
                      marker="o" if place == 0 else "D", markersize=8, markerfacecolor=PAPER,
                      markeredgewidth=2, zorder=5)  # fmt: skip
            axes.plot([100 * share], [100 * asked], linestyle="none", marker="_", markersize=16,
                      markeredgewidth=1.6, color=colour)  # fmt: skip
            below = reached > 0.6
            # right of where the falling curve passes the text
            beside = float(np.interp(0.18 - reached, -chance, shares)) if below else share
            axes.annotate(
                f"{label}:\n{_share(share)} bad, {_share(reached)}",
                (100 * beside, 100 * reached), xytext=(10, 0 if below else 10),
                textcoords="offset points", va="top" if below else "bottom", color=INK,
                fontsize=12,
            )  # fmt: skip
        axes.set_ylim(0, 104)
        axes.set_xlim(0, 100 * float(shares[-1]))
        axes.locator_params(axis="x", nbins=6)

    label = f"Operating characteristic. {' '.join(sentences(told))}"
    return rendered(paint, key=key, label=label, height=285)


def _curve_shares(told: PlanWithRisks, count: int) -> FloatArray:
    """Shares from none to where hardly anything is accepted; whole items where there are few."""
    most = min(1.0, max(1.6 * told.bad.fraction, 1.2 * told.good.fraction))
    if told.plan.acceptance_number < told.plan.sample_size:
        most = min(1.0, max(most, 1.1 * quality_accepted_with(told.plan, 0.02)))
    lot = told.plan.lot_size
    if lot is None:
        return np.linspace(0.0, most, count)
    return np.unique(np.rint(np.linspace(0.0, most * lot, count))) / lot


def _table_shares(told: PlanWithRisks) -> list[float]:
    """Round shares around the two points, and the two themselves; about eight."""
    lot = told.plan.lot_size
    wanted = [told.good.fraction, told.bad.fraction]
    if told.plan.acceptance_number < told.plan.sample_size:
        wanted += [
            quality_accepted_with(told.plan, probability)
            for probability in (0.99, 0.95, 0.75, 0.5, 0.25, 0.05)
        ]
    if lot is not None:
        return [count / lot for count in sorted({round(share * lot) for share in wanted})]
    rounded = {float(f"{share:.2g}") for share in wanted[2:]} | set(wanted[:2])
    return sorted(rounded)


def _share(value: float) -> str:
    """A share or probability in percent, to three digits at most, never shown as certain."""
    percent = 100.0 * value
    if percent in (0.0, 100.0):
        return f"{percent:.0f} %"
    if percent > 99.9:
        return "> 99.9 %"
    return f"{percent:.3g} %" if percent >= 0.01 else "< 0.01 %"


def _fail(count: int) -> str:
    return "fails" if count == 1 else "fail"


def _whole(told: PlanWithRisks, *, good: bool) -> str:
    lot = told.plan.lot_size
    if lot is None:
        return ""
    point = told.good if good else told.bad
    return f" ({bad_items(point.fraction, lot, at_most=good)} of {lot})"


def _against(risk: float, allowed: float) -> str:
    if risk <= allowed * (1.0 + 1e-9):
        return f" (at most {_share(allowed)} was asked)"
    return f" (more than the {_share(allowed)} that was asked)"
