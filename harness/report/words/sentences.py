"""What a run says, in words: verdicts, the worst point, and plain sentences."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np

from harness.analysis.uncertainty.budget import COVERAGE_PROBABILITY, Contribution
from harness.report.words import numbers
from harness.report.words.decisions import limit_sentence, risk_sentence
from harness.run_file.run import BandResult, Run

SIMULATED = "Simulated readings: made by the simulated bench, not measured"
CONFIDENCE = f"{100 * COVERAGE_PROBABILITY:.2f} %"


class Standing(Enum):
    """What can be said of a band, a run or a set of runs: word, sign and a name for styling."""

    PASS = ("pass", "✓", "pass")
    CONDITIONAL_PASS = ("conditional pass", "(✓)", "conditional-pass")
    CONDITIONAL_FAIL = ("conditional fail", "(✗)", "conditional-fail")
    NO_VERDICT = ("no verdict", "?", "no-verdict")
    FAIL = ("fail", "✗", "fail")
    NO_LIMIT = ("no limit", "–", "no-limit")
    UNFINISHED = ("not finished", "…", "unfinished")

    def __init__(self, word: str, sign: str, slug: str) -> None:
        self.word = word
        self.sign = sign
        self.slug = slug


WORST_FIRST = (
    Standing.FAIL,
    Standing.NO_VERDICT,
    Standing.CONDITIONAL_FAIL,
    Standing.CONDITIONAL_PASS,
    Standing.PASS,
)
"""Standings of bands that have a limit."""


@dataclass(frozen=True)
class Point:
    """The figures of a band at its worst point; NaN where the run states none."""

    index: int
    frequency_hz: float
    insertion_loss_db: float
    expanded_uncertainty_db: float
    limit_db: float
    margin_db: float
    expected_db: float
    expected_expanded_uncertainty_db: float


class Agreement(Enum):
    """Loss against the expected loss."""

    AS_EXPECTED = "as expected"
    MORE = "more than expected"
    LESS = "less than expected"
    NONE = ""


def standing_of_band(band: BandResult) -> Standing:
    """The verdict of a band, or why it has none: no limit, or readings that allow no verdict."""
    if band.decision is not None:
        return Standing[band.decision.verdict.name]
    return Standing.NO_LIMIT if band.limit_db is None else Standing.NO_VERDICT


def standing_of_run(run: Run) -> Standing:
    """The worst standing over the bands that have a limit."""
    if not run.finished or not run.bands:
        return Standing.UNFINISHED
    standings = {standing_of_band(band) for band in run.bands.values()}
    return next((bad for bad in WORST_FIRST if bad in standings), Standing.NO_LIMIT)


def worst_index(band: BandResult) -> int:
    """Index of the worst point: the decision's, or the greatest loss without a limit."""
    if band.decision is not None:
        return band.decision.worst_index
    loss = band.insertion_loss_db
    return int(np.argmax(np.where(np.isfinite(loss), loss, -np.inf)))


def worst_point(band: BandResult) -> Point:
    """The figures of a band at `worst_index`."""
    index = worst_index(band)

    def at(values: np.ndarray | None) -> float:
        return math.nan if values is None else float(values[index])

    return Point(
        index=index,
        frequency_hz=float(band.frequency_hz[index]),
        insertion_loss_db=float(band.insertion_loss_db[index]),
        expanded_uncertainty_db=float(band.expanded_uncertainty_db[index]),
        limit_db=at(band.limit_db),
        margin_db=math.nan if band.decision is None else band.decision.margin_db,
        expected_db=at(band.expected_db),
        expected_expanded_uncertainty_db=at(band.expected_expanded_uncertainty_db),
    )


def agreement(point: Point) -> Agreement:
    """Whether loss and expected loss agree within their uncertainties.

    Normalized error |E_n| <= 1 (ISO/IEC 17043:2010, B.3.1.3), the two taken as independent.
    """
    difference = point.insertion_loss_db - point.expected_db
    reach = math.hypot(point.expanded_uncertainty_db, point.expected_expanded_uncertainty_db)
    if not (math.isfinite(difference) and math.isfinite(reach)):
        return Agreement.NONE
    if abs(difference) <= reach:
        return Agreement.AS_EXPECTED
    return Agreement.MORE if difference > 0.0 else Agreement.LESS


def deciding_band(run: Run) -> str:
    """Name of the band that decides: least margin counted in U, else the greatest loss.

    Raises:
        ValueError: the run has no bands.
    """

    def reach(name: str) -> tuple[int, float]:
        band = run.bands[name]
        point = worst_point(band)
        standing = standing_of_band(band)
        if standing is Standing.NO_LIMIT:
            return (len(WORST_FIRST), -point.insertion_loss_db)
        if band.decision is None:
            return (WORST_FIRST.index(standing), 0.0)
        return (WORST_FIRST.index(standing), point.margin_db / point.expanded_uncertainty_db)

    return min(run.bands, key=reach)


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
    plural = "run" if len(runs) == 1 else "runs"
    return f"{len(runs)} {plural}: {', '.join(parts)}" if runs else "no runs"


def bands_sentence(run: Run) -> str:
    """How the bands stand: `All 5 bands pass.` or `3 of 5 bands pass; 2 fail.`"""
    counts = dict.fromkeys(Standing, 0)
    for band in run.bands.values():
        counts[standing_of_band(band)] += 1
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
    said = [bands_sentence(run), _loss_sentence(name, band, point)]
    if band.decision is not None:
        u_db = point.expanded_uncertainty_db
        said.append(limit_sentence(band.decision, point.limit_db, u_db))
        said.append(risk_sentence(band.decision))
    if agreement(point) is not Agreement.NONE:
        said.append(_expected_sentence(point))
    if band.decision is not None and band.decision.advice:
        said.append(band.decision.advice)
    return said


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
        f"{said}. With {CONFIDENCE} confidence the loss there lies between "
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
        Standing.NO_LIMIT: "has no limit" if one else "have no limit",
        Standing.UNFINISHED: "is not finished" if one else "are not finished",
    }[standing]


def notes_of(run: Run) -> list[tuple[str, str]]:
    """Each note once, with the bands it concerns; no bands where it concerns all of them."""
    bands_of: dict[str, list[str]] = {}
    for name, band in run.bands.items():
        for note in band.notes:
            bands_of.setdefault(note, []).append(name)
    everywhere = len(run.bands)
    return [
        ("" if len(names) == everywhere else ", ".join(names), note)
        for note, names in bands_of.items()
    ]
