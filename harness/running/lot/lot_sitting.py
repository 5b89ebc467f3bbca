"""A sitting at the production bench: run files in the lot's folder, verdicts for the operator."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import numpy as np

from drivers.errors import InputError, InstrumentError
from drivers.quantities import counted
from harness.bench.clock import as_iso
from harness.bench.operator_lines import OperatorCommand
from harness.bench.sitting import ItemFile, ItemOutcome, Wanted
from harness.bench.zero_record import ZeroRecord, zero_moves
from harness.connections.operator_terminal import OperatorTerminal
from harness.evaluation.read_back import read_run, run_to_be
from harness.evaluation.run_analysis import finish
from harness.evaluation.standing import Standing, standing_of_band, standing_of_run
from harness.report.words.diagnosis_words import finding_of_run, less_than_expected
from harness.report.words.verdict_line import DOUBTFUL, GOOD, verdict_line
from harness.run_file import RunJournal, amend_run
from harness.run_file.run import OPERATORS_NOTE, WANTED_AGAIN, BandResult, Event, Run
from harness.running.lot.folder import LotSoFar, Outline
from harness.running.lot.item_journal import ItemJournal
from harness.running.lot.new_files import LotFiles
from harness.running.lot.serial_round import SerialRound, Serials, named
from harness.running.lot.trial_order import trial_order
from harness.running.open_station import OpenStation
from harness.station.station import Station

KEYS_OF_A_STUDY = ("operator", "repeat")
SPREAD_MAKINGS = 3.0 * np.sqrt(2.0)
"""Two insertions that differ by more standard deviations of one are a surprise."""


class LotSitting:
    """Keeps the lot's files, and tells the operator what became of each item."""

    def __init__(
        self,
        place: OpenStation,
        terminal: OperatorTerminal,
        lot: LotSoFar,
        files: LotFiles,
        serials: Serials,
    ) -> None:
        self._station = place.workplace.station
        self._clock, self._unbroken = place.connected.clock, place.stop.deferred
        self._terminal = terminal
        self._lot = lot
        self._files = files
        self._serials = serials
        self._round = SerialRound(terminal, lot, serials, self._note_last)
        self._in_hand: ItemJournal | None = None
        self._last: Path | None = None
        self._is_study = False
        self._is_less_seen = self._is_less_known = False
        self._trials: list[Wanted] = []
        self.finished: list[Path] = []
        """Run files that were finished in this sitting."""

    def say(self, text: str) -> None:
        """Tell the operator."""
        self._terminal.say(text)

    def next_item(self) -> Wanted | None:
        """The next item by serial number; None when there is none any more."""
        return self._round.next_item()

    def trials(self, operators: Sequence[str], repeats: int) -> Callable[[], Wanted | None]:
        """What gives the next trial of a gauge study that is not done yet."""
        serials = self._study_serials()
        order = trial_order(serials, operators, repeats, self._files.folder.resolve().name)
        self._is_study = True
        again = {outline.key for outline in self._lot.wanted_again()}
        done_already = self._lot.done.keys() - again
        self._trials = [t for t in order if _key(t) not in done_already]
        done = len(order) - len(self._trials)
        self.say(
            f"{counted(len(order), 'trial')}: {counted(len(serials), 'item')}, "
            f"{counted(len(operators), 'operator')}, {counted(repeats, 'repeat')}"
            f"{f'; {done} done already' if done else ''}. The order is random and verdicts "
            "are not shown, so that nobody measures towards a figure seen before."
        )
        return self._next_trial

    def _next_trial(self) -> Wanted | None:
        if not self._trials:
            return None
        wanted = self._trials.pop(0)
        self.say(f"Operator {wanted.parameters['operator']}: take item {wanted.serial}.")
        return wanted

    def _study_serials(self) -> list[str]:
        """The items of a study: those listed, else those of its runs, else typed now."""
        serials = list(self._serials.listed or ())
        if not serials:
            serials = sorted({key[0] for key in (*self._lot.done, *self._lot.broken_off)})
        if not serials:
            self.say("Scan or type every item of the study once; /stop when that was the last.")
            while (wanted := self._round.next_item()) is not None:
                if wanted.serial not in serials:
                    serials.append(wanted.serial)
        if len(serials) < 2:
            raise InputError(
                f"a gauge study compares items, and there are {len(serials)}",
                hint="name at least 2, better 10, with --serials FILE",
            )
        for serial in serials:
            if wrong := self._serials.wrong(serial):
                raise InputError(f"{serial}: {wrong}", where="the items of the study")
        return serials

    def begin(self, wanted: Wanted, zero: ZeroRecord) -> ItemJournal:
        """A run file for an item; it appears with its first sweep, and holds the zero."""
        started = self._clock()

        def opened() -> RunJournal:
            journal = self._files.open(wanted, started)
            zero.write_into(journal, 0)
            return journal

        self._in_hand = ItemJournal(wanted, opened)
        return self._in_hand

    def note_in_hand(self, text: str) -> None:
        """Keep what the operator says of the item in hand, or of the last one."""
        if self._in_hand is None:
            self._note_last(text)
            return
        self._in_hand.event(Event(self._clock(), OPERATORS_NOTE, text))
        self.say("Noted.")

    def remark(self, text: str) -> None:
        """Keep what was noticed about the item in hand, if there is one."""
        if self._in_hand is not None:
            self._in_hand.event(Event(self._clock(), "note", text))

    def _note_last(self, text: str) -> None:
        if self._last is None:
            self.say("! There is no item yet that a note could be about.")
            return
        event = Event(self._clock(), OPERATORS_NOTE, text)
        self._amend(self._last, lambda journal: journal.event(event))
        self.say(f"Noted in the run of the last item ({self._last.name}).")

    def is_doubtful(self, file: ItemFile) -> bool:
        """Whether the item does not pass by what was swept so far; says so."""
        results = _late(file).assessed()
        bad = {name: standing_of_band(band) for name, band in results.items()}
        bad = {name: standing for name, standing in bad.items() if standing in DOUBTFUL}
        if not bad or self._is_study:
            return False
        bands_of: dict[str, list[str]] = {}
        for name, standing in bad.items():
            bands_of.setdefault(standing.word, []).append(name)
        told = "; ".join(f"{word} in {', '.join(names)}" for word, names in bands_of.items())
        self._terminal.bell(2)
        self.say(f"{file.wanted.serial}: not a pass so far: {told}.")
        self.say("Before it is condemned it is connected once more.")
        return True

    def finish(self, file: ItemFile) -> ItemOutcome:
        """Show the item's verdict, and finish its run.

        The verdict is by what is on disk then. Where the run cannot be finished after it, that is
        told, and the item is asked for again.
        """
        late = _late(file)
        journal, now = late.journal, self._clock()
        with self._unbroken():
            if not self._is_study:
                self._show_verdict(run_to_be(journal, late.assessed(), as_iso(now)))
            late.close(Event(now, "finished", "procedure carried out"))
            # a stop that waits for the end of this section finds no open file
            self._in_hand, self._last = None, journal.path
            finish(journal.path, as_iso(now))
        run = read_run(journal.path)
        self._lot.add(_outline(run, file.wanted))
        self._round.measured(file.wanted.serial)
        self.finished.append(journal.path)
        self._show_rest(run)
        return ItemOutcome(
            late.had_trouble
            or _insertions_differ(run.bands.values(), self._station)
            or self._loses_too_little(run)
        )

    def _loses_too_little(self, run: Run) -> bool:
        """Whether an item loses less than it should, which is told also of one that passes; False
        once a check of the zero has shown that the zero is not to blame."""
        said = less_than_expected(run.bands)
        if not said or self._is_study:
            return False
        self._terminal.bell(2)
        self.say(f"! {said}")
        self._is_less_seen = True
        return not self._is_less_known

    def _show_verdict(self, run: Run) -> None:
        standing = standing_of_run(run)
        self._terminal.bell(1 if standing in GOOD else 2)
        self._terminal.verdict(verdict_line(run), standing.word)

    def _show_rest(self, run: Run) -> None:
        """What the shape of its loss says where it is no pass; of a trial how many are left."""
        if self._is_study:
            left = len(self._trials)
            self.say(f"Kept; {counted(left, 'trial')} left.")
            return
        if standing_of_run(run) not in GOOD:
            for sentence in finding_of_run(run):
                self.say(sentence)

    def give_up(self, file: ItemFile, why: str) -> None:
        """Leave the item's run unfinished."""
        late = _late(file)
        now = self._clock()
        with self._unbroken():
            late.close(Event(now, "stopped", why))
            self._in_hand = None
        kept = ""
        if late.path is not None:
            kept = f"; what was read is kept in {late.path.name}"
            self._lot.add(_outline(read_run(late.path), file.wanted))
        self.say(f"! {file.wanted}: no verdict, {why}{kept}.")
        self._terminal.bell(2)

    def zero_checked(
        self, before: ZeroRecord, after: ZeroRecord, since: Sequence[ItemFile]
    ) -> None:
        """Put a check into the runs since the one before it, and say whether the zero held."""
        worst = zero_moves(before, after, self._station)[0]
        serials = list(dict.fromkeys(file.wanted.serial for file in since))
        event = None
        if worst.is_too_much:
            event = Event(after.time, WANTED_AGAIN, f"the zero moved by {worst}")

        def with_check(journal: RunJournal) -> None:
            after.write_into(journal, 1)
            if event is not None:
                journal.event(event)

        if since:
            self._terminal.status(f"looking at {counted(len(since), 'item')} again with this check")
        for file in since:
            self._amended(file, with_check)
        if event is None:
            self._is_less_known = self._is_less_known or self._is_less_seen
            self.say(f"✓ The zero holds: it moved by {worst}.")
            return
        self._terminal.bell(2)
        self.say(
            f"✗ The zero moved by {worst}. Is the item still in? If not, look for the cause: a "
            "loose lead, a worn adapter."
        )
        if not since:
            return
        self.say(f"These were measured since the last good check, and are asked for again: "
                 f"{named(serials)}.")  # fmt: skip
        if self._is_study:
            self._trials[:0] = [file.wanted for file in since]
        else:
            self._round.ask_again(serials)

    def _amended(self, file: ItemFile, amend: Callable[[RunJournal], None]) -> None:
        """Put more into a finished run; a verdict that changes is told."""
        path = _late(file).journal.path
        earlier = self._lot.done.get(_key(file.wanted))
        run = self._amend(path, amend)
        if earlier is None or earlier.path != path:
            return
        now = _outline(run, file.wanted)
        self._lot.add(now)
        if now.standing is Standing.AGAIN:
            # told of all of them at once
            return
        if now.standing is not earlier.standing and not self._is_study:
            self._terminal.bell(2)
            self.say(
                f"! {file.wanted.serial}: with the new check of the zero the verdict changes from "
                f"{earlier.standing.word} to {now.standing.word}."
            )
            self.say(verdict_line(run))

    def _amend(self, path: Path, amend: Callable[[RunJournal], None]) -> Run:
        finished = as_iso(self._clock())
        with self._unbroken():
            amend_run(path, amend, partial(finish, finished=finished))
        return read_run(path)

    def check_left_out(self, command: OperatorCommand, since: Sequence[ItemFile]) -> None:
        """Say that the operator left the closing check out."""
        what = f"{counted(len(since), 'item')} have" if len(since) != 1 else "item has"
        self.say(
            f"The closing check is left out ({command.word}): the last {what} a check of the zero "
            "before, and none after; the drift that the station states counts."
        )

    def stopped(self, why: str) -> None:
        """Close the file of the item in hand, if there is one."""
        late, self._in_hand = self._in_hand, None
        if late is None:
            return
        try:
            now = self._clock()
        except InstrumentError:
            # the simulated bench is gone, and its time with it
            now = datetime.now(tz=UTC).timestamp()
        late.close(Event(now, "stopped", why))


def _late(file: ItemFile) -> ItemJournal:
    if not isinstance(file, ItemJournal):
        raise AssertionError("this sitting began the file")
    return file


def _key(wanted: Wanted) -> tuple[str, ...]:
    study = [str(wanted.parameters[name]) for name in KEYS_OF_A_STUDY if wanted.parameters]
    return (wanted.serial, *study)


def _outline(run: Run, wanted: Wanted) -> Outline:
    return Outline(
        run.path, _key(wanted), run.started, run.finished, standing_of_run(run), run.parameters
    )  # fmt: skip


def _insertions_differ(bands: Iterable[BandResult], station: Station) -> bool:
    """Whether the last two insertions differ by more than makings explain, in any band."""
    most_db = SPREAD_MAKINGS * station.leads.connection_repeatability_db
    for band in bands:
        means_db = band.insertion_means_db
        if len(means_db) > 1 and np.max(np.abs(means_db[-1] - means_db[-2])) > most_db:
            return True
    return False
