"""The tables of a station file about its zero and about how its uncertainties are worked out."""

from __future__ import annotations

from pydantic import Field

from drivers.quantities import RatioDb, TimeS
from drivers.toml_file import Table
from harness.analysis.loss.band import Method


class Zero(Table):
    """What the zero may do before a run is marked; nothing is corrected for it."""

    most_change_db: RatioDb | None = Field(default=None, alias="most_change", gt=0)
    """From one check to the next, at any frequency."""
    oldest_s: TimeS | None = Field(default=None, alias="oldest", gt=0)
    """Time from a check to a sweep of the item."""


class Uncertainty(Table):
    """How contributions become an interval, and where earlier runs are."""

    method: Method = "gum"
    history: str | None = Field(default=None, min_length=1)
    """Folder of earlier runs, relative to the station file: their repeatability of a connection
    is pooled with that of a run."""
