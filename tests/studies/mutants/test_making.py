"""What `make mutants` rests on: a mutant takes its function's place, and a new survivor is seen."""

import pytest

from harness.analysis.loss.zero_limits import explained_change_db
from tests.studies.mutants.known_survivors import KnownSurvivors
from tests.studies.mutants.making import ROOT, function_of, mutants_of, put_in_place, recorded

pytestmark = pytest.mark.long


@pytest.fixture(scope="module")
def mutants():
    return mutants_of(ROOT / "harness/analysis/loss/zero_limits.py")


@pytest.fixture
def mutant(mutants):
    """One that takes off what should be added."""
    (found,) = [each for each in mutants if each.becomes.startswith("return drift_db - within")]
    return found


def test_a_mutant_takes_the_place_of_its_function(mutant):
    """By whatever name it was imported."""
    function = explained_change_db
    before = function.__code__
    assert function(1.0, 3600.0, 0.1, 2.0) == pytest.approx(1.2)
    try:
        put_in_place(mutant)
        assert function(1.0, 3600.0, 0.1, 2.0) == pytest.approx(0.8)
    finally:
        function.__code__ = before


def test_it_is_seen_which_functions_are_called(mutants):
    functions = {function_of(each) for each in mutants}
    with recorded(functions) as called:
        assert explained_change_db(1.0, 3600.0, 0.1, 2.0) == pytest.approx(1.2)
        assert called == {explained_change_db} < functions
        called.clear()
    assert explained_change_db(1.0, 3600.0, 0.1, 2.0) == pytest.approx(1.2)
    assert called == set()


def test_texts_alone_make_no_mutant(mutants):
    assert not any("XX" in each.becomes for each in mutants)


def test_a_new_survivor_is_seen_and_one_that_is_noticed_is_to_go(mutant, tmp_path):
    (complaint,) = KnownSurvivors.read(_file(tmp_path, "")).complaints([mutant], [mutant])
    known = KnownSurvivors.read(_file(tmp_path, complaint.replace('""', '"no matter"')))
    assert known.complaints([mutant], [mutant]) == []
    assert "take it from the list" in known.complaints([mutant], [])[0]
    by_kind = KnownSurvivors.read(_file(tmp_path, "[[kind]]\nchange = 'drift_db'\nwhy = 'so'\n"))
    assert by_kind.complaints([mutant], [mutant]) == []


def _file(folder, text):
    path = folder / "survivors.toml"
    path.write_text(text, "utf-8")
    return path
