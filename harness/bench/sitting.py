"""What the production bench needs of whoever knows the items, keeps their files and judges them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from harness.bench.operator_lines import OperatorCommand
from harness.bench.storing import Journal
from harness.bench.zero_record import ZeroRecord


@dataclass(frozen=True)
class Wanted:
    """What is to be measured next."""

    serial: str
    parameters: dict[str, Any] = field(default_factory=dict)
    """Those of the run beside the procedure's own, such as the operator and the repeat."""

    def __str__(self) -> str:
        operator = self.parameters.get("operator")
        return self.serial if operator is None else f"{self.serial} (operator {operator})"


@dataclass(frozen=True)
class ItemOutcome:
    """What became of an item."""

    is_surprising: bool
    """Whether the zero deserves a look: an instrument started afresh, a sweep could not be true,
    or two insertions differ by much."""


class ItemFile(Journal, Protocol):
    """The run file of one item, as the bench sees it."""

    @property
    def wanted(self) -> Wanted:
        """What it is of."""


class Sitting(Protocol):
    """One person's work at the bench on a lot, from the first item to the last."""

    def next_item(self) -> Wanted | None:
        """The next item by serial number; None when there is none any more."""

    def trials(self, operators: Sequence[str], repeats: int) -> Callable[[], Wanted | None]:
        """What gives the next trial of a gauge study.

        Raises:
            InputError: there are not enough items to compare.
        """

    def begin(self, wanted: Wanted, zero: ZeroRecord) -> ItemFile:
        """A run file for an item; it appears with its first sweep, and holds the zero."""

    def is_doubtful(self, file: ItemFile) -> bool:
        """Whether the item does not pass by what was swept so far; says so."""

    def finish(self, file: ItemFile) -> ItemOutcome:
        """Evaluate the item's run and show its verdict."""

    def give_up(self, file: ItemFile, why: str) -> None:
        """Leave the item's run unfinished."""

    def zero_checked(
        self, before: ZeroRecord, after: ZeroRecord, since: Sequence[ItemFile]
    ) -> None:
        """Put a check into the runs since the one before; items between bad ones are asked for
        again."""

    def check_left_out(self, command: OperatorCommand, since: Sequence[ItemFile]) -> None:
        """Say that the operator left the closing check out."""

    def say(self, text: str) -> None:
        """Tell the operator."""
