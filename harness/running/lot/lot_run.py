"""Carrying a procedure out on a lot: one open station, item after item, one run file each."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from importlib import import_module
from pathlib import Path
from threading import Thread

from drivers.errors import InputError, InstrumentError, ProcedureError, RunFileError
from drivers.quantities import counted
from drivers.stop_signals import StopRequested, StopSignals
from drivers.sweep import SweepSettings
from harness.bench.lot_bench import LotBench
from harness.bench.lot_rehearsal import rehearse_lot
from harness.bench.operator_lines import Asked
from harness.bench.procedure_errors import in_earnest, in_rehearsal
from harness.bench.zero_record import ZeroRecord
from harness.connections.hands_free.hands_free_exchange import require_hands_free
from harness.connections.operator_prompts import in_both_units
from harness.connections.operator_terminal import OperatorTerminal
from harness.running.connected import connect
from harness.running.item_run import Assignment, stopped
from harness.running.lot.folder import LotSoFar, lot_so_far
from harness.running.lot.half_marked import finish_marking
from harness.running.lot.left_off import left_off
from harness.running.lot.lot_connections import lot_exchange
from harness.running.lot.lot_sitting import KEYS_OF_A_STUDY, LotSitting
from harness.running.lot.new_files import LotFiles
from harness.running.lot.serial_round import Serials, named
from harness.running.lot.serials_known import LotItems, choose_kind
from harness.running.open_station import OpenStation
from harness.running.station_check import check_files
from harness.station.items import Workplace

TELL_EVERY = 100
GOES_ON = "the same command goes on with the lot"


@dataclass(frozen=True)
class LotOptions:
    """How an operator wants to work."""

    kind: str = ""
    listed: Sequence[str] | None = None
    """Serial numbers to measure; None: they are typed or scanned."""
    hands_free: bool = False


@dataclass(frozen=True)
class LotResult:
    """What a sitting leaves."""

    lot: LotSoFar
    finished: tuple[Path, ...]
    """Run files that were finished in it."""


def measure_lot(
    workplace: Workplace, assignment: Assignment, options: LotOptions, terminal: OperatorTerminal
) -> LotResult:
    """Carry a procedure out on a lot, or go on with it: the folder says what is done.

    Raises:
        InputError: the procedure, the kind or the station is wrong; nothing was connected.
        InstrumentError, RunFileError: trouble on the way; RF is off, finished runs are kept.
        StoppedError: a signal ended it; RF is off, finished runs are kept.
    """
    folder = assignment.results
    if folder.exists() and not folder.is_dir():
        raise InputError(f"{str(folder)!r} is not a folder", hint="choose another with --results")
    check_files(workplace, [])
    if options.hands_free:
        require_hands_free(workplace.station)
    items = LotItems(workplace, choose_kind(workplace, options.kind))
    function = partial(assignment.procedure.function, **assignment.parameters)
    bands = {band: workplace.station.settings(band) for band in workplace.station.bands}
    with in_rehearsal(assignment.procedure.name):
        rehearse_lot(function, bands)
    lot = _greeted(folder, assignment, items, terminal)
    Thread(target=_warm_up, name="warming up", daemon=True).start()
    with StopSignals() as stop:
        try:
            before = left_off(lot)
            with connect(
                workplace, stop, goes_on=before.bench_start, not_before=before.last_time
            ) as connected:
                if connected.is_simulated:
                    terminal.say("SIMULATED: the readings are made by the simulated bench.")
                if connected.hand is not None:
                    items.on_the_bench = connected.hand.items()
                place = OpenStation(workplace, connected, stop, terminal)
                lot_run = _LotRun(place, assignment, items, bands, terminal)
                return lot_run.carry_out(function, lot, options)
        except StopRequested as request:
            raise stopped(
                request,
                f"{lot.summary()} in {folder}",
                hint=GOES_ON,
            ) from request
        except (InstrumentError, RunFileError, ProcedureError) as error:
            kept = f"{lot.summary()}, safe in {folder}" if lot.done else ""
            error.hint = "; ".join(filter(None, (error.hint, kept, GOES_ON)))
            raise


def _warm_up() -> None:
    """Import what only an evaluation needs, while the first connections are made."""
    for module in ("scipy.linalg", "scipy.special"):
        import_module(module)


def _greeted(
    folder: Path, assignment: Assignment, items: LotItems, terminal: OperatorTerminal
) -> LotSoFar:
    """What the folder holds, told to the operator."""

    def tell(count: int) -> None:
        if count and count % TELL_EVERY == 0:
            terminal.status(f"reading the lot: {counted(count, 'run')}")

    study = KEYS_OF_A_STUDY if "operators" in assignment.parameters else ()
    lot = lot_so_far(folder, assignment.procedure.name, study, tell)
    station = items.workplace.station
    terminal.say(f"{station.name}.")
    if items.kind:
        known = items(items.kind)
        what = f", {in_both_units(', '.join(known.made_of))}" if known.made_of else ""
        terminal.say(f"Kind {items.kind}: {known.description or 'no description'}{what}.")
    if lot.done or lot.broken_off:
        terminal.say(f"Going on with the lot in {folder}: {lot.summary()}.")
    if lot.broken_off:
        broken = named(outline.serial for outline in lot.broken_off.values())
        terminal.say(f"Broken off, and asked for again: {broken}. Their readings are kept.")
    for unreadable in lot.unreadable:
        terminal.say(f"! passed over: {unreadable}")
    return lot


class _Doing:
    """Progress of one item, in the terminal's status line."""

    def __init__(self, terminal: OperatorTerminal) -> None:
        self._terminal = terminal
        self._what = ""
        self._done = 0

    def doing(self, what: str) -> None:
        self._what, self._done = what, 0
        self._terminal.status(what)

    def at(self, place: str) -> None:
        self._terminal.status(f"{self._what}: {place}")

    def sweep_done(self) -> None:
        self._done += 1
        self._terminal.status(f"{self._what}: {counted(self._done, 'sweep')} kept")

    def sweeps_again(self, count: int) -> None:
        verb = "is" if count == 1 else "are"
        self._terminal.status(f"{self._what}: {counted(count, 'sweep')} {verb} made again")

    def say(self, text: str) -> None:
        self._terminal.say(text)


class _LotRun:
    """A lot that is measured on an open station."""

    def __init__(
        self,
        place: OpenStation,
        assignment: Assignment,
        items: LotItems,
        bands: Mapping[str, SweepSettings],
        terminal: OperatorTerminal,
    ) -> None:
        self._place = place
        self._workplace, self._connected, self._stop = place.workplace, place.connected, place.stop
        self._terminal = terminal
        self._assignment, self._items, self._bands = assignment, items, bands

    def carry_out(
        self, function: Callable[[LotBench], None], lot: LotSoFar, options: LotOptions
    ) -> LotResult:
        """The whole round; on any way out RF is off and the file of the item in hand is closed."""
        terminal = self._terminal
        if half := finish_marking(lot, self._connected.clock):
            terminal.say(
                f"! The zero moved after these, too, and the last sitting ended before it could "
                f"mark them; they are asked for again: {named(half)}."
            )
        files = LotFiles(self._place, self._assignment, self._items, self._bands)
        serials = Serials(options.listed, self._items.wrong)
        sitting = LotSitting(self._place, terminal, lot, files, serials)
        person, exchange = lot_exchange(
            self._place, terminal, self._items, sitting, hands_free=options.hands_free
        )
        equipment = dataclasses.replace(
            self._place.equipment(exchange, ZeroRecord(), _Doing(terminal)),
            judge=self._place.judge(self._items),
            is_sure=person.is_sure if self._connected.hand is None else None,
        )
        bench = LotBench(equipment, self._bands, sitting)
        try:
            with in_earnest(self._assignment.procedure.name):
                try:
                    function(bench)
                except Asked:
                    terminal.say("Ended before anything was measured.")
            self._connected.source.rf_off()
            exchange.finish()
        except StopRequested as request:
            self._shut_down(bench, sitting, f"by {request}")
            raise
        except BaseException as error:
            self._shut_down(bench, sitting, f"{type(error).__name__}: {error}")
            raise
        return LotResult(lot, tuple(dict.fromkeys(sitting.finished)))

    def _shut_down(self, bench: LotBench, sitting: LotSitting, why: str) -> None:
        with self._place.shutting_down(why) as told:
            bench.close()
            sitting.stopped(told)
