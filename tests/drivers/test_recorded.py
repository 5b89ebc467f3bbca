"""Touchstone files are read as they are meant, or refused with what is wrong in them."""

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from drivers.errors import InputError
from drivers.recorded import read_recording
from tests.drivers.touchstone_made import ORDER, UNITS, some_network, touchstone


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    seed=st.integers(0, 10**6), version=st.sampled_from([1, 2]), unit=st.sampled_from([*UNITS]),
    form=st.sampled_from(["RI", "MA", "DB"]), parameter=st.sampled_from(["S", "Y", "Z", "G", "H"]),
    resistance=st.sampled_from([50, 75]), order=st.permutations([0, 1, 2, 3]), upper=st.booleans(),
)  # fmt: skip
def test_any_option_line_gives_the_same_network(
    tmp_path, seed, version, unit, form, parameter, resistance, order, upper
):
    """Fields may stand in any order and case; R keeps its number (Touchstone 2.0)."""
    s, hz = some_network(seed), np.array([1e9, 2e9, 3e9])
    fields = [unit, parameter, form, f"R {resistance}"]
    options = "# " + " ".join(fields[position] for position in order)
    path = tmp_path / "x.s2p"
    text = touchstone(
        hz, s, version=version, unit=unit, form=form, parameter=parameter, resistance=resistance,
        options=options.upper() if upper else options.lower(),
    )  # fmt: skip
    path.write_text(text, "utf-8")
    read = read_recording(path)
    np.testing.assert_allclose(read.frequency_hz, hz, rtol=1e-11)
    assert read.reference_ohm == resistance
    for trace, entry in zip(read.readings, ORDER, strict=True):
        np.testing.assert_allclose(trace, s[:, *entry], atol=1e-7)


def test_an_option_line_may_be_empty_or_missing(tmp_path):
    """GHz S MA R 50 (Touchstone 1.1)."""
    for line in ("#", "! nothing", "# ! remark"):
        path = tmp_path / "x.s2p"
        path.write_text(f"{line}\n1 .1 0 .5 90 .5 90 .1 0\n2 .1 0 .5 0 .5 0 .1 0\n", "utf-8")
        read = read_recording(path)
        assert read.frequency_hz.tolist() == [1e9, 2e9]
        np.testing.assert_allclose(read.readings[1], [0.5j, 0.5], atol=1e-12)


def test_noise_parameters_after_the_data_are_left_alone(tmp_path):
    path = tmp_path / "x.s2p"
    text = touchstone(np.array([1e9, 2e9]), some_network(1, 2))
    path.write_text(f"{text}1e9 1.2 0.3 45 0.2\n2e9 1.4 0.3 50 0.2\n", "utf-8")
    assert len(read_recording(path).frequency_hz) == 2


def test_ports_exchanged_and_files_of_one_port(tmp_path):
    s = some_network(3)
    path = tmp_path / "x.s2p"
    path.write_text(touchstone(np.array([1e9, 2e9, 3e9]), s), "utf-8")
    turned = read_recording(path, "S12")
    np.testing.assert_allclose(turned.readings[1], s[:, 0, 1], rtol=1e-9)
    np.testing.assert_allclose(turned.readings[0], s[:, 1, 1], rtol=1e-9)
    one = tmp_path / "x.s1p"
    one.write_text(touchstone(np.array([1e9, 2e9, 3e9]), s[:, :1, :1]), "utf-8")
    with pytest.raises(InputError, match="holds a reflection"):
        read_recording(one)
    read = read_recording(one, "S11")
    assert read.traces == ("S21",)
    np.testing.assert_allclose(read.readings[0], s[:, 0, 0], rtol=1e-9)


ROW = "1 .1 .2 .3 .4 .5 .6 .7 .8\n"


@pytest.mark.parametrize(
    ("name", "text", "says"),
    [
        ("x.s2p", "hello", "'hello' in row 1 of the data is not a number"),
        ("x.s2p", "", "one or two ports"),
        ("x.s2p", "# GHz S RI\n1 .1 .2\n", "3 numbers instead of 9"),
        ("x.s1p", f"# GHz S RI\n{ROW}", "9 numbers instead of 3"),
        ("x.s2p", "# furlong S RI\n" + ROW, "'FURLONG' in the option line"),
        ("x.s2p", "# GHz S RI R\n" + ROW, "needs one resistance"),
        ("x.s2p", "# GHz S RI R 50 75\n" + ROW, "the same at each port"),
        ("x.s2p", f"# GHz S RI\n{ROW}{ROW}", "do not rise at row 2"),
        ("x.s2p", "# GHz S RI\n" + ROW.replace(".8", "nan"), "is not a number"),
        ("x.s3p", "# GHz S RI\n" + ROW, "3 ports"),
        ("x.txt", "# GHz S RI\n" + ROW, "name it .s2p"),
        ("x.s2p", touchstone(np.array([1e9, 2e9]), some_network(1, 2), version=2).replace(
            "Frequencies] 2", "Frequencies] 3"), "a part is missing"),
    ],
)  # fmt: skip
def test_files_that_cannot_be_used_are_explained(tmp_path, name, text, says):
    (tmp_path / name).write_text(text, "utf-8")
    with pytest.raises(InputError, match=says) as raised:
        read_recording(tmp_path / name)
    assert raised.value.hint


SECOND = touchstone(np.array([1e9, 2e9]), some_network(1, 2), version=2)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("[Two-Port Data Order] 21_12\n", "", r"\[Two-Port Data Order\] is missing"),
        ("21_12", "1221", "it is 21_12 or 12_21"),
        ("[Number of Frequencies] 2\n", "", r"\[Number of frequencies\] is missing"),
        ("[Reference] 50 50", "[Reference] 50 75", "all of them equal"),
        ("[Network Data]\n", "[Matrix Format] Lower\n[Network Data]\n", "9 numbers instead of 7"),
        ("[Network Data]\n", "[Matrix Format] Half\n[Network Data]\n", "Full, Lower or Upper"),
        ("[Network Data]\n", "[Mixed-Mode Order] D2,1\n[Network Data]\n", "mixed-mode"),
        ("[Network Data]\n", "[Port Impedance]\n[Network Data]\n", "is not known"),
        ("[Version] 2.0\n", "", "does not begin with"),
        ("[Version] 2.0", "[Version] 3.0", "3.0 is not known"),
        ("\n1000000000 ", "\n1000000000,5 ", "a decimal point is needed"),
    ],
)
def test_what_would_have_to_be_guessed_in_version_2_is_refused(tmp_path, old, new, says):
    assert old in SECOND
    path = tmp_path / "x.ts"
    path.write_text(SECOND.replace(old, new), "utf-8")
    with pytest.raises(InputError, match=says):
        read_recording(path)


@pytest.mark.parametrize("order", ["21_12", "12_21"])
@pytest.mark.parametrize("triangle", ["Lower", "Upper"])
def test_a_triangle_of_a_matrix_holds_one_transmission(tmp_path, order, triangle):
    """N11 N21 N22, or N11 N12 N22 (Touchstone 2.0, [Matrix Format]); the reverse is not in it."""
    path = tmp_path / "x.ts"
    path.write_text(
        f"[Version] 2.0\n# GHz S RI R 50\n[Number of Ports] 2\n[Two-Port Data Order] {order}\n"
        f"[Number of Frequencies] 1\n[Reference]\n50 50\n[Matrix Format] {triangle}\n"
        "[Begin Information]\n[Manufacturer] nobody\n# no option line\n[End Information]\n"
        "[Network Data]\n1 .1 .2 .3 .4 .5 .6\n[Noise Data]\n1 2 3 4 5\n[End]\n",
        "utf-8",
    )
    read = read_recording(path)
    assert read.traces == ("S11", "S21", "S22")
    np.testing.assert_allclose(read.readings[:, 0], [0.1 + 0.2j, 0.3 + 0.4j, 0.5 + 0.6j])
    assert read.reference_ohm == 50.0


def test_full_matrices_in_the_other_order(tmp_path):
    path = tmp_path / "x.ts"
    path.write_text(SECOND.replace("21_12", "12_21"), "utf-8")
    there = tmp_path / "y.ts"
    there.write_text(SECOND, "utf-8")
    turned, read = read_recording(path), read_recording(there)
    np.testing.assert_array_equal(turned.readings, read.readings[[0, 2, 1, 3]])


def test_a_resistance_may_follow_its_letter_at_once(tmp_path):
    path = tmp_path / "x.s2p"
    path.write_text("# GHz S RI R75\n" + ROW, "utf-8")
    assert read_recording(path).reference_ohm == 75.0


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be"])
def test_text_in_sixteen_bits_is_told(tmp_path, encoding):
    path = tmp_path / "x.s2p"
    path.write_text("# GHz S RI\n" + ROW, encoding)
    with pytest.raises(InputError, match="UTF-16") as raised:
        read_recording(path)
    assert "save it as UTF-8" in raised.value.hint


def test_latin_1_is_read_in_comments_and_told_elsewhere(tmp_path):
    path = tmp_path / "x.s2p"
    path.write_text("! 23 °C\n# GHz S RI\n" + ROW, "latin-1")
    assert read_recording(path).remark == "23 °C"
    path.write_text("! 23 °C\n# GHz S RI\n" + ROW.replace(".2", "−.2"), "utf-8")
    with pytest.raises(InputError, match="row 1") as raised:
        read_recording(path)
    assert "save it as UTF-8" in raised.value.hint
