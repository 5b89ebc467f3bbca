"""Numbers in every encoding and form that a dialect can state, from bytes on a socket."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as of_numpy

from drivers.dialects.dialect_tables import DataTable, Encoding
from drivers.errors import AnswerError
from drivers.instruments.data_format import amplitude, combined, read_numbers, read_trace
from drivers.link.link import Link
from tests.drivers.scripted_peer import ScriptedPeer

VALUES = np.array([1.5, -0.25, 3e-6])
RATIOS = of_numpy.arrays(
    np.complex128, 5, elements=st.complex_numbers(min_magnitude=1e-6, max_magnitude=10.0)
)


def answered(answer, read):
    """What `read` makes of a link whose every question gets `answer`."""
    with ScriptedPeer([answer]) as peer:
        link = Link(peer.resource, timeout_s=1.0)
        link.open()
        try:
            return read(link)
        finally:
            link.close()


def block(values, kind):
    payload = np.asarray(values).astype(kind).tobytes()
    return f"#{len(str(len(payload)))}{len(payload)}".encode() + payload + b"\n"


@pytest.mark.parametrize(
    ("stated", "answer"),
    [
        ({"encoding": "real64", "byte_order": "big"}, block(VALUES, ">f8")),
        ({"encoding": "real64", "byte_order": "little"}, block(VALUES, "<f8")),
        ({"encoding": "real32", "byte_order": "big"}, block(VALUES, ">f4")),
        ({"encoding": "real32", "byte_order": "little"}, block(VALUES, "<f4")),
        ({}, b"1.5,-0.25,3E-6\n"),
        ({}, b" +1.5E+00, -2.5E-01 ,3E-6,\r\n"),
        ({"separator": ";"}, b"1.5;-.25;3e-6\n"),
        ({"separator": " "}, b"1.5  -0.25\t3E-6 \n"),
        ({"separator": "\t"}, b"1.5\t-0.25\t3E-6\n"),
    ],
)
def test_every_encoding_is_read(stated, answer):
    values = answered(answer, lambda link: read_numbers(link, Encoding(**stated), "DATA?"))
    assert values == pytest.approx(VALUES, rel=1e-7)


@pytest.mark.parametrize("answer", [b"9.91E37,9.9E+37,-9.9E37\n", b"NAN,INF,-INF\n"])
def test_what_is_no_number_says_so(answer):
    """SCPI-99 volume 1, 7.2.1.4 and 7.2.1.5 (from memory): 9.9E37, -9.9E37 and 9.91E37."""
    assert np.all(np.isnan(answered(answer, lambda link: read_numbers(link, Encoding(), "DATA?"))))


@pytest.mark.parametrize(
    ("stated", "answer", "says"),
    [
        ({}, b"1.5;2.5\n", r"expected numbers separated by ','"),
        ({}, b"no trace\n", "expected numbers"),
        ({"encoding": "real64"}, block(VALUES, ">f4"), "no whole count of numbers of 8 bytes"),
    ],
)
def test_other_answers_are_refused(stated, answer, says):
    with pytest.raises(AnswerError, match=says):
        answered(answer, lambda link: read_numbers(link, Encoding(**stated), "DATA?"))


@pytest.mark.parametrize(
    ("form", "points", "answer"),
    [
        ("complex-pairs", 2, b"1,2,3\n"),
        ("db-and-phase", 2, b"1,2\n"),
        ("db", 4, b"1,2,3\n"),
    ],
)
def test_a_wrong_count_is_refused(form, points, answer):
    data = DataTable(form=form, query="DATA?")
    with pytest.raises(AnswerError, match=r"expected \d"):
        answered(answer, lambda link: read_trace(link, data, "S21", points))


@given(RATIOS, st.sampled_from(["degrees", "radians"]))
def test_every_form_gives_back_the_ratios(ratios, phase):
    angle = np.angle(ratios, deg=phase == "degrees")
    size_db = 20.0 * np.log10(np.abs(ratios))
    for form, first, second in (
        ("complex-pairs", ratios.real, ratios.imag),
        ("real-and-imaginary", ratios.real, ratios.imag),
        ("magnitude-and-phase", np.abs(ratios), angle),
        ("db-and-phase", size_db, angle),
    ):
        asked = "IM?" if form == "real-and-imaginary" else None
        data = DataTable(form=form, query="DATA?", second_query=asked, phase=phase)
        assert combined(data, first, second) == pytest.approx(ratios, rel=1e-9, abs=1e-12)


@given(of_numpy.arrays(np.float64, 4, elements=st.floats(-120.0, 20.0)))
def test_every_unit_of_level_gives_the_same_power(level_dbm):
    """1 mW is 0 dBm; 1 mW in 50 ohm is sqrt(0.05) V (definitions)."""
    milliwatts = 10.0 ** (level_dbm / 10.0)
    volts = np.sqrt(milliwatts * 1e-3 * 50.0)
    for form, values in (("dbm", level_dbm), ("watt", milliwatts * 1e-3), ("volt", volts)):
        assert amplitude(form, values) ** 2 == pytest.approx(milliwatts, rel=1e-9)


def test_pairs_in_one_answer_or_two_questions():
    data = DataTable(form="magnitude-and-phase", query="DATA?", names={"S21": "2"})
    together = answered(b"1,0,2,90\n", lambda link: read_trace(link, data, "S21", 2))
    assert together == pytest.approx([1.0, 2.0j])
