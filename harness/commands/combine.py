"""What the runs of a procedure tell together, shown at once after `tareline run`."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from harness.station.items import Item


def require_combinable(procedure: str, items: Mapping[str, Item]) -> None:
    """Before anything is connected: can these items' runs be combined as the procedure means it?

    Raises:
        InputError: they cannot; says what is missing.
    """
    if procedure == "cable-lengths":
        from harness.several_runs.cable_from_lengths import require_lengths

        require_lengths(items)
    elif procedure == "adapter-pairs":
        from harness.several_runs.adapter_losses import require_pairs

        require_pairs(items)


def combination(
    procedure: str, paths: Sequence[Path]
) -> tuple[dict[str, Any], Callable[[], None]] | None:
    """What runs of a procedure tell together, as JSON and as a function that prints it; None for
    procedures whose runs stand by themselves.

    Raises:
        InputError: the runs do not belong together.
    """
    if procedure == "cable-lengths":
        from harness.report.tables.several_runs_tables import print_cable
        from harness.several_runs.cable_from_lengths import cable_json, combine_cable

        cable = combine_cable(paths)
        return cable_json(cable), lambda: print_cable(cable, _console())
    if procedure == "adapter-pairs":
        from harness.report.tables.several_runs_tables import print_adapters
        from harness.several_runs.adapter_losses import adapters_json, combine_adapters

        found = combine_adapters(paths)
        return adapters_json(found), lambda: print_adapters(found, _console())
    return None


def _console() -> Any:
    from rich.console import Console

    return Console()
