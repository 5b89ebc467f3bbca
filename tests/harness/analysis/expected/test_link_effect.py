"""What a loss does to a link, and the longest cable."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.analysis.expected.link_effect import longest_length_m, power_lost, range_lost


@pytest.mark.parametrize(
    ("loss_db", "power", "distance"),
    [
        # definition of the decibel: 10 log10 of power; range as the root of power in free space
        (0.0, 0.0, 0.0),
        (1.0, 0.2057, 0.1087),
        (3.0103, 0.5, 0.2929),
        (6.0206, 0.75, 0.5),
        (20.0, 0.99, 0.9),
    ],
)
def test_power_and_range(loss_db, power, distance):
    assert float(power_lost(np.array(loss_db))) == pytest.approx(power, abs=5e-5)
    assert float(range_lost(np.array(loss_db))) == pytest.approx(distance, abs=5e-5)


@given(st.floats(0.0, 100.0))
def test_received_power_goes_with_the_square_of_range(loss_db):
    loss = np.array([loss_db])
    assert (1 - range_lost(loss)) ** 2 == pytest.approx(1 - power_lost(loss), abs=1e-12)


@given(
    per_metre=st.floats(1e-3, 50), fixed=st.floats(0, 5), spare=st.floats(1e-6, 100),
    curved=st.floats(0, 1),
)  # fmt: skip
def test_the_longest_length_just_keeps_the_limit(per_metre, fixed, spare, curved):
    def loss_of(length):
        return fixed + per_metre * length + curved * length**2

    limit = fixed + spare
    longest = longest_length_m(loss_of, limit)
    assert loss_of(longest) <= limit
    assert loss_of(longest) == pytest.approx(limit, rel=1e-6)


def test_where_no_length_does_it_is_said():
    with pytest.raises(ValueError, match="without any cable"):
        longest_length_m(lambda length: 2.0 + length, 1.0)
    with pytest.raises(ValueError, match="is not reached"):
        longest_length_m(lambda length: 0.0, 1.0)
