"""Scalar readings in any order, and a station that states little, for the lines of the budget."""

from dataclasses import replace

import numpy as np

from harness.analysis.loss.band import BandReadings, Statements
from harness.analysis.loss.evaluate import assess_budget

THROUGH, ITEM = "through", "item"
PLAIN = (THROUGH, *[ITEM] * 5, THROUGH)


def stated(points, **changes):
    nothing = np.zeros(points)
    plain = Statements(
        source_reflection=1e-6, load_reflection=1e-6, connection_repeatability_db=0.02,
        through_loss_db=nothing, through_loss_limits_db=nothing, through_reflection=0.0,
        item_reflection=1e-6,
    )  # fmt: skip
    return replace(plain, **changes)


def bench(order, points=4, *, loss_db=0.3, making_db=0.01, noise_db=1e-4, sweeps=4, apart_s=60.0,
          seed=1, zero_db=lambda time: 0.0):  # fmt: skip
    """Scalar readings of connections made in `order`, one every `apart_s`."""
    rng = np.random.default_rng(seed)
    rows = {THROUGH: [], ITEM: []}
    for place, what in enumerate(order):
        made = rng.normal(0, making_db, points) if making_db else np.zeros(points)
        index = order[:place].count(what)
        for sweep in range(sweeps):
            time = place * apart_s + sweep
            level = made + zero_db(time) + rng.normal(0, noise_db, points)
            level = level - (loss_db if what == ITEM else 0.0)
            rows[what].append((10 ** (level / 20), time, index))

    def column(what, place):
        return np.array([row[place] for row in rows[what]])

    return BandReadings(
        np.linspace(1e9, 2e9, points), ("transmission",),
        column(THROUGH, 0).astype(complex)[:, None, :], column(THROUGH, 1), column(THROUGH, 2),
        column(ITEM, 0).astype(complex)[:, None, :], column(ITEM, 1), column(ITEM, 2),
    )  # fmt: skip


def lines(readings, statements):
    return {line.name: line for line in assess_budget(readings, statements).budget}
