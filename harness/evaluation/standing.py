"""How a band and a run stand: verdict, worst point, deciding band, loss against expected."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum

import numpy as np

from harness.analysis.uncertainty.conformity import Verdict
from harness.run_file.run import BandResult, Run


class Standing(Enum):
    """What can be said of a band, a run or a set of runs: word, sign and a name for styling."""

    PASS = ("pass", "✓", "pass")
    CONDITIONAL_PASS = ("conditional pass", "(✓)", "conditional-pass")
    CONDITIONAL_FAIL = ("conditional fail", "(✗)", "conditional-fail")
    NO_VERDICT = ("no verdict", "?", "no-verdict")
    FAIL = ("fail", "✗", "fail")
    AGAIN = ("measure again", "?", "again")
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


def standing_of_verdict(verdict: Verdict | None, *, is_limited: bool) -> Standing:
    """The verdict, or why there is none: no limit, or readings that allow no verdict."""
    if verdict is not None:
        return Standing[verdict.name]
    return Standing.NO_VERDICT if is_limited else Standing.NO_LIMIT


def worst_standing(standings: Iterable[Standing]) -> Standing:
    """How all of them together stand: unfinished, or to be measured again, where one is, else the
    worst of those that have a limit; no limit where none has one."""
    found = set(standings)
    order = (Standing.UNFINISHED, Standing.AGAIN, *WORST_FIRST)
    return next((bad for bad in order if bad in found), Standing.NO_LIMIT)


def reach(
    standing: Standing, loss_db: float, margin_db: float, expanded_uncertainty_db: float
) -> tuple[int, float]:
    """How soon a band decides, lowest first: by the worst standing, in it by the least margin
    counted in U; what has no limit comes last, greatest loss first."""
    if standing is Standing.NO_LIMIT:
        return len(WORST_FIRST), -loss_db
    place = WORST_FIRST.index(standing)
    return (
        (place, 0.0)
        if standing is Standing.NO_VERDICT
        else (place, margin_db / expanded_uncertainty_db)
    )


def standing_of_band(band: BandResult) -> Standing:
    """The verdict of a band, or why it has none: what is doubted has none, limit or not."""
    if band.doubts:
        return Standing.NO_VERDICT
    verdict = None if band.decision is None else band.decision.verdict
    return standing_of_verdict(verdict, is_limited=band.limit_db is not None)


def standing_in_run(run: Run, band: str) -> Standing:
    """As `standing_of_band`, but no band has a verdict where the item is to be measured again."""
    return Standing.AGAIN if run.wanted_again else standing_of_band(run.bands[band])


def standing_of_run(run: Run) -> Standing:
    """The worst standing over the bands that have a limit, or why that does not count."""
    if not run.finished or not run.bands:
        return Standing.UNFINISHED
    if run.wanted_again:
        return Standing.AGAIN
    return worst_standing(map(standing_of_band, run.bands.values()))


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

    def reach_of(name: str) -> tuple[int, float]:
        band, point = run.bands[name], worst_point(run.bands[name])
        return reach(
            standing_of_band(band),
            point.insertion_loss_db,
            point.margin_db,
            point.expanded_uncertainty_db,
        )

    return min(run.bands, key=reach_of)
