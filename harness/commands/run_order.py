"""What every `tareline run` states, whatever the procedure measures."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from harness.bench.procedure import Procedure
    from harness.running.afterwards import RunEnding
    from harness.running.item_run import Assignment
    from harness.station.items import Workplace


@dataclass(frozen=True)
class RunOrder:
    """A procedure with its parameters, and where everything is."""

    procedure: Procedure
    parameters: dict[str, Any]
    outcome: RunEnding
    station: Path
    items: Path
    results: Path
    as_json: bool

    def workplace(self) -> Workplace:
        """Station and items, read.

        Raises:
            InputError: a file is missing or wrong.
        """
        from harness.station.items import read_workplace

        return read_workplace(self.station, self.items)

    def assignment(self) -> Assignment:
        """What is to be done; the outcome is told of every run that is begun."""
        from harness.report.words.suggested_command import station_again
        from harness.running.item_run import Assignment

        return Assignment(
            self.procedure,
            self.parameters,
            self.results,
            begun=self.outcome.runs.append,
            again=station_again(self.station),
        )
