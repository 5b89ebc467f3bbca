"""The signal switch role: one channel closed at a time, and checked."""

from __future__ import annotations

from drivers.dialects.dialect_messages import fill
from drivers.dialects.dialect_roles import SignalSwitchDialect
from drivers.errors import AnswerError
from drivers.instruments.completion import await_completion, forget_earlier
from drivers.instruments.instrument import Instrument
from drivers.link.link import Link


class SignalSwitch(Instrument):
    """A signal switch at the end of a link. RF should be off while it switches."""

    def __init__(self, link: Link, dialect: SignalSwitchDialect) -> None:
        super().__init__(link, dialect)
        self.dialect = dialect
        self._closed: str | None = None

    def _prepare(self) -> None:
        super()._prepare()
        self._closed = None
        forget_earlier(self.link, self.dialect.route.completion)

    def select(self, channel: str) -> None:
        """Open whatever is closed, close `channel`, and check that it is.

        Raises:
            RefusedError: the switch has no such channel.
            AnswerError: it says that the channel is not closed.
        """
        self.release()
        self.step("close")
        self._switch(self.dialect.route.close, channel, closed=True)
        self._closed = channel

    def release(self) -> None:
        """Open what was closed, where the switch has a way to."""
        self.step("open")
        route = self.dialect.route
        if route.open_all is not None:
            self.link.write(route.open_all)
            self._wait()
            self.check_errors("while channels were opened")
        elif route.open is not None and self._closed is not None:
            self._switch(route.open, self._closed, closed=False)
        self._closed = None

    def recover(self) -> None:
        """Reconnect after a lost link, and close the channel that was closed."""
        channel = self._closed
        self.reopen()
        if channel is not None:
            self.select(channel)

    def _switch(self, command: str, channel: str, *, closed: bool) -> None:
        done = "closed" if closed else "opened"
        self.link.write(fill(command, channel=channel))
        self._wait()
        self.check_errors(f"while channel {channel} was {done}")
        route = self.dialect.route
        if route.state is None:
            return
        answer = self.link.query(fill(route.state, channel=channel))
        expected = route.answers_closed if closed else route.answers_open
        if answer not in expected:
            raise AnswerError(
                f"channel {channel} was {done} but {fill(route.state, channel=channel)!r} "
                f"answers {answer!r}",
                where=self.where,
                hint="listen whether the switch moves; check answers_closed and answers_open "
                "under [route] in the dialect",
            )

    def _wait(self) -> None:
        route = self.dialect.route
        await_completion(self.link, route.completion, route.time_s, "switching")
