"""What instruments of every role share: preparing, settings that are read back, errors."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from drivers.dialects.dialect_roles import Dialect
from drivers.dialects.dialect_tables import PowerSetting, Setting
from drivers.errors import AnswerError, InputError, LinkError, RefusedError
from drivers.link.link import Link

ERROR_QUEUE_LIMIT = 100
READBACK_RELATIVE_TOLERANCE = 1e-6
POWER_READBACK_TOLERANCE_DB = 0.01

Wanted = tuple[str, Setting, float]
"""A setting's name, its commands, and the value for it."""


class Instrument:
    """An instrument at the end of a link.

    Every method raises `InstrumentError` (or a subclass) when the instrument does not do
    what is asked.
    """

    def __init__(self, link: Link, dialect: Dialect) -> None:
        self.link = link
        self._stated = dialect
        self.was_opened = False
        self._first_identity = ""
        self.watcher: Callable[[str], None] | None = None
        """Told what is being done; while there is one, errors are asked for after each command."""

    def open(self) -> tuple[str, ...]:
        """Connect, identify, and bring the instrument into a known state.

        What the last user left in the instrument, or a fault that passes, may spoil the first
        attempt; it is made once more on a fresh connection, but not while it is watched.
        """
        self.step("identify")
        self.link.connect()
        try:
            self._begin()
        except (LinkError, AnswerError):
            if self.watcher is not None:
                raise
            self.link.connect()
            self.link.clear()
            self._begin()
        self._first_identity = self.link.identity
        return (self.link.identity,)

    def _begin(self) -> None:
        """Identify and prepare, on a connection that stands."""
        self.link.identity = self.link.query("*IDN?")
        self.was_opened = True
        self._prepare()

    def reopen(self) -> None:
        """The same on a fresh connection.

        Raises:
            AnswerError: another instrument answers there now.
        """
        self.connect_afresh()
        self.require_same_instrument()
        self._prepare()

    def connect_afresh(self) -> None:
        """A fresh connection, which forgets a half-read answer also where the device keeps it."""
        self.link.connect()
        self.link.clear()
        self.link.identity = self.link.query("*IDN?")

    def require_same_instrument(self) -> None:
        """Compare the identity with the one at first.

        Raises:
            AnswerError: it is another one, also when it is asked for once more.
        """
        if self.link.identity == self._first_identity or not self._first_identity:
            return
        self.link.identity = self.link.query("*IDN?")
        if self.link.identity != self._first_identity:
            raise AnswerError(
                f"after a fresh connection {self.link.identity!r} answers, where it was "
                f"{self._first_identity!r} before",
                where=self.link.resource,
                hint="has the instrument been exchanged, or has its address gone to another one? "
                "What was measured belongs to the first: measure anew with the one that is to stay",
            )

    def step(self, name: str) -> None:
        """Tell the watcher, if there is one, what is being done from now on."""
        if self.watcher is not None:
            self.watcher(name)

    def close(self) -> None:
        """End the connection."""
        self.link.close()

    def instruments(self) -> tuple[dict[str, str], ...]:
        """Role, resource and identity."""
        return (
            {
                "role": self._stated.role,
                "resource": self.link.resource,
                "identity": self.link.identity,
            },
        )

    def _prepare(self) -> None:
        self.step("prepare")
        self.send(self._stated.prepare)
        self.check_errors("while being prepared")

    def send(self, commands: Iterable[str]) -> None:
        """Send commands one after the other.

        Raises:
            RefusedError: while watched, with what the instrument says to each of them.
        """
        complaints: list[str] = []
        for command in commands:
            self.link.write(command)
            if self.watcher is not None:
                complaints += [f"{command!r}: {text}" for text in self.drained_errors()]
        self.require_no_errors(complaints, "about")

    def require_possible(self, wanted: Iterable[Wanted]) -> None:
        """Check values against what the dialect says the instrument takes.

        Raises:
            InputError: some cannot be set; nothing was sent.
        """
        objections = [
            f"{name} = {value:g}: {objection}"
            for name, setting, value in wanted
            if (objection := setting.objection(value))
        ]
        if objections:
            raise InputError(
                f"not possible with this instrument; nothing was sent: {'; '.join(objections)}",
                where=self.where,
                hint="change the band in the station file, or the dialect if it is wrong",
            )

    def set_and_read_back(self, wanted: Iterable[Wanted], during: str) -> None:
        """Make settings, empty the error queue (unless `during` is empty), compare what was taken.

        Raises:
            RefusedError: the instrument complained.
            AnswerError: a setting was read back as something else.
        """
        listed = list(wanted)
        messages = (setting.message(value) for _, setting, value in listed)
        self.send(message for message in messages if message is not None)
        if during:
            self.check_errors(during)
        self.step("read back")
        self.require_none(
            self.differences(listed),
            "choose a value that this instrument can set exactly, or state a `tolerance` for this "
            "setting in the dialect",
        )

    def require_none(self, differences: list[str], hint: str) -> None:
        """Raise AnswerError where a readback is not what was set."""
        if differences:
            raise AnswerError("; ".join(differences), where=self.where, hint=hint)

    def differences(self, wanted: Iterable[Wanted]) -> list[str]:
        """Which settings in force are not as wanted, in words; those not read back are not told."""
        return [
            difference
            for name, setting, value in wanted
            if (difference := self._difference(name, setting, value))
        ]

    def _difference(self, name: str, setting: Setting, value: float) -> str:
        """What is wrong with the readback of a setting; empty where nothing is."""
        if setting.get is None:
            return ""
        got = setting.read(self.link.query_number(setting.get, is_idempotent=True))
        if setting.tolerance is not None:
            tolerance = setting.tolerance
        elif isinstance(setting, PowerSetting):
            tolerance = POWER_READBACK_TOLERANCE_DB
        else:
            tolerance = READBACK_RELATIVE_TOLERANCE * abs(value)
        if abs(got - value) <= tolerance:
            return ""
        return f"{name} was set to {value!r} but {setting.get!r} answers {got!r}"

    def check_errors(self, during: str) -> None:
        """Empty the instrument's error queue.

        Raises:
            RefusedError: there was something in it; lists all of it.
        """
        self.require_no_errors(self.drained_errors(), during)

    def drained_errors(self) -> list[str]:
        """All that the error queue holds."""
        query = self._stated.next_error
        if query is None:
            return []
        found: list[str] = []
        for _ in range(ERROR_QUEUE_LIMIT):
            answer = self.link.query(query)
            if means_no_error(answer, self._stated):
                return found
            found.append(answer)
        raise RefusedError(
            f"{query!r} was answered {ERROR_QUEUE_LIMIT} times without saying that there is no "
            f"(further) error; the last answers were {', '.join(map(repr, found[-3:]))}",
            where=self.where,
            hint="if that means an empty queue, put it into `no_error` in the dialect",
        )

    def require_no_errors(self, complaints: list[str], during: str) -> None:
        """Raise RefusedError where there are any."""
        if complaints:
            raise RefusedError(
                f"the instrument complained {during}: {'; '.join(complaints)}",
                where=self.where,
                hint="see which command it does not take and change the dialect, or the setting "
                "that is out of its range",
            )

    @property
    def where(self) -> str:
        """Address and identity, for messages."""
        return f"{self.link.resource} ({self.link.identity or 'not identified yet'})"


def means_no_error(answer: str, dialect: Dialect) -> bool:
    """Whether `+0,"No error"`, `0`, `000, NO ERRORS` or a text of the dialect's was answered."""
    head = answer.partition(",")[0].strip().strip('"')
    for stated in dialect.no_error:
        if _is_whole(stated):
            if _is_whole(head) and int(head) == int(stated):
                return True
        elif answer.strip('"').upper().startswith(stated.upper()):
            return True
    return False


def _is_whole(text: str) -> bool:
    return text.strip().lstrip("+-").isdigit()
