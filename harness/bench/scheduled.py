"""A schedule kept: ticks on time, checks of the zero in between, and what comes with each."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from drivers.errors import InstrumentError
from harness.bench.equipment import Equipment
from harness.bench.schedule import Schedule, Terms, next_look
from harness.bench.sweeping import Sweeping
from harness.bench.takeover import MISSED

TOO_SLOW = "sweeping takes longer than the interval"
CHECKING = "the zero was checked"
FAILING = "an instrument failed"
WAITING = "the uncertainty was worked out"


@dataclass
class Rounds:
    """What is done in a schedule, besides the sweeps that the procedure makes at each tick."""

    equipment: Equipment
    sweeping: Sweeping
    terms: Terms
    recheck: Callable[[], None]
    """Checks the zero and inserts the item again."""
    is_thermometer_silent: bool = False

    def read_temperature(self) -> None:
        """Keep the temperature; a thermometer that fails is told once, and is no reason to stop."""
        if self.equipment.temperature_c is None:
            return
        try:
            temperature_c = self.equipment.temperature_c()
        except InstrumentError as error:
            if not self.is_thermometer_silent:
                self.is_thermometer_silent = True
                text = f"the thermometer fails, so temperatures are missing: {error.what}"
                self.sweeping.record("note", text)
            return
        if self.is_thermometer_silent:
            self.is_thermometer_silent = False
            self.sweeping.record("note", "the thermometer answers again")
        if math.isfinite(temperature_c):
            self.sweeping.temperature(temperature_c)

    def check_interval_s(self) -> float:
        """How often the zero is checked in between; inf where a person would have to be there."""
        if self.terms.check_every_s is None:
            return math.inf
        if not self.equipment.exchange.needs_a_person:
            return self.terms.check_every_s
        text = "the leads are joined by hand: the zero is checked at the start and the end only"
        self.equipment.progress.doing(text)
        self.sweeping.record("note", text)
        return math.inf

    def is_certain_enough(self) -> bool:
        """Whether U has come down to what was asked for; recorded where it has."""
        wanted_db, uncertainty_db = self.terms.until_db, self.equipment.uncertainty_db
        if wanted_db is None or uncertainty_db is None:
            return False
        self.sweeping.drain()
        reached_db = uncertainty_db()
        if reached_db > wanted_db:
            return False
        text = f"U has come down to {reached_db:.4f} dB; {wanted_db:g} dB were asked for"
        self.equipment.progress.doing(text)
        self.sweeping.record("note", text)
        return True


def keep_schedule(rounds: Rounds, schedule: Schedule, following: int) -> Iterator[int]:
    """Yield each tick's number when it is due, from `following` on, the first not yet seen to."""
    clock, sweeping = rounds.equipment.clock, rounds.sweeping
    check_every_s = rounds.check_interval_s()
    next_check = math.inf
    if math.isfinite(check_every_s):
        next_check = schedule.next_check(check_every_s, clock())
    done, look, reason = 0, next_look(0), ""
    while True:
        if clock() >= next_check and schedule.turn(following, clock()).number is not None:
            rounds.recheck()
            reason = CHECKING
            next_check = schedule.next_check(check_every_s, clock())
        turn = schedule.turn(following, clock())
        if turn.missed:
            text = schedule.missed_text(following, turn.missed, reason or TOO_SLOW)
            sweeping.record(MISSED, text)
        if turn.number is None:
            return
        tick = f"tick {turn.number + 1} of {schedule.ticks}"
        if schedule.time_of(turn.number) > clock():
            rounds.equipment.progress.at(f"waiting for {tick}")
            rounds.equipment.wait_until(schedule.time_of(turn.number))
        rounds.equipment.progress.at(tick)
        rounds.read_temperature()
        failures, reason = sweeping.failures, ""
        yield turn.number
        following = turn.number + 1
        done += 1
        if sweeping.failures > failures:
            reason = FAILING
        if rounds.terms.until_db is not None and done >= look:
            if rounds.is_certain_enough():
                return
            look = next_look(done)
            reason = reason or WAITING
