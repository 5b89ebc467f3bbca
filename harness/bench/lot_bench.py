"""The production bench: item after item by serial number, one normalization for many of them.

What a procedure asks for when it measures a lot: it normalizes once, takes items as they come,
and checks the zero every so many items, after so much time, and after any surprise. Each item
has a run file of its own that stands alone. What is typed at a prompt (`/skip`, `/redo`, `/stop`)
ends the insertions of the item, never the procedure.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import partial

from drivers.errors import InputError, InstrumentError
from drivers.quantities import TIME_UNITS, counted, parse_quantity
from drivers.sweep import SuspectSweepError, SweepSettings, UnsettledError
from harness.bench.bench import NORMALIZATION_SWEEPS
from harness.bench.connecting import change_connection, join_leads, sweep_insertion
from harness.bench.equipment import Equipment
from harness.bench.operator_lines import Asked, OperatorCommand
from harness.bench.procedure_errors import not_inserted, not_normalized, require_positive
from harness.bench.readings_check import at_the_floor
from harness.bench.sitting import ItemFile, Sitting, Wanted
from harness.bench.sweeping import Sweeping
from harness.bench.zero_record import ZeroRecord

CHECK_EVERY = 10
CHECK_AFTER = "30 min"
MOST_FURTHER = 1
NO_ZERO = (
    "! What should be the joined leads does not read so: nothing more is measured. See what is "
    "between them; the same command goes on with the lot."
)
SWEEPS_DISAGREE = (
    "sweeps of one connection do not agree: a contact is loose, or opens and closes; tighten both "
    "ends and measure it again"
)
NOTHING_COMES_THROUGH = "nothing comes through: the item is open, or it is not connected"


@dataclass
class _ItemInHand:
    """The item that is being measured."""

    wanted: Wanted
    file: ItemFile
    sweeping: Sweeping
    insertions: int = 0
    swept: int = 0
    """Insertions with sweeps that can be true."""
    connect: Callable[[], None] = lambda: None
    """Connects it once more as at the last insertion."""
    is_settled: bool = True
    """Whether what is inserted has been swept, and believed or given up."""
    is_silent: bool = False
    """Whether nothing came through at the last insertion."""
    is_unsettled: bool = False
    """Whether sweeps of one of its connections did not agree, made again either."""
    asked: OperatorCommand | None = None
    """What the operator wants instead of going on with it."""


@dataclass
class _StandingZero:
    """The last check of the zero, and what was measured since."""

    record: ZeroRecord
    since: list[ItemFile] = field(default_factory=list)


class LotBench:
    """One station and as many items as come; see `procedures/` for how it is used."""

    def __init__(
        self, equipment: Equipment, bands: Mapping[str, SweepSettings], sitting: Sitting
    ) -> None:
        self.bands = dict(bands)
        self._equipment = equipment
        self._sitting = sitting
        self._zero: _StandingZero | None = None
        self._zero_sweeping: Sweeping | None = None
        self._item: _ItemInHand | None = None
        self._is_inserted = False
        self._is_surprised = False
        self._is_ending = False

    def normalize(self, sweeps: int = NORMALIZATION_SWEEPS) -> None:
        """Record the through response of the leads in every band."""
        self._zero = _StandingZero(self._measured_zero(sweeps, "normalizing"))

    def check_normalization(self, sweeps: int = NORMALIZATION_SWEEPS) -> None:
        """Record what became of the zero; the items measured since get that check too.

        Nothing is done where nothing was measured since the last check, and where the operator
        leaves the check out.

        Raises:
            InputError: the procedure has not normalized yet.
        """
        if self._require_zero("check_normalization()").since:
            self._check(sweeps)

    def _check(self, sweeps: int = NORMALIZATION_SWEEPS) -> None:
        zero = self._require_zero("check_normalization()")
        try:
            record = self._measured_zero(sweeps, "checking the zero")
        except Asked as asked:
            self._is_ending = True
            self._sitting.check_left_out(asked.command, zero.since)
            return
        self._sitting.zero_checked(zero.record, record, zero.since)
        if record.is_doubted:
            # nothing can be measured with it, and the one before may be gone
            self._is_ending = True
            self._sitting.say(NO_ZERO)
            return
        self._zero = _StandingZero(record)
        self._is_surprised = False

    def items_by_serial(
        self, check_every: int = CHECK_EVERY, check_after: str = CHECK_AFTER
    ) -> Iterator[str]:
        """One item after the other as its serial number is typed, scanned or listed; yields it.

        The zero is checked after every `check_every` items (0: never by count), where the last
        check is longer than `check_after` ago, and after any surprise.

        Raises:
            InputError: the procedure has not normalized yet, or `check_after` is no time.
        """
        yield from self._items(self._sitting.next_item, "items_by_serial()", check_every,
                               check_after)  # fmt: skip

    def trials(
        self,
        operators: str,
        repeats: int,
        check_every: int = CHECK_EVERY,
        check_after: str = CHECK_AFTER,
    ) -> Iterator[str]:
        """Every item `repeats` times by every operator, in random order within each operator.

        `operators` are their names, with commas between; yields serial numbers. Verdicts are not
        shown, so that nobody measures towards a figure seen before.

        Raises:
            InputError: the procedure has not normalized yet, or there is nothing to compare.
        """
        names = [name.strip() for name in operators.split(",")]
        if not all(names) or len(set(names)) < len(names):
            raise InputError(
                f"{operators!r} does not name operators",
                hint='give each a name of their own, with commas between: "A, B"',
            )
        if repeats < 2:
            raise InputError(
                f"{repeats} repeats cannot tell repeatability", hint="ask for at least 2"
            )
        next_trial = self._sitting.trials(names, repeats)
        yield from self._items(next_trial, "trials()", check_every, check_after)

    def insertions(self, count: int) -> Iterator[int]:
        """Insert the item `count` times, disconnecting it in between; yields 1, 2, ...

        Raises:
            InputError: there is no item in hand, or the procedure asks for none.
        """
        item = self._require_item("insertions()")
        require_positive(count, "insertions")
        for number in range(1, count + 1):
            if not self._inserted(item, number, count):
                return
            yield number
            self._is_inserted = False

    def further_insertions(self, most: int = MOST_FURTHER) -> Iterator[int]:
        """Up to `most` insertions more, as long as the item does not pass; yields 1, 2, ...

        No item is condemned for one bad connection.

        Raises:
            InputError: there is no item in hand.
        """
        item = self._require_item("further_insertions()")
        for number in range(1, most + 1):
            if item.asked is not None or item.is_unsettled:
                return
            if item.swept and not item.is_silent and not self._sitting.is_doubtful(item.file):
                return
            if item.is_silent:
                self._sitting.say(f"{item.wanted.serial}: connect it once more, to be sure.")
            if not self._inserted(item, item.insertions + 1, item.insertions + 1):
                return
            yield number
            self._is_inserted = False

    def sweep(self, count: int = 1) -> None:
        """Sweep every band `count` times with the item inserted.

        Raises:
            InputError: the item is not inserted: call it within `insertions()`.
        """
        item = self._item
        if item is None or not self._is_inserted:
            raise not_inserted()
        require_positive(count, "sweeps")
        if item.is_silent or item.is_unsettled:
            return
        try:
            if item.is_settled:
                item.sweeping.sweep_bands("insertions", item.insertions - 1, count)
            else:
                sweep_insertion(
                    item.sweeping, item.wanted.serial, item.insertions - 1, count, item.connect
                )
                item.is_settled = True
            item.swept += 1
        except Asked as asked:
            item.asked = asked.command
        except UnsettledError as error:
            item.is_unsettled = self._is_surprised = True
            item.sweeping.record("note", f"insertion {item.insertions}: {error.what}")
        except SuspectSweepError as error:
            if not at_the_floor(error.sweep, self._equipment.floor_db)[0]:
                raise
            item.is_silent = self._is_surprised = True
            item.sweeping.record("note", f"insertion {item.insertions}: {NOTHING_COMES_THROUGH}")
            self._sitting.say(f"! {item.wanted.serial}: {NOTHING_COMES_THROUGH}.")

    def note(self, text: str) -> None:
        """Put a remark into the run file of the item in hand."""
        self._require_item("note()").sweeping.record("note", text)

    def _items(
        self,
        next_item: Callable[[], Wanted | None],
        call: str,
        check_every: int,
        check_after: str,
    ) -> Iterator[str]:
        self._require_zero(call)
        try:
            oldest_s = parse_quantity(check_after, TIME_UNITS, CHECK_AFTER)
        except ValueError as error:
            raise InputError(f"check_after: {error}") from error
        while not self._is_ending:
            self._check_if_due(check_every, oldest_s)
            wanted = None if self._is_ending else next_item()
            if wanted is None:
                return
            self._check_if_due(0, oldest_s)
            if not self._is_ending:
                yield from self._one(wanted)

    def _check_if_due(self, check_every: int, oldest_s: float) -> None:
        zero = self._require_zero("check_normalization()")
        age_s = self._equipment.clock() - zero.record.time
        if self._is_surprised:
            why = "something unusual happened"
        elif check_every > 0 and len(zero.since) >= check_every:
            count = len(zero.since)
            verb = "was" if count == 1 else "were"
            why = f"{counted(count, 'item')} {verb} measured since the last check"
        elif age_s > oldest_s:
            why = f"the last check is {age_s / 60.0:.0f} min ago"
        else:
            return
        if zero.since or self._is_surprised:
            self._sitting.say(f"The zero is checked: {why}.")
            self._check()
        elif age_s > oldest_s:
            self._sitting.say(f"The station is normalized anew: {why}.")
            try:
                self.normalize()
            except Asked:
                self._is_ending = True
        self._is_surprised = False

    def _one(self, wanted: Wanted) -> Iterator[str]:
        """An item, and once more as long as the operator asks for that."""
        while True:
            zero = self._require_zero("items_by_serial()").record
            file = self._sitting.begin(wanted, zero)
            equipment = replace(self._equipment, journal=file)
            sweeping = Sweeping(equipment, self.bands, kept=zero.times())
            item = self._item = _ItemInHand(wanted, file, sweeping)
            yield wanted.serial
            self._item = None
            sweeping.close()
            self._ended(item)
            if item.asked is not OperatorCommand.REDO:
                return

    def _ended(self, item: _ItemInHand) -> None:
        """Its verdict, or why it has none."""
        if item.asked is not None:
            self._is_ending = self._is_ending or item.asked is OperatorCommand.STOP
            self._sitting.give_up(item.file, f"left by the operator ({item.asked.word})")
        elif item.is_unsettled:
            self._sitting.give_up(item.file, SWEEPS_DISAGREE)
        elif not item.swept:
            self._sitting.give_up(item.file, NOTHING_COMES_THROUGH)
        else:
            outcome = self._sitting.finish(item.file)
            self._is_surprised = self._is_surprised or outcome.is_surprising
            self._require_zero("items_by_serial()").since.append(item.file)

    def _inserted(self, item: _ItemInHand, number: int, of: int) -> bool:
        """Have the item connected; False where the operator wants something else."""
        connect = partial(self._equipment.exchange.connect_item, item.wanted.serial, number, of)
        if item.asked is not None:
            return False
        try:
            self._is_inserted = False
            what = f"{item.wanted}: insertion {number} of {of}"
            change_connection(item.sweeping, what, connect)
        except Asked as asked:
            item.asked = asked.command
            return False
        item.insertions += 1
        item.is_silent, item.is_settled, item.connect = False, False, connect
        self._is_inserted = True
        self._read_temperature(item)
        return True

    def _read_temperature(self, item: _ItemInHand) -> None:
        """Keep it with the item, where there is a thermometer; one that fails ends nothing."""
        if self._equipment.temperature_c is None:
            return
        try:
            item.file.temperature(self._equipment.clock(), self._equipment.temperature_c())
        except InstrumentError as error:
            item.sweeping.record("note", f"the thermometer fails: {error.what}")

    def _measured_zero(self, sweeps: int, what: str) -> ZeroRecord:
        """A making of the through, swept.

        Raises:
            Asked: the operator wants something else.
        """
        require_positive(sweeps, "sweeps")
        record = ZeroRecord()
        sweeping = self._zero_sweeping = Sweeping(
            replace(self._equipment, journal=record), self.bands
        )
        self._is_inserted = False
        what = f"{what}, {sweeps} sweeps a band"
        again = self._zero is not None
        # the sitting compares the two, and asks for the items in between again
        join_leads(sweeping, 0, sweeps, what, what, again=again, is_told_by_bench=False)
        sweeping.close()
        return record

    def close(self) -> None:
        """End storing, once everything is on disk; harmless a second time."""
        if self._zero_sweeping is not None:
            self._zero_sweeping.close()
        if self._item is not None:
            self._item.sweeping.close()

    def _require_zero(self, call: str) -> _StandingZero:
        if self._zero is None:
            raise not_normalized(call)
        return self._zero

    def _require_item(self, call: str) -> _ItemInHand:
        if self._item is None:
            raise InputError(
                f"the procedure calls {call} without an item in hand",
                hint="call it in the body of `for _ in bench.items_by_serial():`",
            )
        return self._item
