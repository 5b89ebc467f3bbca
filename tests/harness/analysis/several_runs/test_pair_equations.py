"""Single adapters from pairs: which pairs decide, and how sure the losses are."""

from itertools import combinations

import numpy as np
import pytest
import skrf
from hypothesis import given
from hypothesis import strategies as st

from harness.analysis.several_runs.linear_model import RunErrors
from harness.analysis.several_runs.pair_equations import (
    THIRD,
    UndecidedPairsError,
    adapter_losses,
    design_matrix,
    interaction_db,
    missing_pairs,
    require_decided,
)
from tests.long_cases import examples

GRID = np.linspace(1e9, 6e9, 5)
ABC = (("A", "B"), ("A", "C"), ("B", "C"))

pairs_of_few = st.lists(
    st.lists(st.sampled_from("ABCDEF"), min_size=1, max_size=2, unique=True).map(tuple),
    min_size=1,
    max_size=9,
)


def errors_of(count, u_db=0.01):
    u = np.full((count, len(GRID)), u_db)
    return RunErrors(np.zeros_like(u), np.inf, u)


@given(pairs_of_few)
@examples(20, 80)
def test_the_graph_decides_as_the_rank_does(pairs):
    """numpy's rank of the design matrix."""
    matrix = design_matrix(pairs)
    decided = np.linalg.matrix_rank(matrix) == matrix.shape[1]
    assert (not missing_pairs(pairs)) == decided


@given(pairs_of_few)
@examples(20, 80)
def test_measuring_what_is_missing_decides(pairs):
    """... and no pair fewer does: each one that is asked for raises the rank it lacks by one."""
    missing = missing_pairs(pairs)
    matrix = design_matrix(pairs)
    lacking = matrix.shape[1] - np.linalg.matrix_rank(matrix)
    everything = [*pairs, *missing]
    assert not missing_pairs(everything)
    brings_a_third = any(THIRD in pair for pair in missing)
    assert len(missing) == lacking + brings_a_third


@pytest.mark.parametrize(
    ("pairs", "next_pair"),
    [
        ((("A", "B"), ("B", "C")), "A with C next"),
        # an even ring: whatever A and C gain, B and D lose
        ((("A", "B"), ("B", "C"), ("C", "D"), ("D", "A")), "A with C next"),
        # of two kinds that only mate with each other no odd cycle can be made: one more is needed
        ((("A", "B"),), "A with another adapter next, then B with another adapter"),
        # a triangle decides itself, but not what is mated elsewhere
        ((*ABC, ("D", "E")), "D with A next"),
    ],
)
def test_refuses_and_names_the_pair_to_measure_next(pairs, next_pair):
    with pytest.raises(UndecidedPairsError, match=next_pair):
        require_decided(pairs)
    with pytest.raises(UndecidedPairsError):
        adapter_losses(pairs, GRID, np.ones((len(pairs), len(GRID))), errors_of(len(pairs)))


@pytest.mark.parametrize("pairs", [ABC, (("A", "B"), ("B",)), tuple(combinations("ABCDE", 2))])
def test_exact_sums_give_exactly_the_adapters(pairs):
    rng = np.random.default_rng(2)
    names = sorted({name for pair in pairs for name in pair})
    true = {name: rng.uniform(0.02, 0.3, len(GRID)) for name in names}
    sums = np.array([sum(true[name] for name in pair) for pair in pairs])
    found = adapter_losses(pairs, GRID, sums, errors_of(len(pairs)))
    for name in names:
        assert found.loss_db(name) == pytest.approx(true[name])


def test_three_pairs_leave_each_adapter_less_sure_than_a_pair():
    """x_A = (AB + AC - BC) / 2: u = sqrt(3) / 2 of a pair's if they err apart, 1 / 2 of it if they
    err together (JCGM 100:2008, 5.1.2 and 5.2.2)."""
    found = adapter_losses(ABC, GRID, np.ones((3, len(GRID))), errors_of(3, 0.01))
    assert found.standard_uncertainty_db("A") == pytest.approx(0.01 * np.sqrt(3) / 2)
    tiny = np.full((3, len(GRID)), 1e-9)
    together = RunErrors(np.zeros_like(tiny), np.inf, tiny, (np.full_like(tiny, 0.01),))
    found = adapter_losses(ABC, GRID, np.ones((3, len(GRID))), together)
    assert found.standard_uncertainty_db("A") == pytest.approx(0.005)


def test_truth_inside_u_in_95_percent_and_e_n_as_it_should():
    """Five adapters in all ten pairs, 4000 draws; E_n by ISO 13528:2015, 9.7."""
    rng = np.random.default_rng(4)
    pairs = tuple(combinations("ABCDE", 2))
    draws = 4000
    true = dict(zip("ABCDE", (0.03, 0.05, 0.04, 0.1, 0.2), strict=True))
    sums = np.array([[true[a] + true[b]] for a, b in pairs])
    own, shared = np.full((10, draws), 0.01), np.full((10, draws), 0.006)
    measured = sums + rng.normal(0, 0.01, (10, draws)) + rng.normal(0, 0.006, draws)
    errors = RunErrors(np.zeros_like(own), np.inf, own, (shared,))
    found = adapter_losses(pairs, np.linspace(1e9, 2e9, draws), measured, errors)
    for name, loss_db in true.items():
        e_n = (found.loss_db(name) - loss_db) / found.expanded_uncertainty_db(name)
        assert np.mean(np.abs(e_n) <= 1.0) == pytest.approx(0.9545, abs=0.012)
        assert np.sqrt(np.mean(e_n**2)) == pytest.approx(0.5, abs=0.02)
    assert np.mean(found.estimate.chi_square) == pytest.approx(found.estimate.dof, rel=0.03)
    assert np.mean(found.estimate.chi_square_probability < 0.05) == pytest.approx(0.05, abs=0.015)


def test_interaction_covers_what_scikit_rf_finds():
    """Two lossless shunt capacitors (adapters that turn), mated at any distance: the loss of the
    pair is the sum of both within the stated limits (sqrt(2) u) of its interaction."""
    grid = skrf.Frequency.from_f([5.6e9], unit="hz")
    media = skrf.media.DefinedGammaZ0(grid, z0=50, gamma=2j * np.pi * grid.f / 299792458)
    one, other = media.shunt_capacitor(0.05e-12), media.shunt_capacitor(0.08e-12)
    alone = -one.s_db[0, 1, 0] - other.s_db[0, 1, 0]
    off, seen = [], []
    for length in np.linspace(0, 27e-3, 60):
        pair = one ** media.line(length, "m") ** other
        off.append(-pair.s_db[0, 1, 0] - alone)
        seen.append(np.abs(pair.s[0, 0, 0]))
    stated = interaction_db(np.array(seen)[:, None])[:, 0]
    assert np.all(np.abs(off) <= np.sqrt(2) * stated * 1.05)
    # not bought with width: the largest is no more than twice what really happens
    assert np.sqrt(2) * stated.min() < 2 * np.abs(off).max()
