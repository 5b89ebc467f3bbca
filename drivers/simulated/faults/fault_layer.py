"""The fault layer: stands between the wire and the instruments, and lets faults strike.

What strikes depends on the seed and on the messages only, never on real time.
"""

from __future__ import annotations

import logging
import zlib
from collections.abc import Callable, Iterable, Mapping
from functools import partial

import numpy as np

from drivers.simulated.faults.fault_description import HAND, DescribedFault, RandomFaults
from drivers.simulated.faults.fault_kinds import KINDS, FaultKind, Outcome, Strike
from drivers.simulated.scpi import Declaration, Engine
from drivers.simulated.serving.reply import Reply
from drivers.simulated.serving.traffic import FAULT, RECEIVED, SENT, ServedTrafficLog, abbreviated
from drivers.toml_file import Mistake, nearest, raise_mistakes

__all__ = ["FaultLayer", "FaultyInstrument"]

log = logging.getLogger(__name__)

PLAYED_CLIENT = 0
"""The connection number of a client that the simulation plays itself."""

LONGEST_LOG = 500
MOST_ANSWERS_KEPT = 16
DEFECT = -300
"""Device-specific error: a fault itself has failed."""

_STREAM = zlib.crc32(b"faults")
_DRAWN, _ACTED = range(2)


class _Armed:
    """A fault that waits for its moment, or has some strikes left."""

    def __init__(self, fault: DescribedFault, target: Declaration | None) -> None:
        self.fault = fault
        self.kind = KINDS[fault.kind]
        self.target = target
        self.seen = 0
        self.strikes = 0

    @property
    def is_spent(self) -> bool:
        return 0 < self.fault.count <= self.strikes

    def is_due(self, number: int, declared: Iterable[Declaration]) -> bool:
        """Count a message (its number, and what its units are) and say whether to strike."""
        if number <= self.fault.after_messages:
            return False
        if self.target is not None and all(each is not self.target for each in declared):
            return False
        self.seen += 1
        return self.seen >= self.fault.nth


class FaultyInstrument:
    """One instrument as the wire sees it."""

    def __init__(self, name: str, engine: Engine, layer: FaultLayer) -> None:
        self.name = name
        self.engine = engine
        self.armed: list[_Armed] = []
        self.at_random: list[FaultKind] = []
        self._layer = layer
        self._key = zlib.crc32(name.encode())
        self._messages = 0
        self._strikes = 0
        self._answers: dict[bytes, bytes] = {}
        """To the latest messages."""

    def post_error(self, number: int, detail: str = "") -> None:
        """Put an error into the instrument's queue."""
        self.engine.post_error(number, detail)

    def takes_block(self, before: bytes) -> bool:
        """Whether a block that follows `before` in a message is one that its command takes."""
        return self.engine.takes_block(before)

    def device_clear(self, connection: int) -> None:
        """A connection has been closed: what the instrument keeps for it is forgotten."""
        self.engine.device_clear(connection)

    async def exchange(self, message: bytes, connection: int) -> Reply:
        """Have a message executed, with what strikes on the way there and back.

        A fault that itself fails counts as struck, puts -300 into the queue and changes nothing.
        """
        self._messages += 1
        number = self._messages
        due = self._due(message)
        if not due:
            return Reply(await self._answered(message, connection))
        received = message
        for armed in due:
            if not armed.kind.on_message or armed.is_spent:
                continue
            struck = partial(self._note, armed, number, received, connection)
            outcome = await self._act(armed, message, struck)
            if outcome is None:
                continue
            struck()
            if isinstance(outcome, Reply):
                return outcome
            message = outcome
        before = self._answers.get(message, b"")
        answer = await self._answered(message, connection)
        for armed in due:
            if armed.kind.on_message or armed.is_spent:
                continue
            struck = partial(self._note, armed, number, received, connection)
            outcome = await self._act(armed, answer, struck, before)
            if isinstance(outcome, Reply):
                struck()
                return outcome
        return Reply(answer)

    async def _answered(self, message: bytes, connection: int) -> bytes:
        """The answer as it should be, which is kept for a while."""
        answer = await self.engine.handle(message, connection)
        if answer:
            self._answers.pop(message, None)
            self._answers[message] = answer
            if len(self._answers) > MOST_ANSWERS_KEPT:
                del self._answers[next(iter(self._answers))]
        return answer

    def arm(self, fault: DescribedFault) -> None:
        """Let a fault wait for its moment.

        Raises:
            ValueError: it cannot happen to this instrument; says why.
        """
        kind, target = KINDS[fault.kind], None
        if not kind.suits(self.engine):
            raise ValueError(f"{self.name} has no {kind.needs.decode()}, so no {kind.name}")
        if fault.on:
            target = next((each for each, *_ in self.engine.units(fault.on.encode())), None)
            if target is None:
                raise ValueError(f"{self.name} has no command {fault.on!r}")
        self.armed.append(_Armed(fault, target))

    def clear(self) -> None:
        """No further fault strikes, and a sweep that begins is not held up any more."""
        self.armed.clear()
        self.at_random.clear()
        self.engine.stall = self.engine.misfire = None

    def _due(self, message: bytes) -> list[_Armed]:
        due: list[_Armed] = []
        if self.armed:
            self.armed = [armed for armed in self.armed if not armed.is_spent]
            declared = [each for each, *_ in self.engine.units(message)]
            due = [armed for armed in self.armed if armed.is_due(self._messages, declared)]
        if self.at_random:
            random = self._random(_DRAWN, self._messages)
            chance, place = random.random(2)
            if chance < self._layer.probability:
                kind = self.at_random[int(place * len(self.at_random))]
                due.append(_Armed(DescribedFault(instrument=self.name, kind=kind.name), None))
        return due

    async def _act(
        self, armed: _Armed, data: bytes, struck: Callable[[], None], before: bytes = b""
    ) -> Outcome:
        strike = Strike(
            parameters=armed.fault.parameters,
            target=armed.target,
            engine=self.engine,
            other_client=self._other_client,
            struck=struck,
            before=before,
            random=self._random(_ACTED, self._strikes),
        )
        try:
            return await armed.kind.act(strike, data)
        except ConnectionError:
            raise  # a link that breaks on purpose
        except Exception as defect:
            log.exception("%s: defect in the fault %s", self.name, armed.kind.name)
            self.post_error(
                DEFECT, f"defect of the fault {armed.kind.name}: {type(defect).__name__}: {defect}"
            )
            struck()
            return None

    async def _other_client(self, message: bytes) -> None:
        traffic = self._layer.traffic
        if traffic is not None:
            traffic.message(self.name, PLAYED_CLIENT, RECEIVED, message)
        answer = await self.engine.handle(message)
        if traffic is not None and answer:
            traffic.message(self.name, PLAYED_CLIENT, SENT, answer)

    def _note(self, armed: _Armed, number: int, message: bytes, connection: int) -> None:
        armed.strikes += 1
        self._strikes += 1
        self._layer.note(self, number, armed.kind, message, connection)

    def _random(self, purpose: int, index: int) -> np.random.Generator:
        keys = [self._layer.seed, _STREAM, self._key, purpose, index]
        if self._layer.start_number > 1:  # or a run that goes on would meet the same ones again
            keys.append(self._layer.start_number)
        return np.random.default_rng(keys)


class FaultLayer:
    """The faults of a whole bench: scripted, at random, and asked for through the hand."""

    def __init__(
        self,
        engines: Mapping[str, Engine],
        seed: int,
        traffic: ServedTrafficLog | None = None,
        *,
        start_number: int = 1,
    ) -> None:
        self.seed = seed
        self.start_number = start_number
        self.probability = 0.0
        self.log: list[str] = []
        """The last that struck, one text each."""
        self.traffic = traffic
        self.instruments = {
            name: FaultyInstrument(name, engine, self)
            for name, engine in engines.items()
            if name != HAND
        }

    def script(
        self, faults: Iterable[DescribedFault], at_random: RandomFaults | None, source: str
    ) -> None:
        """Arm what a bench description (named `source` in messages) states.

        Raises:
            InputError: an instrument or a command is not there; lists every mistake.
        """
        mistakes = []
        for index, fault in enumerate(faults):
            try:
                self.arm(fault)
            except ValueError as error:
                mistakes.append(Mistake(source, f"faults.{index}", str(error)))
        if at_random is not None:
            unknown = [name for name in at_random.instruments if name not in self.instruments]
            mistakes += [
                Mistake(source, "random_faults.instruments", self._unknown(name))
                for name in unknown
            ]
        raise_mistakes(mistakes)
        if at_random is not None:
            self._begin_random(at_random)

    def arm(self, fault: DescribedFault) -> None:
        """Let a fault wait for its moment; raises ValueError where it cannot happen."""
        if fault.instrument not in self.instruments:
            raise ValueError(self._unknown(fault.instrument))
        self.instruments[fault.instrument].arm(fault)

    def clear(self) -> None:
        """No further fault strikes, scripted, random or asked for; the log stays."""
        for instrument in self.instruments.values():
            instrument.clear()

    def armed(self) -> list[str]:
        """What waits for its moment, one text each."""
        return [
            f"{name} {armed.kind.name}{f' on {armed.fault.on}' if armed.fault.on else ''}"
            for name, instrument in self.instruments.items()
            for armed in instrument.armed
            if not armed.is_spent
        ]

    def note(
        self,
        instrument: FaultyInstrument,
        number: int,
        kind: FaultKind,
        message: bytes,
        connection: int,
    ) -> None:
        """Keep a record of a strike."""
        self.log.append(f"{instrument.name} message {number} {kind.name}: {abbreviated(message)}")
        del self.log[:-LONGEST_LOG]
        if self.traffic is not None:
            self.traffic.write(instrument.name, connection, FAULT, f"{kind.name}: {kind.sees}")

    def _begin_random(self, at_random: RandomFaults) -> None:
        self.probability = at_random.probability
        self.seed = self.seed if at_random.seed is None else at_random.seed
        for name in at_random.instruments or self.instruments:
            instrument = self.instruments[name]
            kinds = (KINDS[kind] for kind in at_random.kinds)
            instrument.at_random = [kind for kind in kinds if kind.suits(instrument.engine)]

    def _unknown(self, name: str) -> str:
        return f"this bench has no instrument {name!r}; {nearest(name, list(self.instruments))}"
