"""What is taken for an item's reflection, by the rules of today and by the first ones."""

from dataclasses import replace

import numpy as np
import pytest

from harness.analysis.loss.band import FIRST_RULES, RULES, BandReadings
from tests.harness.analysis.loss.contribution_bench import lines, stated

SOURCE, LOAD, THROUGH = 0.04, 0.03, 0.02
LEAD, S21 = 0.5, 0.6
"""Transmissions: of the two leads together, and of the item."""
READ = 0.1
"""What S11 changes by from through to item, behind one lead there and back."""
ONE_TERM_DB = 20.0 / np.log(10.0) / np.sqrt(2.0)
"""Standard uncertainty of a U-shaped term whose two reflections have the product 1."""
CHECKS = np.array([0.0, 40.0])


def readings(change=READ):
    """One insertion between two checks; S11 and S22 change alike."""
    through = np.array([0.0, LEAD, 0.0]).reshape(1, 3, 1) + 0j
    item = np.array([change * LEAD, S21 * LEAD, change * LEAD]).reshape(1, 3, 1) + 0j
    return BandReadings(
        np.array([1e9]), ("S11", "S21", "S22"), np.repeat(through, 2, axis=0), CHECKS,
        np.arange(2), item, np.array([20.0]), np.zeros(1, int),
    )  # fmt: skip


def terms_db(rules, made=None, **changes):
    """The six terms of the mismatch: source and load with the through, source with load, and the
    same with the item."""
    statements = stated(
        1, source_reflection=SOURCE, load_reflection=LOAD, through_reflection=THROUGH,
        item_reflection=None, rules=rules,
    )  # fmt: skip
    found = lines(made or readings(), replace(statements, **changes))["mismatch"]
    return found.parts_db[:, 0] / ONE_TERM_DB


@pytest.mark.parametrize("rules", [FIRST_RULES, RULES])
def test_the_terms_of_a_mismatch(rules):
    """Harris and Warner, IEE Proc. H 128 (1981) 35: what does not hang on the item's reflection."""
    source_load = SOURCE * LOAD
    known = [SOURCE * THROUGH, LOAD * THROUGH, source_load, source_load * S21**2]
    assert terms_db(rules)[[0, 1, 2, 5]] == pytest.approx(known)


def test_an_adapter_that_closed_the_through_stands_between_source_and_load():
    """By twice its loss: 3 dB leave half of the power."""
    found = terms_db(RULES, through_loss_db=np.full(1, 10.0 * np.log10(2.0)))
    assert found[2] == pytest.approx(SOURCE * LOAD / 2)


@pytest.mark.parametrize("rules", [FIRST_RULES, RULES])
def test_the_lead_that_loses_less_counts_by_either_rules(rules):
    """By up to half of 6 dB less than the mean of the two, there and back by all of it."""
    found = terms_db(rules, readings(change=0.2), lead_loss_difference_db=20.0 * np.log10(2.0))
    far = np.square([LOAD, SOURCE]) * (1.0 + S21**4) + THROUGH**2
    read = np.sqrt(0.4**2 + far * (rules == FIRST_RULES))
    assert found[3:5] == pytest.approx([SOURCE, LOAD] * read)


def test_either_end_is_read_too_low_by_what_is_stated():
    """Terms of 0.1 and of 0.2 that may be twice as large: their squares lack three times their
    own."""
    made = readings()
    item = made.insertions.copy()
    item[:, 2] *= 2.0
    statements = stated(
        1, source_reflection=SOURCE, load_reflection=LOAD, item_reflection=None,
        reflection_tracking_db=20.0 * np.log10(2.0),
    )  # fmt: skip
    found = lines(replace(made, insertions=item), statements)
    more = found["tracking of the reflections"].parts_db[:, 0] / ONE_TERM_DB
    assert more[[0, 1, 2, 5]] == pytest.approx(np.zeros(4), abs=1e-9)
    assert more[3:5] == pytest.approx(np.sqrt(3.0) * np.array([SOURCE * 0.1, LOAD * 0.2]))
    assert found["mismatch"].source.endswith("item's reflection from the change of S11 and S22")


def test_by_the_first_rules_the_far_match_with_and_without_the_item_is_added():
    """Read is r + s21^2 g with the item and a + g with the through, phases unknown: the change
    is off by up to g from the one and s21^2 g from the other, so that squares add up to
    r^2 + g^2 (1 + s21^4) + a^2. g is the match at the other end."""
    first, second = (
        np.sqrt(READ**2 + far**2 * (1.0 + S21**4) + THROUGH**2) for far in (LOAD, SOURCE)
    )
    assert terms_db(FIRST_RULES)[3:5] == pytest.approx([SOURCE * first, LOAD * second])


@pytest.mark.parametrize("missing", ["S11", "S22"])
def test_by_the_first_rules_one_end_alone_tells_nothing(missing):
    made = readings()
    made = replace(made, traces=tuple("a" if name == missing else name for name in made.traces))
    assert terms_db(FIRST_RULES, made)[3:5] == pytest.approx([SOURCE, LOAD])


def test_by_the_first_rules_what_is_stated_goes_before_what_was_read():
    both = terms_db(FIRST_RULES, item_reflection=0.5)[3:5]
    assert both == pytest.approx([SOURCE * 0.5, LOAD * 0.5])


def test_by_the_rules_of_today_it_is_what_was_read_and_nothing_twice():
    """The far match is a term of the mismatch already; a stated reflection is the most there is."""
    assert terms_db(RULES)[3:5] == pytest.approx([SOURCE * READ, LOAD * READ])
    less = terms_db(RULES, item_reflection=0.05)[3:5]
    assert less == pytest.approx([SOURCE * 0.05, LOAD * 0.05])
    assert terms_db(RULES, item_reflection=0.5)[3:5] == pytest.approx([SOURCE * READ, LOAD * READ])


@pytest.mark.parametrize("rules", [FIRST_RULES, RULES])
def test_no_passive_item_reflects_more_than_all(rules):
    assert terms_db(rules, readings(change=1.5))[3:5] == pytest.approx([SOURCE, LOAD])
