"""What the bench remembers of its connections, and what it makes of a new one.

It knows the last zero and the last connection of an item, whoever's it was, and what people have
said of them. Words for what it finds stand here, too: they are those of the bench.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from drivers.sweep import Sweep
from harness.analysis.likeness.made_connection import MadeConnection, made_connection
from harness.analysis.likeness.reads_like import (
    ForeseenItem,
    Likeness,
    PlaceStatements,
    Resemblance,
    item_reads_like,
    through_reads_like,
)
from harness.analysis.likeness.zero_level import ForeseenZero, ZeroOffset, zero_offset

UNLIKE = (Likeness.UNLIKE_EARLIER, Likeness.UNLIKE_STATED)
"""Joined leads that are not where they ought to be, although nothing was joined before them."""
Swept = Mapping[str, Sequence[Sweep]]
"""The sweeps of one connection, by band."""


@dataclass(frozen=True)
class Doubt:
    """Why a connection cannot be believed."""

    likeness: Likeness
    text: str
    """The likely cause first or as a question, in the words of the bench."""


OF_THE_SITTING = (Likeness.UNTOUCHED, Likeness.OTHER)
"""What people say of these holds for items like it, too: how well connections repeat here, how
long such an item is."""


class ConnectionJudge:
    """Compares each connection with those before it, and with what is stated."""

    def __init__(
        self,
        stated: PlaceStatements,
        foreseen_of: Callable[[str], ForeseenItem],
        doubtful_change_db: Callable[[float], float],
        *,
        may_stay_untouched: bool = False,
        foreseen_zeros: Sequence[Mapping[str, ForeseenZero]] = (),
    ) -> None:
        """`doubtful_change_db`: beyond which it is no zero that moved, in a time in seconds;
        `may_stay_untouched`: a new insertion is none by hand, but a closing of a switch;
        `foreseen_zeros`: by band, where the first zero ought to be."""
        self._foreseen_zeros = foreseen_zeros
        self._stated = stated
        self._foreseen_of = foreseen_of
        self._doubtful_change_db = doubtful_change_db
        self._may_stay_untouched = may_stay_untouched
        self._zero: dict[str, MadeConnection] = {}
        self._item: dict[str, MadeConnection] | None = None
        self._item_name = ""
        self._believed: set[tuple[Likeness, str]] = set()

    def of_item(self, item: str, swept: Swept) -> Doubt | None:
        """Why these sweeps can hardly be an insertion of an item; None where they can."""
        now = _made(swept)
        reading = item_reads_like(
            now,
            self._zero,
            None if self._may_stay_untouched else self._item,
            self._foreseen_of(item),
            self._stated,
        )
        if reading is None or self._is_believed(reading.likeness, item):
            return None
        return Doubt(reading.likeness, item_words(reading, item, self._item_name))

    def of_through(self, swept: Swept) -> Doubt | None:
        """Why these sweeps can hardly be joined leads; None where they can. The first are compared
        with what is foreseen, later ones with the zero before."""
        now = _made(swept)
        if not self._zero:
            return self._of_first_zero(now)
        apart_s = max(now[band].time - self._zero[band].time for band in now)
        reading = through_reads_like(
            now, self._zero, self._item, self._doubtful_change_db(apart_s), self._stated
        )
        if reading is None or self._is_believed(reading.likeness, ""):
            return None
        return Doubt(reading.likeness, through_words(reading))

    def _of_first_zero(self, now: Mapping[str, MadeConnection]) -> Doubt | None:
        if any(self._is_believed(likeness, "") for likeness in UNLIKE):
            return None
        for foreseen in self._foreseen_zeros:
            off = zero_offset(now, foreseen)
            if off is not None and not off.is_explained:
                return Doubt(off.foreseen.likeness, zero_words(off))
        return None

    def told_of_zero(self, swept: Swept) -> str:
        """How the first zero compares with what is foreseen of it; empty where nothing is, or of
        a later one."""
        if self._zero:
            return ""
        now = _made(swept)
        offsets = [zero_offset(now, foreseen) for foreseen in self._foreseen_zeros]
        return "; ".join(offset_words(off) for off in offsets if off is not None)

    def believe(self, doubt: Doubt, item: str) -> None:
        """Somebody says that it is as it should be; `item` is empty of joined leads."""
        of = "" if doubt.likeness in OF_THE_SITTING else item
        self._believed.add((doubt.likeness, of))

    def agree(self, first: Swept, second: Swept) -> bool:
        """Whether two makings of the joined leads lie within what the zero may move."""
        one, other = _made(first), _made(second)
        return all(
            float(np.max(np.abs(other[band].level_db - one[band].level_db)))
            <= self._doubtful_change_db(other[band].time - one[band].time)
            for band in other
        )

    def keep_item(self, item: str, swept: Swept) -> None:
        """Remember an insertion for those that come."""
        self._item, self._item_name = _made(swept), item

    def keep_through(self, swept: Swept) -> None:
        """Remember joined leads as the zero."""
        self._zero, self._item, self._item_name = _made(swept), None, ""

    def _is_believed(self, likeness: Likeness, item: str) -> bool:
        return bool({(likeness, item), (likeness, "")} & self._believed)


def _made(swept: Swept) -> dict[str, MadeConnection]:
    return {
        band: made_connection(
            sweeps[0].frequency_hz,
            tuple(sweeps[0].traces),
            np.stack([sweep.readings for sweep in sweeps]),
            np.array([sweep.time for sweep in sweeps]),
        )
        for band, sweeps in swept.items()
    }


def item_words(reading: Resemblance, item: str, before: str) -> str:
    """What an insertion reads like, the likely cause as a question."""
    sweeps = "If it is, does the instrument sweep at every trigger?"
    match reading.likeness:
        case Likeness.LEADS:
            return (
                f"This reads like the joined leads ({_figures(reading)}): is {item} in, and no "
                "other item? If it is, something was between the leads while normalizing: the "
                "zero is wrong, normalize anew."
            )
        case Likeness.UNTOUCHED if before == item:
            return (
                f"This reads like the same connection as last time, to the noise: is {item} "
                f"undone and connected again? {sweeps}"
            )
        case Likeness.UNTOUCHED:
            return (
                f"This reads like the same connection as that of {before}, the item before, to "
                f"the noise: is {item} in instead? {sweeps}"
            )
        case Likeness.OPEN:
            return (
                f"This reads like open leads ({_figures(reading)}): are both ends of {item} made?"
            )
        case _:
            return (
                f"This reads like another item, not what {item} is made of ({_figures(reading)}, "
                f"about {reading.foreseen_s * 1e9:.2g} ns expected): which one is in? If it is "
                "this one, was something between the leads while normalizing?"
            )


def through_words(reading: Resemblance) -> str:
    """What the joined leads read like."""
    against = f"Against the zero before they are {_figures(reading)} off."
    if reading.likeness is Likeness.ITEM:
        return f"Is the item still in? The joined leads read like it. {against}"
    cause = (
        "Was something between the leads while normalizing?"
        if reading.change_db < 0.0
        else "Is a lead loose?"
    )
    return f"Is the item still in? The joined leads do not read as before. {against} {cause}"


def offset_words(off: ZeroOffset) -> str:
    """How far the joined leads are off, and what is explained of it."""
    more = "more" if off.loss_db > 0.0 else "less"
    against = (
        f"in the {off.foreseen.sittings} sittings before"
        if off.foreseen.sittings
        else "[leads] of the station states"
    )
    return (
        f"the joined leads lose {abs(off.loss_db):.3f} dB {more} than {against} "
        f"(band {off.band}; {off.foreseen.within_db:.3f} dB explained)"
    )


def zero_words(off: ZeroOffset) -> str:
    """Why the first zero cannot be believed."""
    if off.loss_db < 0.0:
        causes = "Is a pad left out, or are these other leads than before?"
    else:
        causes = (
            "Is an item still in, or a lead loose? If not: are these other leads, or other pads, "
            "than before?"
        )
    said = offset_words(off)
    return f"{causes} {said[0].upper()}{said[1:]}."


def _figures(reading: Resemblance) -> str:
    figures = f"{reading.change_db:.3f} dB"
    if math.isfinite(reading.delay_s):
        figures += f" and {reading.delay_s * 1e9:.2g} ns"
    return figures
