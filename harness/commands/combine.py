"""What the runs of a procedure tell together, shown at once after `tareline run`.

A procedure says so itself: `TOLD_BY` in its file names the command that tells it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.console import Console

    from harness.bench.procedure import Procedure
    from harness.station.items import Item


@dataclass(frozen=True)
class Together:
    """How runs are told together."""

    require: Callable[[Mapping[str, Item]], object]
    """Raises InputError where runs of these items could not be."""
    combine: Callable[[Sequence[Path]], Any]
    """Raises InputError where the runs do not belong together."""
    as_json: Callable[[Any], dict[str, Any]]
    show: Callable[[Any, Console], None]


def together(procedure: Procedure) -> Together | None:
    """How its runs are told together; None where each stands by itself.

    Raises:
        InputError: it names a command that does not tell runs together.
    """
    if not procedure.told_by:
        return None
    if procedure.told_by not in _BY_COMMAND:
        from drivers.errors import InputError
        from drivers.toml_file import nearest

        raise InputError(
            f"the runs of the procedure {procedure.name!r} cannot be told together by "
            f"{procedure.told_by!r}; {nearest(procedure.told_by, list(_BY_COMMAND))}",
            where=str(procedure.file or procedure.name),
            hint="TOLD_BY names a command; without it every run stands by itself",
        )
    return _BY_COMMAND[procedure.told_by]()


def _cable_model() -> Together:
    from harness.report.tables.several_runs_tables import print_cable
    from harness.several_runs.cable_from_lengths import cable_json, combine_cable, require_lengths

    return Together(require_lengths, combine_cable, cable_json, print_cable)


def _adapter_losses() -> Together:
    from harness.report.tables.several_runs_tables import print_adapters
    from harness.several_runs.adapter_losses import adapters_json, combine_adapters, require_pairs

    return Together(require_pairs, combine_adapters, adapters_json, print_adapters)


_BY_COMMAND: dict[str, Callable[[], Together]] = {
    "cable-model": _cable_model,
    "adapter-losses": _adapter_losses,
}
