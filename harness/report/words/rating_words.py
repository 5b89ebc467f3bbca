"""Which parts of an item are not made for the bands that it was measured in."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from harness.analysis.expected.catalogue_files import CatalogueFile, load_catalogue
from harness.analysis.expected.catalogue_parts import UnknownPartError
from harness.analysis.expected.part_list import parse_part
from harness.run_file.run import Run


def rating_notes(run: Run) -> list[tuple[str, str]]:
    """Bands concerned and a sentence, for each part of the catalogue that comes with Tareline.

    What the station states of parts of its own may rate them otherwise, so those say nothing.
    """
    own = run.station.get("parts") or {}
    kept = run.catalogue
    shipped = CatalogueFile.model_validate(kept).catalogue() if kept else load_catalogue()
    said = []
    for name in dict.fromkeys(_names(run.item)):
        if any(name in (own.get(table) or {}) for table in ("cables", "joints")):
            continue
        try:
            entry = shipped.find(name)
        except UnknownPartError:
            continue
        rated = entry.rated_frequency
        if rated is None:
            continue
        beyond = [b for b, band in run.bands.items() if band.frequency_hz[-1] > rated.value]
        if beyond:
            said.append((
                ", ".join(beyond),
                f"{entry.name} is rated to {rated.value / 1e9:g} GHz only; what it loses above is "
                "more a guess than what it is expected to lose below.",
            ))  # fmt: skip
    return said


def _names(item: Mapping[str, Any]) -> list[str]:
    return [parse_part(text, lambda _: 1.0).name for text in item.get("made_of") or ()]
