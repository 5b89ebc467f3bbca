"""What the tables of a catalogue file have in common: kinds of numbers, and sources."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from harness.analysis.expected.catalogue_parts import Stated

Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]
Positive = Annotated[Number, Field(gt=0)]
NotNegative = Annotated[Number, Field(ge=0)]
Share = Annotated[Number, Field(gt=0, lt=1)]
Text = Annotated[str, Field(min_length=1)]


class Entry(BaseModel):
    """A table of a catalogue file: no unknown keys."""

    # made ready when the first is read: most are read as a part of another
    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)


class FrequencyEntry(Entry):
    """A frequency up to which something is meant to be used."""

    ghz: Positive
    source: Text

    def stated(self, sources: Mapping[str, str]) -> Stated:
        """In Hz; its uncertainty is nothing that anybody states."""
        return Stated(self.ghz * 1e9, 0.0, told(self.source, sources))


def told(source: str, sources: Mapping[str, str]) -> str:
    """A source in words: what its key stands for, or itself."""
    return sources.get(source, source)
