"""A part beyond its rated frequency is told in the report of a run."""

import dataclasses

from harness.evaluation.read_back import read_run
from harness.report.words.rating_words import rating_notes

RATED_TO_3_GHZ = {
    "constants": {"conductor_db_per_m": 0.3, "dielectric_db_per_m": 0.2, "highest_ghz": 3},
    "relative_uncertainty": 0.1,
    "source": "made up",
    "rated_frequency": {"ghz": 3, "source": "made up"},
}


def test_a_part_beyond_its_rating_is_told(recorded):
    """RG-58 is rated to 1 GHz by the catalogue, RG-316 to 3; what the run kept of it counts for
    more, and parts of the station's own, and parts that nobody knows, say nothing."""
    run = read_run(recorded.path)
    assert rating_notes(run) == []
    thick = {**run.item, "made_of": ["RG-58 1 m", "2 x SMA", "no such part"]}
    ((bands, note),) = rating_notes(dataclasses.replace(run, item=thick, catalogue={}))
    assert bands == "backhaul-2400"
    assert "RG-58 is rated to 1 GHz only" in note
    kept = {"cables": {"RG-58": RATED_TO_3_GHZ}}
    assert rating_notes(dataclasses.replace(run, item=thick, catalogue=kept)) == []
    own = {**run.station, "parts": {"cables": {"RG-58": {}}}}
    assert rating_notes(dataclasses.replace(run, item=thick, station=own, catalogue={})) == []
    assert rating_notes(dataclasses.replace(run, item={"id": "X"})) == []
