"""What a serial number is: an item that the items file names, or one of a kind."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from drivers.toml_file import Mistake, nearest, raise_mistakes
from harness.station.items import Item, Workplace


@dataclass
class LotItems:
    """The items of a lot by serial number."""

    workplace: Workplace
    kind: str
    """Of every serial number that the items file does not name; empty: there is none such."""
    on_the_bench: Sequence[str] | None = field(default=None)
    """What a simulated bench has, in its order; None on a real one, which may have anything."""

    def wrong(self, serial: str) -> str:
        """Why a serial number cannot be measured here; empty if it can."""
        if not self.kind and serial not in self.workplace.items:
            return "the items file does not name it, and no --kind says what it is"
        if self.on_the_bench is not None and serial not in self.on_the_bench:
            return f"the simulated bench has no such item; {nearest(serial, [*self.on_the_bench])}"
        return ""

    def kind_of(self, serial: str) -> str:
        """The kind's name; empty for an item that the items file names itself."""
        return "" if serial in self.workplace.items else self.kind

    def __call__(self, serial: str) -> Item:
        """What is known of it; see `wrong`."""
        listed = self.workplace.items.get(serial)
        return _kinds(self.workplace)[self.kind] if listed is None else listed


def choose_kind(workplace: Workplace, name: str) -> str:
    """The name of a kind, checked; without one the only kind there is, or none.

    An item of the items file can serve as a kind too.

    Raises:
        InputError: there is no such kind; names the nearest.
    """
    if not name:
        return next(iter(workplace.kinds)) if len(workplace.kinds) == 1 else ""
    kinds = _kinds(workplace)
    if name not in kinds:
        problem = f"there is no such kind in the items file; {nearest(name, [*kinds])}"
        raise_mistakes([Mistake("--kind", name, problem)])
    return name


def _kinds(workplace: Workplace) -> dict[str, Item]:
    return {**workplace.items, **workplace.kinds}
