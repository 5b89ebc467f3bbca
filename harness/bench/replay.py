"""What a stopped run holds already, gone through beside its procedure.

The procedure is carried out again from the top. Each step whose sweeps are all kept is left out;
at the first one that is not the run goes on in earnest. Numbers of makings and insertions are
those in the run file. They are not always the procedure's own count, because going on makes
further ones; marks tell which.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping

from drivers.errors import InputError
from harness.bench.takeover import (
    MARK,
    SCHEDULE,
    SCHEDULE_END,
    Marks,
    PastSchedule,
    Takeover,
    missed_to,
    read_json,
)
from harness.run_file import Kind
from harness.run_file.run import Event

Counts = Mapping[tuple[str, Kind, int], int]


class Replay:
    """A procedure's way through what is kept; `is_live` from where it goes beyond that."""

    def __init__(
        self, bands: Collection[str], sweeps: Counts, events: Collection[Event],
        last_joined: float = -math.inf, last_swept: float = -math.inf,
    ) -> None:  # fmt: skip
        """`sweeps`: sound ones by band, kind and index; `last_joined` and `last_swept`:
        when the last sweep of the through and of the item was made, Unix s.

        Raises:
            InputError: an event does not say what one of its kind must.
        """
        self.is_live = not sweeps and not events
        self.last_swept = last_swept
        self.takeover: Takeover | None = None
        """Where the run goes on, until somebody takes it over."""
        self._bands = tuple(bands)
        self._sweeps = sweeps
        self._last_joined = last_joined
        self._notes = {event.text for event in events if event.kind == "note"}
        self._marks = Marks()
        for mark in read_json(events, MARK):
            self._marks.read(mark)
        self._begun, self._ended = read_json(events, SCHEDULE), read_json(events, SCHEDULE_END)
        self._missed_to = missed_to(events)
        self._schedule = 0
        self._making = 0
        self._insertion = 0
        self._used = 0
        self._is_in_insertion = False

    def has_note(self, text: str) -> bool:
        """Whether a remark was kept before the run stopped."""
        return not self.is_live and text in self._notes

    def has_making(self, sweeps: int) -> bool:
        """Whether the next making of the through is kept, and if so, go past it."""
        if self.is_live:
            return False
        # also where the procedure is still in the body of its insertion
        self.end_insertion()
        self._pass_extra_makings()
        here = self._counts("normalization", self._making)
        if any(count > sweeps for count in here):
            raise self._mismatch(f"making {self._making + 1} of the through holds {max(here)}")
        if all(count == sweeps for count in here) and self._making not in self._not_in_order:
            self._making += 1
            return True
        self._go_live(broken_making=self._making if any(here) else None)
        return False

    def begin_insertion(self) -> None:
        """The procedure begins an insertion."""
        self._used = 0
        self._is_in_insertion = True

    def has_sweeps(self, count: int) -> bool:
        """Whether `count` further sweeps of each band of an insertion are kept; goes past them."""
        if self.is_live:
            return False
        while self._marks.broken_insertions.get(self._insertion) == self._used:
            self._insertion += 1
            self._used = 0
        here = self._counts("insertions", self._insertion)
        if self._insertion in self._marks.unsettled:
            self._go_live(broken_insertion=self._insertion)
            return False
        if all(kept >= self._used + count for kept in here):
            self._used += count
            return True
        if any(kept > self._used + count for kept in here):
            raise self._mismatch(f"insertion {self._insertion + 1} holds {max(here)}")
        self._go_live(broken_insertion=self._insertion if any(here) else None)
        return False

    def end_insertion(self) -> None:
        """The procedure ends its insertion, if it is in one.

        Raises:
            InputError: more is kept of it than the procedure makes.
        """
        if self.is_live or not self._is_in_insertion:
            return
        self._is_in_insertion = False
        here = self._counts("insertions", self._insertion)
        if any(kept != self._used for kept in here):
            raise self._mismatch(f"insertion {self._insertion + 1} holds {max(here)}")
        self._insertion += 1

    def schedule(self) -> PastSchedule | None:
        """The schedule that the procedure begins, where it was begun before the run stopped."""
        if self.is_live:
            return None
        self._pass_extra_makings()
        if self._schedule >= len(self._begun):
            self._go_live()
            return None
        begun = self._begun[self._schedule]
        if begun["insertion"] != self._insertion:
            raise self._mismatch("a schedule was begun")
        if self._schedule < len(self._ended):
            ended = self._ended[self._schedule]
            self._schedule += 1
            self._making, self._insertion = ended["making"], ended["insertion"]
            return PastSchedule(begun["start"], has_ended=True)
        # its makings and insertions are not the procedure's, so none of them counts as left over
        self._making, self._insertion = self._beyond("normalization"), self._beyond("insertions")
        # unless the leads were being joined, the item was inserted when the run stopped
        is_broken = self.last_swept > self._last_joined
        self._insertion -= is_broken
        self._used = 0
        self._go_live(broken_insertion=self._insertion if is_broken else None)
        return PastSchedule(begun["start"], has_ended=False, missed_to=self._missed_to)

    def take_over(self) -> Takeover | None:
        """Where the run goes on, once: to whoever makes the first step in earnest."""
        takeover, self.takeover = self.takeover, None
        return takeover

    def require_end(self) -> None:
        """Make sure, after the procedure, that nothing is left over.

        Raises:
            InputError: more is kept than the procedure makes.
        """
        if not self.is_live:
            self._pass_extra_makings()
            self._require_nothing_beyond(self._making, self._insertion)

    def _go_live(
        self, broken_making: int | None = None, broken_insertion: int | None = None
    ) -> None:
        self._require_nothing_beyond(
            self._making + (broken_making is not None),
            self._insertion + (broken_insertion is not None),
        )
        self.is_live = True
        self.takeover = Takeover(
            making=max(self._making, self._beyond("normalization")),
            insertion=max(self._insertion, self._beyond("insertions")),
            reference=self._reference(),
            broken_making=broken_making,
            broken_insertion=broken_insertion,
            sweeps=self._used if broken_insertion is not None else 0,
            is_unsettled=broken_insertion in self._marks.unsettled,
            unjudged_making=self._last_unjudged(),
        )

    @property
    def _not_in_order(self) -> set[int]:
        """Makings that nobody has found to be a zero that holds."""
        return self._marks.doubtful | self._marks.unjudged

    def _last_unjudged(self) -> int | None:
        last = max((i for _, kind, i in self._sweeps if kind == "normalization"), default=None)
        return last if last in self._not_in_order else None

    def _require_nothing_beyond(self, making: int, insertion: int) -> None:
        beyond: tuple[tuple[str, Kind, int], ...] = (
            ("a making of the through", "normalization", making),
            ("an insertion", "insertions", insertion),
        )
        for what, kind, first in beyond:
            left = {index for _, of, index in self._sweeps if of == kind and index >= first}
            if kind == "normalization":
                left -= self._marks.extra | self._marks.broken_makings
            if left:
                raise self._mismatch(f"{what} ({min(left) + 1}) is kept")

    def _reference(self) -> dict[str, int]:
        last: dict[str, int] = {}
        for band, kind, index in self._sweeps:
            if kind == "normalization" and index not in self._not_in_order:
                last[band] = max(index, last.get(band, index))
        return last

    def _beyond(self, kind: Kind) -> int:
        """The number after all that were ever used."""
        used = {index for _, of, index in self._sweeps if of == kind}
        if kind == "normalization":
            used |= self._marks.extra | self._marks.broken_makings
        else:
            used |= set(self._marks.broken_insertions)
        return max(used, default=-1) + 1

    def _pass_extra_makings(self) -> None:
        while self._making in self._marks.extra or self._making in self._marks.broken_makings:
            self._making += 1

    def _counts(self, kind: Kind, index: int) -> list[int]:
        return [self._sweeps.get((band, kind, index), 0) for band in self._bands]

    def _mismatch(self, what: str) -> InputError:
        return InputError(
            f"the procedure is not the one that this run was made with: {what}, where the "
            "procedure now asks for something else",
            hint="take the procedure as it was, or measure the item again",
        )
