"""What a run says, in words: verdicts, the worst point, and plain sentences."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence

from drivers.quantities import counted
from harness.analysis.uncertainty.budget import Contribution
from harness.evaluation.standing import (
    Agreement,
    Point,
    Standing,
    agreement,
    deciding_band,
    standing_in_run,
    standing_of_run,
    worst_index,
    worst_point,
)
from harness.report.words import numbers
from harness.report.words.decisions import limit_sentence, risk_sentence
from harness.run_file.run import BandResult, Run

_FIGURES = re.compile(r"-?\d[\d.e-]*")
SIMULATED = "Simulated readings: made by the simulated bench, not measured"


def greatest_first(band: BandResult) -> list[Contribution]:
    """The budget in falling order of the standard uncertainty at the worst point."""
    index = worst_index(band)

    def falling(line: Contribution) -> float:
        u = float(line.standard_uncertainty_db[index])
        return math.inf if math.isnan(u) else -u

    return sorted(band.budget, key=falling)


def band_span(band: BandResult) -> str:
    """`433.05–434.79 MHz`."""
    return numbers.frequency_span(float(band.frequency_hz[0]), float(band.frequency_hz[-1]))


def item_name(run: Run) -> str:
    """The item's id, or words that say that it has none."""
    return str(run.item.get("id") or "item without a name")


def summary(runs: Sequence[Run]) -> str:
    """`2 runs: 1 pass, 1 fail`, in the order of the standings."""
    counts = dict.fromkeys(Standing, 0)
    for run in runs:
        counts[standing_of_run(run)] += 1
    parts = [f"{count} {standing.word}" for standing, count in counts.items() if count]
    return f"{counted(len(runs), 'run')}: {', '.join(parts)}" if runs else "no runs"


def bands_sentence(run: Run) -> str:
    """How the bands stand: `All 5 bands pass.` or `3 of 5 bands pass; 2 fail.`"""
    counts = dict.fromkeys(Standing, 0)
    for band in run.bands:
        counts[standing_in_run(run, band)] += 1
    total = len(run.bands)
    present = [(standing, count) for standing, count in counts.items() if count]
    if len(present) == 1:
        standing, _ = present[0]
        everything = "The only band" if total == 1 else f"All {total} bands"
        return f"{everything} {_predicate(standing, total)}."
    parts = [
        f"{count} {'of ' + str(total) + ' bands ' if place == 0 else ''}"
        f"{_predicate(standing, count)}"
        for place, (standing, count) in enumerate(present)
    ]
    return "; ".join(parts) + "."


def sentences(run: Run) -> list[str]:
    """Plain sentences: how the run stands, how much is lost, how sure, against what."""
    if standing_of_run(run) is Standing.UNFINISHED:
        return [
            "This run is not finished, so it states no result. "
            "What was read so far is kept in its file."
        ]
    name = deciding_band(run)
    band = run.bands[name]
    point = worst_point(band)
    if run.wanted_again:
        return [again_sentence(run), _loss_sentence(name, band, point)]
    doubts = told_doubts(doubt for each in run.bands.values() for doubt in each.doubts)
    said = [bands_sentence(run), *doubts, _loss_sentence(name, band, point)]
    if band.decision is not None:
        u_db = point.expanded_uncertainty_db
        said.append(limit_sentence(band.decision, point.limit_db, u_db))
        said.append(risk_sentence(band.decision))
    if agreement(point) is not Agreement.NONE:
        said.append(_expected_sentence(point))
    if band.decision is not None and band.decision.advice:
        said.append(band.decision.advice)
    return said


def again_sentence(run: Run) -> str:
    """Why the item is to be measured again, and what that makes of its figures."""
    return (
        f"This item is to be measured again: {run.wanted_again}. Until then it neither passes nor "
        "fails, and its figures count for nothing."
    )


def _loss_sentence(name: str, band: BandResult, point: Point) -> str:
    where = "comes closest to its limit, counted in its uncertainty," if band.decision else ""
    if band.decision and point.margin_db < 0.0:
        where = "is furthest past its limit, counted in its uncertainty,"
    u = point.expanded_uncertainty_db
    said = (
        f"It {where or 'loses most'} at {numbers.frequency(point.frequency_hz)} ({name}): "
        f"{numbers.with_uncertainty(point.insertion_loss_db, u)} dB"
    )
    if not (math.isfinite(u) and u > 0.0):
        return f"{said}."
    lowest, highest = numbers.interval(point.insertion_loss_db, u)
    return (
        f"{said}. With {numbers.CONFIDENCE} confidence the loss there lies between "
        f"{lowest} dB and {highest} dB."
    )


def _expected_sentence(point: Point) -> str:
    expected = numbers.with_uncertainty(point.expected_db, point.expected_expanded_uncertainty_db)
    difference = numbers.companion(
        abs(point.insertion_loss_db - point.expected_db), point.expanded_uncertainty_db
    )
    says = {
        Agreement.AS_EXPECTED: "the two agree within their uncertainties",
        Agreement.MORE: f"it loses {difference} dB more, which the uncertainties do not explain",
        Agreement.LESS: f"it loses {difference} dB less, which the uncertainties do not explain",
    }[agreement(point)]
    return f"What it is made of ought to lose {expected} dB there: {says}."


def _predicate(standing: Standing, count: int) -> str:
    one = count == 1
    return {
        Standing.PASS: "passes" if one else "pass",
        Standing.CONDITIONAL_PASS: "passes conditionally" if one else "pass conditionally",
        Standing.CONDITIONAL_FAIL: "fails conditionally" if one else "fail conditionally",
        Standing.NO_VERDICT: "has no verdict" if one else "have no verdict",
        Standing.FAIL: "fails" if one else "fail",
        Standing.AGAIN: "is to be measured again" if one else "are to be measured again",
        Standing.NO_LIMIT: "has no limit" if one else "have no limit",
        Standing.UNFINISHED: "is not finished" if one else "are not finished",
    }[standing]


def told_doubts(doubts: Iterable[str]) -> list[str]:
    """Doubts that differ in their figures only, once."""
    told: dict[str, str] = {}
    for doubt in doubts:
        told.setdefault(_FIGURES.sub("", doubt), doubt)
    return list(told.values())


def notes_of(run: Run, *, doubts: bool = True) -> list[tuple[str, str]]:
    """Each note once, why there is no verdict first, unless `doubts` are told elsewhere; with the
    bands it concerns, no bands where it concerns all of them."""
    bands_of: dict[str, list[str]] = {}
    for name, band in run.bands.items():
        for note in (*told_doubts(band.doubts if doubts else ()), *band.notes):
            bands_of.setdefault(note, []).append(name)
    everywhere = len(run.bands)
    return [
        ("" if len(names) == everywhere else ", ".join(names), note)
        for note, names in bands_of.items()
    ]
