"""The driver of the simulated bench's hand, which connects things and keeps the bench's time."""

from __future__ import annotations

import math
import re

from drivers.errors import InputError, RefusedError
from drivers.link.link import Link

LONGEST_ADVANCE_S = 1e6


class Hand:
    """The hand of a simulated bench at the end of a link; raises like `Link`."""

    def __init__(self, link: Link) -> None:
        self._link = link

    def open(self) -> str:
        """Connect and identify."""
        return self._link.open()

    def close(self) -> None:
        """End the connection."""
        self._link.close()

    def connect_through(self) -> None:
        """Join the leads."""
        self._act("CONNect:THRough")

    def connect_item(self, item: str) -> None:
        """Put an item between the leads.

        Raises:
            InputError: the simulated bench has no such item.
        """
        self._act_on_item("CONNect:ITEM", item)

    def _act_on_item(self, command: str, item: str) -> None:
        try:
            self._act(f'{command} "{item}"')
        except RefusedError as error:
            raise InputError(
                f"the simulated bench has no item {item!r}",
                where=self._link.resource,
                hint=f"it has {self._link.query('CONNect:CATalog?')}; "
                "describe the item in the bench description",
            ) from error

    def items(self) -> tuple[str, ...]:
        """The items that the simulated bench has."""
        return tuple(re.findall(r'"([^"]*)"', self._link.query("CONNect:CATalog?")))

    def open_leads(self) -> None:
        """Leave nothing between the leads."""
        self._act("CONNect:NOTHing")

    def ask_for_item(self, item: str) -> None:
        """Ask the simulated operator to connect an item, who does it in the bench's own time.

        Raises:
            InputError: the simulated bench has no such item.
        """
        self._act_on_item("OPERator:ITEM", item)

    def ask_for_through(self) -> None:
        """Ask the simulated operator to join the leads."""
        self._act("OPERator:THRough")

    def ask_to_tighten(self) -> None:
        """Ask the simulated operator to make what is open, and to tighten what is loose."""
        self._act("OPERator:TIGHten")

    def time(self) -> float:
        """Unix seconds on the simulated bench; on a fresh link if an answer is outstanding."""
        if not self._link.in_step:
            self._link.reopen()
        return self._link.query_number("CLOCk:TIME?")

    def started(self) -> float:
        """Unix seconds at which the clock of the simulated bench began."""
        return self._link.query_number("CLOCk:STARt?")

    def advance_to(self, unix_s: float) -> None:
        """Let the simulated bench's time pass until then; nothing where it is later already."""
        while (missing_s := unix_s - self.time()) > 0.0:
            # rounded up, as a clock that is a microsecond early would be asked again
            step_s = min(math.ceil(missing_s * 1e6) / 1e6, LONGEST_ADVANCE_S)
            self._act(f"CLOCk:ADVance {step_s:.6f} S")

    def _act(self, command: str) -> None:
        self._link.write(command)
        answer = self._link.query("SYSTem:ERRor:NEXT?")
        if answer.lstrip("+").partition(",")[0].strip() != "0":
            raise RefusedError(
                f"sent {command!r}, the simulated hand complained: {answer}",
                where=self._link.resource,
            )
