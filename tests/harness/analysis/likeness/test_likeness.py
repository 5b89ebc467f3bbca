"""What a connection reads like: lies are told, and honest work is left alone.

The worlds are those of the simulated bench's physics; no reference outside is known for what a
person forgets. The chances of `same_making` are counted here by drawn makings.
"""

import numpy as np
import pytest

from drivers.sweep import S_PARAMETERS, SCALAR
from harness.analysis.expected.catalogue_files import load_catalogue
from harness.analysis.likeness.made_connection import made_connection
from harness.analysis.likeness.reads_like import (
    ForeseenItem,
    Likeness,
    PlaceStatements,
    delay_limits_s,
    item_reads_like,
    measured_delay_s,
    through_reads_like,
)
from harness.analysis.likeness.same_making import (
    MOST_BY_CHANCE,
    RepeatStatements,
    is_same_making,
)
from harness.station.items import Item
from tests.harness.analysis.likeness.worlds import World
from tests.long_cases import long

STATED = PlaceStatements(RepeatStatements(0.02, 0.15), match=2.0 * 10.0**-1.5)
PIG, JUMPER, FEEDER = "PIG-0451", "JMP-0107", "FDR-0012"
MADE_OF = {
    PIG: (("RG-316 450 mm", "2 x SMA"), 0.45, 0.695),
    JUMPER: (("RG-402 150 mm", "2 x SMA semi-rigid"), 0.15, 0.695),
    FEEDER: (("240-size foam 3 m", "2 x SMA"), 3.0, 0.84),
}
HONEST_WORLDS = {
    "by hand": {},
    "one band": {"bands": ("telemetry-868",)},
    "one trace": {"traces": ("S21",)},
    "scalar": {"traces": SCALAR},
    "coarse": {"traces": SCALAR, "step_db": 0.1},
    "coarse, four traces": {"step_db": 0.01},
    "single sweeps": {"sweeps": 1},
    "very quiet": {"noise_db": 1e-6},
}


def foreseen(item, world):
    made_of, length_m, factor = MADE_OF[item]
    stated = Item(made_of=made_of)
    losses = {band: stated.expected(grid, 23.0, load_catalogue())
              for band, grid in world.grids.items()}  # fmt: skip
    return ForeseenItem(
        {band: (loss.loss_db, loss.expanded_uncertainty_db) for band, loss in losses.items()},
        delay_limits_s(length_m, 0.005, factor),
    )


def repeats(world):
    return RepeatStatements(0.02, 0.15, world.step_db)


@pytest.mark.parametrize("runs", [2, *long(6)])
@pytest.mark.parametrize("changes", HONEST_WORLDS.values(), ids=HONEST_WORLDS)
def test_honest_connections_are_believed(changes, runs):
    """Runs of three insertions and a check in each world: nothing is doubted in any."""
    for seed in range(runs):
        world = World(seed, **changes)
        item = (PIG, JUMPER, FEEDER)[seed % 3]
        known = foreseen(item, world)
        stated = PlaceStatements(repeats(world), STATED.match)
        through, before = world.connects("through"), None
        for _ in range(3):
            now = world.connects(item)
            assert item_reads_like(now, through, before, known, stated) is None
            before = now
        closing = world.connects("through")
        assert through_reads_like(closing, through, before, 0.1 + world.step_db, stated) is None


def likeness(reading):
    return None if reading is None else reading.likeness


@pytest.mark.parametrize("runs", [3, *long(5)])
@pytest.mark.parametrize("traces", [S_PARAMETERS, ("S21",), SCALAR], ids=["four", "one", "scalar"])
@pytest.mark.parametrize("remade", [False, True], ids=["left joined", "joined again"])
def test_joined_leads_are_no_item(traces, remade, runs):
    for seed in range(runs):
        world = World(seed, traces=traces)
        through = world.connects("through")
        now = world.connects("through") if remade else world.sweeps_again()
        reading = item_reads_like(now, through, None, foreseen(PIG, world), STATED)
        assert likeness(reading) is Likeness.LEADS


def test_leads_left_joined_are_told_without_knowing_the_item():
    world = World(3)
    through = world.connects("through")
    reading = item_reads_like(world.sweeps_again(), through, None, ForeseenItem({}), STATED)
    assert likeness(reading) is Likeness.LEADS


@pytest.mark.parametrize("runs", [3, *long(5)])
@pytest.mark.parametrize("real", [PIG, "PIG-0452"])
def test_normalized_with_an_item_in_place_the_item_adds_no_length(real, runs):
    """A sound item, and one with a bad contact: either reads like the leads it was taken for."""
    for seed in range(runs):
        world = World(seed)
        zero = world.connects(PIG)
        reading = item_reads_like(world.connects(real), zero, None, foreseen(PIG, world), STATED)
        assert likeness(reading) is Likeness.LEADS


@pytest.mark.parametrize(("runs", "least"), [(4, 4), *long((12, 10))])
def test_what_nobody_undid_is_the_connection_before(runs, least):
    """By how closely it agrees, of four traces; one trace cannot tell at the stated drift."""
    told = 0
    for seed in range(runs):
        world = World(seed)
        through, before = world.connects("through"), world.connects(PIG)
        reading = item_reads_like(
            world.sweeps_again(), through, before, foreseen(PIG, world), STATED
        )
        assert reading is None or reading.likeness is Likeness.UNTOUCHED
        told += reading is not None
    assert told >= least


@pytest.mark.parametrize("said", [PIG, JUMPER, FEEDER])
@pytest.mark.parametrize("real", [PIG, JUMPER, FEEDER])
def test_an_item_of_another_length_is_another(said, real):
    world = World(5)
    through = world.connects("through")
    reading = item_reads_like(world.connects(real), through, None, foreseen(said, world), STATED)
    assert likeness(reading) is (None if said == real else Likeness.OTHER)


def test_open_leads_are_told_from_an_item_that_is_bad():
    world = World(5)
    through = world.connects("through")
    known = foreseen(PIG, world)
    reading = item_reads_like(world.connects(""), through, None, known, STATED)
    assert likeness(reading) is Likeness.OPEN
    assert item_reads_like(world.connects("PIG-0452"), through, None, known, STATED) is None


@pytest.mark.parametrize("runs", [3, *long(5)])
@pytest.mark.parametrize("traces", [S_PARAMETERS, ("S21",), SCALAR], ids=["four", "one", "scalar"])
def test_an_item_that_is_still_in_is_no_zero(traces, runs):
    for seed in range(runs):
        world = World(seed, traces=traces)
        through, item = world.connects("through"), world.connects(PIG)
        reading = through_reads_like(world.sweeps_again(), through, item, 0.1, STATED)
        assert likeness(reading) is Likeness.ITEM
        assert through_reads_like(world.connects("through"), through, item, 0.1, STATED) is None


def test_a_zero_that_moved_without_an_item_is_told_as_that():
    world = World(2)
    through = world.connects("through")
    moved = {
        band: made_connection(
            made.frequency_hz, made.traces, 0.98 * made.mean[None], np.array([made.time + 60.0])
        )
        for band, made in world.connects("through").items()
    }
    assert likeness(through_reads_like(moved, through, None, 0.1, STATED)) is Likeness.MOVED


def test_the_delay_of_a_line_is_found_within_its_limits():
    """Closed form: exp(-j 2 pi f tau)."""
    world = World(1)
    through = world.connects("through")
    longer = {
        band: made_connection(
            made.frequency_hz, made.traces,
            (made.mean * np.exp(-2j * np.pi * made.frequency_hz * 2e-9))[None], np.array([0.0]),
        )
        for band, made in through.items()
    }  # fmt: skip
    delay_s, limits_s = measured_delay_s(longer, through, 0.02)
    assert delay_s == pytest.approx(2e-9, rel=1e-6)
    assert 0.0 < limits_s < 50e-12
    scalar = World(1, traces=SCALAR).connects("through")
    assert measured_delay_s(scalar, scalar, 0.02) is None


@pytest.mark.long
def test_makings_of_the_stated_repeatability_are_taken_for_one_as_seldom_as_stated():
    """Two joints with normal dZ, as the rule has it: 2000 pairs of level
    and reflections, with drift and noise for which the chance is just below what is allowed."""
    rng = np.random.default_rng(11)
    making = 0.02 / 8.686 / np.sqrt(2.0)
    stated = RepeatStatements(0.02, 0.15)
    grid, traces = np.linspace(1e9, 2e9, 5), ("S11", "S21", "S22")
    taken = 0
    noise = np.array([2e-6, 2e-5, 2e-6])[:, None]

    def made(joints, time):
        near, far = joints
        whole = np.array([0.05 + near * 0.1, 0.1 * (1.0 - near - far), 0.05 + far * 0.1])
        draws = rng.standard_normal((2, 2, 3, 5))
        swept = whole[:, None] + noise * (draws[0] + 1j * draws[1])
        return {"b": made_connection(grid, traces, swept, np.full(2, time))}

    through = made((0.0, 0.0), 0.0)
    for _ in range(2000):
        first, second = (making * (rng.standard_normal(2) + 1j * rng.standard_normal(2))
                         for _ in range(2))  # fmt: skip
        taken += is_same_making(made(first, 0.0), made(second, 60.0), through, stated)
    assert taken <= 2
    untouched = (making, making)
    assert is_same_making(made(untouched, 0.0), made(untouched, 60.0), through, stated)
    assert MOST_BY_CHANCE <= 1e-3


def test_a_connection_without_sweeps_is_none():
    with pytest.raises(ValueError, match="without a sweep"):
        made_connection(np.ones(3), ("S21",), np.ones((0, 1, 3)), np.ones(0))
