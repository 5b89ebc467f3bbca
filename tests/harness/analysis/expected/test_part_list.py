"""Chains of parts as people write them."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.quantities import LENGTH_UNITS, parse_quantity
from harness.analysis.expected.catalogue_files import load_catalogue
from harness.analysis.expected.part_list import Part, parse_chain, require_usable_name


def read(text):
    return parse_chain(text, lambda length: parse_quantity(length, LENGTH_UNITS, "1 m"))


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        ("RG-316 450 mm + 2 x SMA + SMA right-angle adapter",
         (Part("RG-316", 1, 0.45), Part("SMA", 2), Part("SMA right-angle adapter"))),
        ("2 SMA", (Part("SMA", 2),)),
        ("3×  240-size foam 10 in", (Part("240-size foam", 3, 0.254),)),
        ("240-size foam 1.5 m", (Part("240-size foam", 1, 1.5),)),
        (".141 10 cm+SMA", (Part(".141 10 cm+SMA"),)),
        (".141 10 cm +  SMA", (Part(".141", 1, 0.1), Part("SMA"))),
    ],
)  # fmt: skip
def test_chains(text, parts):
    assert read(text) == parts


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "part is empty"),
        (" + ", "part is empty"),
        ("SMA +", "part is empty"),
        (" + SMA", "part is empty"),
        ("0 x SMA", "count must be"),
        ("5000 SMA", "count must be"),
        ("RG-316 -1 m", "must be positive"),
        ("RG-316 1 furlong", "is not a unit"),
        ("RG-316 1e300 m", "no cable is longer"),
    ],
)
def test_what_is_no_chain_is_refused(text, says):
    with pytest.raises(ValueError, match=says):
        read(text)


@given(
    st.lists(
        st.tuples(
            st.sampled_from([*load_catalogue().cables, *load_catalogue().joints]),
            st.integers(1, 1000),
            st.none() | st.integers(1, 99999),
        ),
        min_size=1, max_size=6,
    )
)  # fmt: skip
def test_every_name_of_the_catalogue_reads_back(listed):
    text = " + ".join(
        f"{count} x {name}" + ("" if mm is None else f" {mm} mm") for name, count, mm in listed
    )
    got = read(text)
    assert [(part.name, part.count) for part in got] == [(n, c) for n, c, _ in listed]
    for part, (_, _, mm) in zip(got, listed, strict=True):
        assert part.length_m == (None if mm is None else pytest.approx(mm / 1e3))


@pytest.mark.parametrize("name", ["2 SMA", "2 x SMA", "foam 3 m", "a + b", " a", "", "a +"])
def test_names_that_would_read_otherwise_are_refused(name):
    with pytest.raises(ValueError, match="cannot name a part"):
        require_usable_name(name)
