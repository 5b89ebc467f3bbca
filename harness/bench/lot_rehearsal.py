"""A procedure for lots gone through once with one pretended item and nothing connected."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from drivers.errors import InputError
from drivers.sweep import SweepSettings
from harness.bench.lot_bench import LotBench
from harness.bench.operator_lines import OperatorCommand
from harness.bench.rehearsal import StandIn, Workload
from harness.bench.sitting import ItemFile, ItemOutcome, Wanted
from harness.bench.zero_record import ZeroRecord


class _PretendedFile(StandIn):
    """The file of the pretended item, which counts."""

    wanted = Wanted("rehearsal")


class _OneItem:
    """Takes the place of the sitting: one item comes, and passes."""

    def __init__(self, file: _PretendedFile) -> None:
        self._file = file
        self._is_done = False

    def next_item(self) -> Wanted | None:
        """One, then none."""
        is_first, self._is_done = not self._is_done, True
        return self._file.wanted if is_first else None

    def trials(self, operators: Sequence[str], repeats: int) -> Callable[[], Wanted | None]:
        """As many."""
        return self.next_item

    def begin(self, wanted: Wanted, zero: ZeroRecord) -> ItemFile:
        """The only one."""
        return self._file

    def is_doubtful(self, file: ItemFile) -> bool:
        """Never."""
        return False

    def finish(self, file: ItemFile) -> ItemOutcome:
        """A pass."""
        return ItemOutcome(is_surprising=False)

    def give_up(self, file: ItemFile, why: str) -> None:
        """The procedure inserts the item without sweeping it, which is told at the end."""

    def zero_checked(
        self, before: ZeroRecord, after: ZeroRecord, since: Sequence[ItemFile]
    ) -> None:
        """It holds."""

    def check_left_out(self, command: OperatorCommand, since: Sequence[ItemFile]) -> None:
        """Nobody asks for that."""

    def say(self, text: str) -> None:
        """Nobody to tell."""


def rehearse_lot(
    procedure: Callable[[LotBench], None], bands: Mapping[str, SweepSettings]
) -> Workload:
    """Go through `procedure` with one item and no instruments; raises whatever it raises.

    Raises:
        InputError: it does not end, or never sweeps an item in some band.
    """
    stand_in = _PretendedFile()
    procedure(LotBench(stand_in.equipment(), bands, _OneItem(stand_in)))
    missing = [band for band in bands if ("insertions", band) not in stand_in.work.swept]
    if missing:
        raise InputError(
            f"the procedure never sweeps an item in band {missing[0]}",
            hint="bench.normalize(), then bench.sweep() within bench.insertions() within "
            "bench.items_by_serial()",
        )
    return stand_in.work
