"""What every instrument that sends RF shares: the ceiling, RF off unless needed, a way out."""

from __future__ import annotations

from drivers.dialects.dialect_roles import SourceDialect
from drivers.errors import AnswerError, InputError, InstrumentError, LinkError
from drivers.instruments.instrument import Instrument
from drivers.link.link import Link

MAY_BE_ON = "RF may be ON: switch it off at the front panel"


class RfSource(Instrument):
    """An instrument that sends RF: the ceiling, RF off unless needed, and a way out."""

    def __init__(self, link: Link, dialect: SourceDialect, *, maximum_power_dbm: float) -> None:
        super().__init__(link, dialect)
        self._rf = dialect.rf
        self.maximum_power_dbm = maximum_power_dbm

    def _prepare(self) -> None:
        super()._prepare()
        self.rf_off()

    def require_below_ceiling(self, power_dbm: float) -> None:
        """Refuse more power than the station allows.

        Raises:
            InputError: it is above; nothing is sent.
        """
        if not power_dbm <= self.maximum_power_dbm:
            raise InputError(
                f"{power_dbm:g} dBm is above the station's maximum of "
                f"{self.maximum_power_dbm:g} dBm; nothing was sent",
                where=self.where,
                hint="lower `power`, or correct `maximum_power` if every port, sensor and item "
                "really stands more",
            )

    def rf_on(self) -> None:
        """Switch the source on and make sure of it."""
        self._switch_rf(True)

    def rf_off(self, *, asks_again: bool = True) -> None:
        """Switch the source off and make sure of it; see `rf_state`."""
        self._switch_rf(False, asks_again=asks_again)

    def _switch_rf(self, on: bool, *, asks_again: bool = True) -> None:
        self.step(f"RF {'on' if on else 'off'}")
        self.send([self._rf.on if on else self._rf.off])
        wrong = self.rf_difference(on, asks_again=asks_again)
        if wrong:
            raise AnswerError(
                wrong[0],
                where=self.where,
                hint="" if on else MAY_BE_ON,
            )

    def rf_state(self, *, asks_again: bool = True) -> bool:
        """Whether RF is on; asked once more on a fresh connection if no answer comes.

        Raises:
            AnswerError: the answer is neither of those that the dialect knows.
        """
        return self.rf_meaning(
            self.link.query(self._rf.state, is_idempotent=asks_again and self.watcher is None)
        )

    def rf_difference(self, wanted: bool, *, asks_again: bool = True) -> list[str]:
        """What is wrong with RF, in words, if it is not on or off as wanted."""
        if self.rf_state(asks_again=asks_again) is wanted:
            return []
        now = "off" if wanted else "on"
        return [
            f"RF was switched {'on' if wanted else 'off'} but {self._rf.state!r} says that it is "
            f"{now}"
        ]

    def rf_meaning(self, answer: str) -> bool:
        """Whether an answer to the question for its state says that RF is on; see `rf_state`."""
        for known, is_on in ((self._rf.answers_on, True), (self._rf.answers_off, False)):
            if answer.upper() in (choice.upper() for choice in known):
                return is_on
        raise AnswerError(
            f"{self._rf.state!r} answers {answer!r}; expected one of "
            f"{', '.join(map(repr, (*self._rf.answers_on, *self._rf.answers_off)))}",
            where=self.where,
            hint=f"{MAY_BE_ON} before touching a connector; then check answers_on and "
            "answers_off under [rf] in the dialect",
        )

    @property
    def abort_commands(self) -> tuple[str, ...]:
        """What ends whatever is going on."""
        return ()

    @property
    def safe_commands(self) -> tuple[str, ...]:
        """What ends a measurement and switches RF off, for a guard on a link of its own."""
        return (*self.abort_commands, self._rf.off)

    @property
    def source_link(self) -> Link:
        """The link to what sends RF."""
        return self.link

    def make_safe(self) -> None:
        """Abort, and switch RF off, on a fresh connection if this one does not serve.

        Raises:
            InstrumentError: RF could not be shown to be off.
        """
        is_old = self.link.in_step
        try:
            try:
                if not is_old:
                    self.connect_afresh()
                self._abort_and_switch_off()
            except (LinkError, AnswerError):
                if not is_old:
                    raise
                # a connection that is lost looks well until something is sent
                self.connect_afresh()
                self._abort_and_switch_off()
            # whoever answers is switched off; only then is it asked whether that was the right one
            self.require_same_instrument()
        except InstrumentError as error:
            raise InstrumentError(
                f"RF could not be shown to be off: {error.what}",
                where=self.where,
                hint=error.hint
                if MAY_BE_ON in error.hint
                else f"{MAY_BE_ON} before touching a connector",
            ) from error

    def _abort_and_switch_off(self) -> None:
        for command in self.abort_commands:
            self.link.write(command)
        self.rf_off(asks_again=False)  # where no answer comes, all of this is done again

    def close(self) -> None:
        """Make safe, if it was ever opened, and end the connection."""
        try:
            if self.was_opened:
                self.make_safe()
        finally:
            self.link.close()
