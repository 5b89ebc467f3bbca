"""The Bench: what a procedure asks for, in the words of a bench card.

It switches RF off around every change of a connection, has connections made, sweeps every
band, and puts each sweep into the run file before it says that the sweep is done. Where a run is
gone on with, what its file holds already is left out.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping

from drivers.sweep import SweepSettings
from harness.bench.connecting import change_connection, join_leads, sweep_insertion
from harness.bench.equipment import Equipment
from harness.bench.procedure_errors import not_inserted, not_normalized, require_positive
from harness.bench.replay import Replay
from harness.bench.schedule import Schedule, Terms, read_terms
from harness.bench.scheduled import Rounds, keep_schedule
from harness.bench.sweeping import Sweeping
from harness.bench.takeover import MARK, MISSED, SCHEDULE, SCHEDULE_END, PastSchedule, Takeover
from harness.bench.zero_judgement import GoingOn

NORMALIZATION_SWEEPS = 4
STOPPED = "the run was stopped"
"""Why ticks of a schedule were missed."""


class Bench:
    """One item on one station; see `procedures/` for how it is used."""

    def __init__(
        self,
        equipment: Equipment,
        item: str,
        bands: Mapping[str, SweepSettings],
        past: Replay | None = None,
        going_on: GoingOn | None = None,
    ) -> None:
        """`past`: what the run holds already; `going_on` judges its zero before it goes on."""
        self.item = item
        self.bands = dict(bands)
        self._equipment = equipment
        self._past = past or Replay((), {}, ())
        self._going_on = going_on
        self._sweeping = Sweeping(
            equipment,
            bands,
            going_on.rows if going_on else None,
            going_on.times if going_on else None,
        )
        self._makings = 0
        self._is_inserted = False
        self._is_settled = True
        """Whether what is inserted has been swept, and believed or given up."""
        self._insertion = 0
        self._insertions_made = 0
        self._insertion_of = (1, 1)
        """Which insertion it is, and of how many, for whoever makes it."""
        self._in_schedule = False

    def normalize(self, sweeps: int = NORMALIZATION_SWEEPS, makings: int = 1) -> None:
        """Record the through response of the leads in every band, joining them `makings` times.

        Several makings in a row count as one check of the zero and show how well it repeats.
        """
        self._end_schedule()
        self._sweep_through(sweeps, makings, f"normalizing, {sweeps} sweeps a band")

    def check_normalization(self, sweeps: int = NORMALIZATION_SWEEPS, makings: int = 1) -> None:
        """Join the leads again, `makings` times, and record what became of the zero.

        Also between two insertions; the item is then not inserted until the next one.

        Raises:
            InputError: the procedure has not normalized yet.
        """
        self._require_normalization("check_normalization()")
        self._end_schedule()
        self._sweep_through(sweeps, makings, f"checking the zero, {sweeps} sweeps a band")

    def insertions(self, count: int) -> Iterator[int]:
        """Insert the item `count` times, disconnecting it in between; yields 1, 2, ...

        Raises:
            InputError: the procedure has not normalized yet, or asks for none.
        """
        self._require_normalization("insertions()")
        require_positive(count, "insertions")
        self._end_schedule()
        for number in range(1, count + 1):
            self._insertion_of = number, count
            if self._past.is_live:
                self._insert(f"insertion {number} of {count}")
            else:
                self._past.begin_insertion()
                self._is_inserted = True
            yield number
            self._past.end_insertion()
            self._is_inserted = False

    def scheduled(
        self, every: str, lasting: str, *, check_every: str = "1 h", until: str = "",
        patience: str = "10 min",
    ) -> Iterator[int]:  # fmt: skip
        """Insert the item, and yield 0, 1, ... on time: the k-th k times `every` after the start.

        Quantities are texts with their units. The zero is checked after every `check_every`, and
        the item inserted again, unless a person has to make the connections. `until` ends it
        early once U is at most that. An instrument that fails is waited for up to `patience`.
        Ticks that are late by a whole interval are left out, and recorded as missed.

        Raises:
            InputError: the procedure has not normalized yet, or a quantity cannot be read.
        """
        self._require_normalization("scheduled()")
        self._end_schedule()
        terms = read_terms(every, lasting, check_every, until, patience)
        past = self._past.schedule()
        if past is not None and past.has_ended:
            return
        schedule = self._schedule_of(terms, past)
        if past is None or self._equipment.clock() < schedule.end:
            self._sweeping.begin_in_time(terms.patience_s)
            self._in_schedule = True
            yield from self._keep(terms, schedule, past)
            self._end_schedule()
        else:
            if self._past.takeover is not None:
                # the step after the schedule is where the run goes on
                self._count_from(self._past.takeover)
            self._tell_missed(schedule, past)
            self._record_end_of_schedule()

    def sweep(self, count: int = 1) -> None:
        """Sweep every band `count` times with the item inserted.

        Raises:
            InputError: the item is not inserted: call it within `insertions()`.
        """
        if not self._is_inserted:
            raise not_inserted()
        require_positive(count, "sweeps")
        if self._past.has_sweeps(count):
            return
        takeover = self._past.take_over()
        if takeover is not None:
            self._set_unsettled_aside(takeover)
            self._check_before_going_on(takeover)
            self._insert("going on: insertion {} of {}".format(*self._insertion_of))
        if self._is_settled:
            self._sweeping.sweep_bands("insertions", self._insertion, count)
        else:
            self._sweep_first(count)

    def _sweep_first(self, count: int) -> None:
        """Sweep what was just inserted; until it is settled whether it is, it does not count."""
        is_judged = self._equipment.judge is not None
        if is_judged:
            self._sweeping.record(MARK, json.dumps({"unsettled": self._insertion}))
        sweep_insertion(self._sweeping, self.item, self._insertion, count, self._connect)
        self._is_settled = True
        if is_judged:
            self._sweeping.record(MARK, json.dumps({"settled": self._insertion}))

    def note(self, text: str) -> None:
        """Put a remark into the run file."""
        if not self._past.has_note(text):
            self._sweeping.record("note", text)

    def rf_off(self) -> None:
        """Switch the source off and make sure of it, afresh if it does not answer."""
        if self._past.is_live:
            self._sweeping.rf_off()
            self._end_schedule()

    def close(self) -> None:
        """Return when everything is on disk; whoever runs the procedure calls it, RF off."""
        self._sweeping.close()

    def _schedule_of(self, terms: Terms, past: PastSchedule | None) -> Schedule:
        """The schedule that goes on, or one that begins once the item is inserted."""
        if past is not None:
            return Schedule(past.start, terms.every_s, terms.lasting_s)
        takeover = self._past.take_over()
        if takeover is not None:
            self._check_before_going_on(takeover)
        insertion = self._insertions_made
        self._insertion_of = 1, 1
        self._insert("inserting the item for the schedule")
        schedule = Schedule(self._equipment.clock(), terms.every_s, terms.lasting_s)
        begun = {"start": schedule.start, "every_s": schedule.every_s,
                 "lasting_s": schedule.lasting_s, "insertion": insertion}  # fmt: skip
        self._sweeping.record(SCHEDULE, json.dumps(begun))
        return schedule

    def _keep(self, terms: Terms, schedule: Schedule, past: PastSchedule | None) -> Iterator[int]:
        """The ticks; of a schedule that goes on, those from now."""
        following = 0
        if past is not None:
            takeover = self._past.take_over()
            if takeover is None:
                raise AssertionError("a schedule that goes on is where the run is taken over")
            self._check_before_going_on(takeover)
            self._insert("going on with the schedule")
            following = self._tell_missed(schedule, past)
        rounds = Rounds(self._equipment, self._sweeping, terms, self._recheck)
        yield from keep_schedule(rounds, schedule, following)

    def _tell_missed(self, schedule: Schedule, past: PastSchedule) -> int:
        """Record the ticks that nobody made while the run was stopped; returns the next one."""
        following = max(schedule.tick_at(self._past.last_swept), past.missed_to) + 1
        missed = schedule.turn(following, self._equipment.clock()).missed
        if missed:
            text = schedule.missed_text(following, missed, STOPPED)
            self._sweeping.record(MISSED, text)
        return following + missed

    def _end_schedule(self) -> None:
        """Also of one whose loop the procedure has left, once it asks for something else.

        Not when its loop is left: an error does that as well, and then the schedule may go on.
        """
        if self._in_schedule:
            self._in_schedule = False
            self._sweeping.end_in_time()
            self._record_end_of_schedule()

    def _record_end_of_schedule(self) -> None:
        self._is_inserted = False
        end = {"making": self._makings, "insertion": self._insertions_made}
        self._sweeping.record(SCHEDULE_END, json.dumps(end))

    def _recheck(self) -> None:
        """Check the zero in the middle of a schedule, and insert the item again."""
        number = self._insertion_of[0] + 1
        what = f"checking the zero, {NORMALIZATION_SWEEPS} sweeps a band"
        self._sweep_through(NORMALIZATION_SWEEPS, 1, what)
        self._insertion_of = number, number
        self._insert("inserting the item again")

    def _require_normalization(self, call: str) -> None:
        if not self._makings:
            raise not_normalized(call)

    def _sweep_through(self, sweeps: int, makings: int, what: str) -> None:
        require_positive(sweeps, "sweeps")
        require_positive(makings, "makings of the through")
        for making in range(1, makings + 1):
            if self._past.has_making(sweeps):
                self._makings += 1
                self._is_inserted = False
                continue
            text = what if makings == 1 else f"{what}, {making} of {makings}"
            takeover = self._past.take_over()
            if takeover is None:
                self._make_through(sweeps, text)
            else:
                self._count_from(takeover)
                self._make_judged(takeover, sweeps, text, is_extra=False)

    def _make_through(self, sweeps: int, what: str) -> None:
        self._is_inserted = False
        again = self._makings > 0
        what_again = "joining the leads again"
        is_judged = self._equipment.judge is not None
        if is_judged:
            self._sweeping.record(MARK, json.dumps({"unjudged": self._makings}))
        join_leads(self._sweeping, self._makings, sweeps, what, what_again, again=again)
        if is_judged:
            self._sweeping.record(MARK, json.dumps({"judged": self._makings}))
        self._makings += 1

    def _check_before_going_on(self, takeover: Takeover) -> None:
        """A connection is doubtful after a stop, and so is the zero: that is looked at first."""
        self._count_from(takeover)
        what = f"checking the zero before going on, {NORMALIZATION_SWEEPS} sweeps a band"
        self._make_judged(takeover, NORMALIZATION_SWEEPS, what, is_extra=True)

    def _make_judged(self, takeover: Takeover, sweeps: int, what: str, *, is_extra: bool) -> None:
        """Make the through, and go on only if the zero is where it was."""
        if takeover.unjudged_making is not None and self._going_on is not None:
            # whatever was joined then was swept, and the run stopped before that was looked at
            rows = self._going_on.first_rows("normalization", takeover.unjudged_making)
            self._sweeping.mark_suspect(rows)
        self._sweeping.record(MARK, takeover.mark(is_extra=is_extra))
        rows = self._sweeping.rows()
        self._make_through(sweeps, what)
        if self._going_on is None:
            # a rehearsal, whose readings say nothing
            return
        self._sweeping.drain()
        try:
            text = self._going_on.judge(takeover, is_extra=is_extra)
        except Exception:
            self._sweeping.mark_suspect(rows)
            raise
        self._sweeping.record(MARK, json.dumps({"found_in_order": takeover.making}))
        self._sweeping.record("resumed", text)

    def _count_from(self, takeover: Takeover) -> None:
        self._makings, self._insertions_made = takeover.making, takeover.insertion

    def _insert(self, what: str) -> None:
        self._is_inserted = False
        change_connection(self._sweeping, what, self._connect)
        self._is_inserted = True
        self._is_settled = False
        self._insertion = self._insertions_made
        self._insertions_made += 1

    def _connect(self) -> None:
        self._equipment.exchange.connect_item(self.item, *self._insertion_of)

    def _set_unsettled_aside(self, takeover: Takeover) -> None:
        """Nobody knows what was connected when the run stopped before that was settled."""
        if takeover.is_unsettled and self._going_on is not None:
            rows = self._going_on.first_rows("insertions", takeover.insertion - 1)
            self._sweeping.mark_suspect(rows)
