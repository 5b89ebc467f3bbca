"""The signal generator role: one frequency at a time, RF off unless a reading needs it."""

from __future__ import annotations

from drivers.dialects.dialect_roles import SignalGeneratorDialect
from drivers.instruments.completion import await_completion, forget_earlier
from drivers.instruments.rf_source import RfSource
from drivers.link.link import Link


class SignalGenerator(RfSource):
    """A signal generator at the end of a link."""

    def __init__(
        self, link: Link, dialect: SignalGeneratorDialect, *, maximum_power_dbm: float
    ) -> None:
        super().__init__(link, dialect, maximum_power_dbm=maximum_power_dbm)
        self.dialect = dialect

    def _prepare(self) -> None:
        super()._prepare()
        if self.dialect.settling is not None:
            forget_earlier(self.link, self.dialect.settling.completion)

    def require_frequencies(self, *frequencies_hz: float) -> None:
        """Raise InputError where the dialect says that a frequency cannot be set."""
        setting = self.dialect.settings.frequency_hz
        self.require_possible(("frequency_hz", setting, value) for value in frequencies_hz)

    def set_level(self, power_dbm: float) -> None:
        """Set the level and check it.

        Raises:
            InputError: above the ceiling, or not possible; nothing is sent.
            AnswerError: it was read back as something else.
        """
        self.require_below_ceiling(power_dbm)
        wanted = [("power_dbm", self.dialect.settings.power_dbm, power_dbm)]
        self.require_possible(wanted)
        self.step("level")
        self.set_and_read_back(wanted, "while its level was set")

    def set_frequency(self, frequency_hz: float, *, in_sweep: bool = False) -> None:
        """Set the frequency, read it back, and wait until the output follows.

        Within a sweep errors are asked for by whoever sweeps, once at its end.
        """
        self.step("frequency")
        setting = self.dialect.settings.frequency_hz
        self.set_and_read_back(
            [("frequency_hz", setting, frequency_hz)],
            "" if in_sweep else "while its frequency was set",
        )
        self.settle()

    def changes(self, frequency_hz: float, power_dbm: float, *, rf_is_on: bool) -> list[str]:
        """Which settings in force are not those given, in words."""
        settings = self.dialect.settings
        self.step("confirm")
        found = self.differences(
            [
                ("frequency_hz", settings.frequency_hz, frequency_hz),
                ("power_dbm", settings.power_dbm, power_dbm),
            ]
        )
        return found + self.rf_difference(rf_is_on)

    def settle(self) -> None:
        """Wait until the output follows what was set."""
        settling = self.dialect.settling
        if settling is not None:
            self.step("settle")
            await_completion(
                self.link, settling.completion, settling.time_s, "settling of the generator"
            )

    def rf_on(self) -> None:
        """Switch the source on, make sure of it, and wait until it has settled."""
        super().rf_on()
        self.settle()

    @property
    def abort_commands(self) -> tuple[str, ...]:
        """What ends whatever is going on."""
        return self.dialect.abort
