"""What chains of parts ought to lose, judged for a job: limit, longest length, the best of several.

The arithmetic is in `analysis/expected` and `analysis/link_effect`; here it is asked.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

import numpy as np

from drivers.errors import InputError
from harness.analysis.arrays import FloatArray
from harness.analysis.expected.catalogue_parts import (
    Cable,
    Catalogue,
    UnknownPartError,
    rests_on_memory,
)
from harness.analysis.expected.expected_loss import ExpectedLoss, expected_loss
from harness.analysis.expected.link_effect import longest_length_m, power_lost, range_lost
from harness.analysis.expected.part_list import Part, parse_chain
from harness.station.items import length_in_m

SCHEMA = "tareline-expected/1"


class ExpectedStanding(StrEnum):
    """How an expected loss stands to a limit, best first: surely where its U leaves no doubt."""

    BELOW = "surely below"
    PROBABLY_BELOW = "maybe below"
    PROBABLY_ABOVE = "maybe above"
    ABOVE = "surely above"
    MAXIMUM_BELOW = "below"
    MAXIMUM_ABOVE = "above"

    @property
    def order(self) -> int:
        """The greater, the worse."""
        return list(ExpectedStanding).index(self)

    @property
    def keeps(self) -> bool:
        """Whether the loss itself is at or below the limit."""
        return self in (
            ExpectedStanding.BELOW,
            ExpectedStanding.PROBABLY_BELOW,
            ExpectedStanding.MAXIMUM_BELOW,
        )

    @property
    def is_sure(self) -> bool:
        """Whether it keeps the limit with all that is not known of it."""
        return self in (ExpectedStanding.BELOW, ExpectedStanding.MAXIMUM_BELOW)


@dataclass(frozen=True)
class Job:
    """What chains are wanted for."""

    frequency_hz: FloatArray
    """(P,)"""
    temperature_c: float
    length_limits_m: float = 0.0
    limit_db: float | None = None
    by_maximum: bool = False
    """Judge by the most that good parts may lose, not by the nominal loss with its U."""


@dataclass(frozen=True)
class LongestLength:
    """How long the cable of a chain may be."""

    cable: str
    under_db: float
    judged_m: float
    """Where the nominal (or, if that is judged, the maximum) loss reaches the limit."""
    assured_m: float | None
    """Where the nominal loss plus its U does; None where that is so without any cable, or where
    the maximum is judged."""
    by_maximum: bool

    @property
    def shown_m(self) -> float:
        """The length to show the parts of: the one to rely on, where there is one."""
        return self.judged_m if self.assured_m is None else self.assured_m

    @property
    def reliable_m(self) -> float:
        """The length that keeps the limit with all that is not known; 0 where none does."""
        return self.judged_m if self.by_maximum else self.assured_m or 0.0


@dataclass(frozen=True)
class Candidate:
    """One chain, judged for a job."""

    text: str
    job: Job
    expected: ExpectedLoss
    longest: LongestLength | None = None
    item_name: str = ""
    """Of the item that states the chain; empty where a person does."""

    @property
    def title(self) -> str:
        """What it is called when it is shown."""
        return f"{self.item_name}: {self.text}" if self.item_name else self.text

    @property
    def judged_db(self) -> FloatArray:
        """The loss that is judged, (P,): nominal or maximum."""
        return _judged(self.text, self.expected, self.job)

    @property
    def standings(self) -> list[ExpectedStanding]:
        """How it stands to the limit at each frequency; empty without a limit."""
        limit_db = self.job.limit_db
        if limit_db is None:
            return []
        if self.job.by_maximum:
            return [
                ExpectedStanding.MAXIMUM_BELOW
                if loss <= limit_db
                else ExpectedStanding.MAXIMUM_ABOVE
                for loss in self.judged_db
            ]
        pairs = zip(self.expected.loss_db, self.expected.expanded_uncertainty_db, strict=True)
        return [_standing(loss, u, limit_db) for loss, u in pairs]

    @property
    def against(self) -> list[str]:
        """What speaks against it, as plain sentences."""
        said = list(self.expected.beyond_rating)
        over = [
            f"{hz / 1e9:g} GHz"
            for hz, standing in zip(self.job.frequency_hz, self.standings, strict=False)
            if not standing.keeps
        ]
        if over and self.job.limit_db is not None:
            which = "May lose" if self.job.by_maximum else "Loses"
            said.append(f"{which} more than {self.job.limit_db:g} dB at {', '.join(over)}.")
        return said

    @property
    def is_sure(self) -> bool:
        """Whether it keeps the limit at every frequency, its U included; so without a limit."""
        return all(standing.is_sure for standing in self.standings)

    @property
    def memories(self) -> list[str]:
        """Names of parts whose figures rest on no document."""
        entries = [part.entry for part in self.expected.parts]
        return list(dict.fromkeys(e.name for e in entries if rests_on_memory(e.source)))


def ranked(candidates: Sequence[Candidate]) -> list[Candidate]:
    """Least loss first, or longest cable where that was asked for; those that something speaks
    against come last."""

    def order(candidate: Candidate) -> tuple[bool, float]:
        longest = candidate.longest
        better = -float(candidate.judged_db.max()) if longest is None else longest.reliable_m
        return bool(candidate.against), -better

    return sorted(candidates, key=order)


def candidate(
    text: str,
    job: Job,
    catalogue: Catalogue,
    *,
    longest_under_db: float | None = None,
    item_name: str = "",
) -> Candidate:
    """Judge the chain `text`. A cable without a length takes the longest that is allowed.

    Raises:
        InputError: it cannot be read, has an unknown part, or no length does what is wanted.
    """
    try:
        chain = parse_chain(text, length_in_m)
        longest = None
        if longest_under_db is not None:
            place = _lengthened(text, chain, catalogue)
            longest = _longest(text, chain, place, job, catalogue, longest_under_db)
            if chain[place].length_m is None:
                chain = _with_length(chain, place, longest.shown_m)
        result = Candidate(text, job, _expected(chain, job, catalogue), longest, item_name)
        _judged(text, result.expected, job)
    except (ValueError, UnknownPartError) as error:
        raise InputError(
            str(error),
            where=f"the chain {text!r}",
            hint='write it like "RG-316 450 mm + 2 x SMA"; `tareline catalogue` lists the parts',
        ) from error
    return result


def as_json(candidates: Sequence[Candidate], job: Job) -> dict[str, Any]:
    """The candidates in order, as `tareline-expected/1`; arrays are per frequency."""
    return {
        "schema": SCHEMA,
        "frequency_hz": job.frequency_hz.tolist(),
        "temperature_c": job.temperature_c,
        "limit_db": job.limit_db,
        "judged_by": "maximum" if job.by_maximum else "nominal",
        "candidates": [_candidate_json(c) for c in candidates],
    }


def _candidate_json(candidate: Candidate) -> dict[str, Any]:
    expected, longest = candidate.expected, candidate.longest
    return {
        "chain": candidate.text,
        "item": candidate.item_name or None,
        "length_limits_m": candidate.job.length_limits_m,
        "expected_db": expected.loss_db.tolist(),
        "standard_uncertainty_db": expected.standard_uncertainty_db.tolist(),
        "expected_expanded_uncertainty_db": expected.expanded_uncertainty_db.tolist(),
        "maximum_db": _listed(expected.maximum_db),
        "power_lost": power_lost(candidate.judged_db).tolist(),
        "range_lost": range_lost(candidate.judged_db).tolist(),
        "standing": [str(standing) for standing in candidate.standings],
        "against": candidate.against,
        "longest": None
        if longest is None
        else {
            "cable": longest.cable,
            "under_db": longest.under_db,
            "length_m": longest.judged_m,
            "assured_length_m": longest.assured_m,
        },
        "parts": [
            {
                "name": part.entry.name,
                "count": part.part.count,
                "length_m": part.part.length_m,
                "loss_db": part.loss_db.tolist(),
                "standard_uncertainty_db": part.standard_uncertainty_db.tolist(),
                "maximum_db": _listed(part.maximum_db),
                "source": part.entry.source,
            }
            for part in expected.parts
        ],
        "notes": list(expected.notes),
    }


def _listed(values: FloatArray | None) -> list[float] | None:
    return None if values is None else [float(value) for value in values]


def _expected(chain: Sequence[Part], job: Job, catalogue: Catalogue) -> ExpectedLoss:
    return expected_loss(
        chain,
        catalogue,
        job.frequency_hz,
        temperature_c=job.temperature_c,
        length_limits_m=job.length_limits_m,
    )


def _judged(text: str, expected: ExpectedLoss, job: Job) -> FloatArray:
    if not job.by_maximum:
        return expected.loss_db
    if expected.maximum_db is None:
        lacking = [part.entry.name for part in expected.parts if part.maximum_db is None]
        raise ValueError(f"the catalogue states no maximum of {lacking[0]}")
    return expected.maximum_db


def _standing(loss_db: float, expanded_db: float, limit_db: float) -> ExpectedStanding:
    if loss_db <= limit_db:
        return (
            ExpectedStanding.BELOW
            if loss_db + expanded_db <= limit_db
            else ExpectedStanding.PROBABLY_BELOW
        )
    return (
        ExpectedStanding.ABOVE
        if loss_db - expanded_db > limit_db
        else ExpectedStanding.PROBABLY_ABOVE
    )


def _lengthened(text: str, chain: Sequence[Part], catalogue: Catalogue) -> int:
    """Place in the chain of the cable whose length is sought."""
    cables = [i for i, part in enumerate(chain) if isinstance(catalogue.find(part.name), Cable)]
    open_ended = [i for i in cables if chain[i].length_m is None] or cables
    if len(open_ended) != 1:
        raise ValueError(
            "a longest length is asked for, but "
            + ("there is no cable in it" if not cables else "more than one cable could have it")
            + ": leave the length of exactly one cable out"
        )
    return open_ended[0]


def _with_length(chain: Sequence[Part], place: int, length_m: float) -> tuple[Part, ...]:
    return (*chain[:place], replace(chain[place], length_m=length_m), *chain[place + 1 :])


def _longest(
    text: str,
    chain: Sequence[Part],
    place: int,
    job: Job,
    catalogue: Catalogue,
    under_db: float,
) -> LongestLength:
    def judged(length_m: float) -> float:
        of_length = _expected(_with_length(chain, place, length_m), job, catalogue)
        return float(_judged(text, of_length, job).max())

    def with_u(length_m: float) -> float:
        of_length = _expected(_with_length(chain, place, length_m), job, catalogue)
        return float(np.max(of_length.loss_db + of_length.expanded_uncertainty_db))

    assured_m = None
    if not job.by_maximum and with_u(0.0) <= under_db:
        assured_m = longest_length_m(with_u, under_db)
    name = catalogue.find(chain[place].name).name
    judged_m = longest_length_m(judged, under_db)
    return LongestLength(name, under_db, judged_m, assured_m, job.by_maximum)
