"""A part beyond its rated frequency is told in the report of a run."""

import dataclasses

from harness.evaluation.read_back import read_run
from harness.report.words.rating_words import rating_notes


def test_a_part_beyond_its_rating_is_told(recorded):
    """RG-58 is rated to 1 GHz by the catalogue, RG-316 to 3; parts of the station's own, and parts
    that nobody knows, say nothing."""
    run = read_run(recorded.path)
    assert rating_notes(run) == []
    thick = {**run.item, "made_of": ["RG-58 1 m", "2 x SMA", "no such part"]}
    ((bands, note),) = rating_notes(dataclasses.replace(run, item=thick))
    assert bands == "backhaul-2400"
    assert "RG-58 is rated to 1 GHz only" in note
    own = {**run.station, "parts": {"cables": {"RG-58": {}}}}
    assert rating_notes(dataclasses.replace(run, item=thick, station=own)) == []
    assert rating_notes(dataclasses.replace(run, item={"id": "X"})) == []
