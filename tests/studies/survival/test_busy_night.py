"""A short busy night, and that the study would notice what grows."""

import pytest

from tests.studies.survival.busy_night import Look, busy_night, problems_of
from tests.studies.survival.place import Place


@pytest.mark.long
def test_nothing_grows_in_a_busy_night(tmp_path):
    place = Place(tmp_path)
    looks, ended = busy_night(place, 60, between_s=0.2)
    place.close()
    assert ended.returncode == 0, ended.stderr
    assert "60 of 60 ticks made" in ended.stdout
    assert problems_of(looks) == []


@pytest.mark.parametrize("name", ["descriptors", "threads", "resident_kb"])
def test_what_grows_is_noticed(name):
    looks = [Look(19, 2, 140_000 + number) for number in range(40)]
    assert problems_of(looks) == []
    for number, look in enumerate(looks):
        setattr(look, name, getattr(look, name) + 300 * number)
    (problem,) = problems_of(looks)
    assert problem.startswith(f"{name} grew from ")
