"""The production bench with a signal switch: the through stays behind it, items come and go."""

from __future__ import annotations

from collections.abc import Callable

from harness.connections.exchange import SwitchChannels


class SwitchedLot:
    """Has items connected behind a signal switch by somebody, and closes its channels.

    The through is connected once, with the first item. `put_item` has an item connected to its
    channel, `finish` has everything taken off.
    """

    needs_a_person = True

    def __init__(
        self,
        channels: SwitchChannels,
        put_item: Callable[[str], None],
        finish: Callable[[], None],
    ) -> None:
        self._channels = channels
        self._put_item = put_item
        self._finish = finish

    def connect_through(self, *, again: bool) -> None:
        """Switch to the through."""
        self._channels.close_through()

    def connect_item(self, item: str, insertion: int, of: int) -> None:
        """Switch away from the item's channel, have the item connected there, and switch to it."""
        self._channels.close_through()
        self._put_item(item)
        self._channels.close_item()

    def finish(self) -> None:
        """Leave the through closed, and hands free."""
        self._channels.close_through()
        self._finish()
