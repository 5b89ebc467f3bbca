"""Framing: cutting a stream of bytes into program messages.

The end of a message is new line (IEEE 488.2 7.5). A raw socket has no END signal, therefore a
new line also ends an unfinished string, so that one missing quote cannot swallow the messages
after it; only a definite length block may hold new lines, and only where one is expected.
"""

import re
from collections.abc import Callable
from typing import Final

__all__ = ["MessageReader", "stated_length"]

MOST_BLOCKS: Final = 64
"""Blocks of one message that may hold new lines; bounds the work for a hostile one."""

_MARK = re.compile(rb"[\n\"'#]")


def stated_length(prefix: bytes) -> int | None:
    """Return the length that the bytes behind a `#` state for a definite block (7.7.6).

    -1 where they state none, None while digits are still to come.
    """
    if not prefix:
        return None
    if not b"1" <= prefix[:1] <= b"9":
        return -1
    count = prefix[0] - ord("0")
    digits = prefix[1 : 1 + count]
    if digits and not digits.isdigit():
        return -1
    return int(digits) if len(digits) == count else None


class MessageReader:
    """Cuts a stream of bytes into program messages, definite blocks kept whole.

    A message longer than `limit` bytes is thrown away up to the next new line and reported once
    through `overruns`. `takes_block` is asked with what stands before a definite block whether
    one is expected there; where it is not, a new line ends the message as anywhere else, so that
    a stated length cannot swallow the messages that follow. Without it every block is expected.
    """

    def __init__(
        self, limit: int = 1 << 20, takes_block: Callable[[bytes], bool] | None = None
    ) -> None:
        self.limit = limit
        self._takes_block = takes_block
        self.overruns = 0
        self._buffer = bytearray()
        self._restart()
        self._discarding = False

    def __len__(self) -> int:
        return len(self._buffer)

    def _restart(self) -> None:
        self._scan = 0
        self._quote = 0
        self._blocks = 0

    def feed(self, data: bytes) -> None:
        """Take in bytes as they arrive."""
        self._buffer += data

    def rest(self) -> bytes:
        """Take what stands there without a terminator, and begin anew."""
        message = bytes(self._buffer)
        self._buffer.clear()
        self._restart()
        return message

    def drop_unfinished(self) -> None:
        """Drop the bytes behind the last new line, the rest of which will not be taken in."""
        del self._buffer[self._buffer.rfind(b"\n") + 1 :]
        self._restart()

    def next_message(self) -> bytes | None:
        """Return the next whole message without its new line, or None until more bytes come."""
        if self._discarding and not self._discard():
            return None
        while True:
            match = _MARK.search(self._buffer, self._scan)
            if match is None:
                # a scan position beyond the end waits for the rest of a block
                self._scan = max(self._scan, len(self._buffer))
                if self._scan <= self.limit:
                    return None
                self._overrun()
                if not self._discard():
                    return None
                continue
            self._scan = match.end()
            byte = self._buffer[match.start()]
            if byte == 0x0A:
                message = bytes(self._buffer[: match.start()])
                del self._buffer[: match.end()]
                self._restart()
                if len(message) > self.limit:
                    self.overruns += 1
                    continue
                return message
            if byte != 0x23:
                if self._quote in (0, byte):
                    self._quote ^= byte
            elif not self._quote and self._follows_separator(match.start()):
                length = stated_length(bytes(self._buffer[match.end() : match.end() + 10]))
                if length is None:
                    self._scan = match.start()
                    return None
                if length >= 0 and self._expects_block(match.start()):
                    self._scan += 1 + (self._buffer[match.end()] - 0x30) + length

    def _follows_separator(self, position: int) -> bool:
        before = self._buffer[position - 1] if position else 0x41
        return before <= 0x20 or before == 0x2C

    def _expects_block(self, position: int) -> bool:
        if self._takes_block is None:
            return True
        if self._blocks >= MOST_BLOCKS or not self._takes_block(bytes(self._buffer[:position])):
            self._blocks = MOST_BLOCKS  # what follows a misplaced block is not executed anyway
            return False
        self._blocks += 1
        return True

    def _overrun(self) -> None:
        self.overruns += 1
        self._discarding = True

    def _discard(self) -> bool:
        """Drop bytes up to the next new line; return whether it was found."""
        end = self._buffer.find(b"\n")
        del self._buffer[: len(self._buffer) if end < 0 else end + 1]
        self._restart()
        self._discarding = end < 0
        return end >= 0
