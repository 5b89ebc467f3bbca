"""Items from their construction: cascades, passivity, reciprocity, truth."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.constants import speed_of_light
from skrf import Frequency, Network
from skrf.media import Coaxial, DefinedGammaZ0

import harness.station.starter
from drivers.simulated.described.bench_description import parse_description
from drivers.simulated.described.part_tables import Assembly
from drivers.simulated.physics.construction import Workshop
from drivers.simulated.physics.simulated_bench import SimulatedBench
from drivers.simulated.physics.truth import (
    group_delay_s,
    insertion_loss_db,
    port_match,
    scattering,
    through_loss_db,
    truth,
)
from tests.long_cases import examples

STARTER = Path(harness.station.starter.__path__[0], "simulated-bench.toml").read_text("utf-8")
WIDE_HZ = np.linspace(10e6, 8e9, 40)


def described(*items):
    """The starting description with further items, each (name, parts as TOML)."""
    return parse_description(
        STARTER + "".join(f"\n[items.{name}]\nparts = [{parts}]\n" for name, parts in items)
    )


def network(s, frequency_hz=WIDE_HZ):
    return Network(s=s, f=frequency_hz, f_unit="hz", z0=50)


def assert_passive_and_reciprocal(s, frequency_hz=WIDE_HZ):
    """By scikit-rf's own checks, with its own tolerance of 1e-12."""
    found = network(s, frequency_hz)
    assert found.is_passive()
    assert found.is_reciprocal()
    assert np.all(np.linalg.norm(s, ord=2, axis=(1, 2)) <= 1 + 1e-12)


def quantity(low, high, unit):
    return st.floats(low, high).map(lambda x: f"{x!r} {unit}")


LINES = st.sampled_from(["thin flexible", "semi-rigid 3.6 mm", "low-loss 6 mm"])
PARTS = st.one_of(
    st.fixed_dictionaries(
        {"kind": st.just("line"), "of": LINES, "length": quantity(1, 3000, "mm")}
    ),
    st.fixed_dictionaries(
        {
            "kind": st.just("connector"),
            "resistance_at_1_ghz": quantity(0, 2, "ohm"),
            "length": quantity(1, 30, "mm"),
            "impedance": quantity(30, 80, "ohm"),
        }
    ),
    st.fixed_dictionaries({"kind": st.just("corner"), "capacitance": quantity(0, 2, "pF")}),
    st.fixed_dictionaries(
        {
            "kind": st.just("series"),
            "resistance": quantity(0, 100, "ohm"),
            "capacitance": quantity(0, 5, "pF"),
        }
    ),
    st.fixed_dictionaries(
        {
            "kind": st.just("adapter"),
            "shape": st.sampled_from(["straight", "right-angle", "45-degree"]),
            "length": quantity(5, 50, "mm"),
            "impedance": quantity(45, 55, "ohm"),
            "resistance_at_1_ghz": quantity(0, 1, "ohm"),
        }
    ),
    st.fixed_dictionaries(
        {
            "kind": st.just("pad"),
            "attenuation": quantity(0.1, 60, "dB"),
            "impedance": quantity(45, 55, "ohm"),
            "capacitance": quantity(0, 0.2, "pF"),
        }
    ),
    st.fixed_dictionaries(
        {
            "kind": st.just("bad-crimp"),
            "resistance": quantity(0.01, 100, "ohm"),
            "gap": quantity(0.01, 5, "pF"),
        }
    ),
    st.fixed_dictionaries(
        {
            "kind": st.just("loose-pin"),
            "probability": st.floats(0, 1),
            "gap": quantity(0.01, 1, "pF"),
            "resistance": quantity(0, 5, "ohm"),
        }
    ),
    st.fixed_dictionaries(
        {
            "kind": st.just("crushed"),
            "of": LINES,
            "length": quantity(1, 100, "mm"),
            "outer_diameter": quantity(1.5, 2.9, "mm"),
            "inner_diameter": quantity(0.4, 1.4, "mm"),
        }
    ),
    st.fixed_dictionaries(
        {
            "kind": st.just("wet-braid"),
            "of": LINES,
            "length": quantity(10, 3000, "mm"),
            "outer_factor": st.floats(2, 20),
            "loss_tangent": st.floats(1e-3, 0.3),
        }
    ),
    st.fixed_dictionaries(
        {
            "kind": st.just("periodic"),
            "of": LINES,
            "length": quantity(100, 2000, "mm"),
            "period": quantity(5, 100, "mm"),
            "impedance_error": st.floats(0.001, 0.2),
        }
    ),
    st.fixed_dictionaries(
        {
            "kind": st.just("missing-ferrule"),
            "resistance": quantity(0, 20, "ohm"),
            "inductance": quantity(0, 10, "nH"),
        }
    ),
)
PLAIN = described()


@examples(20, 100)
@given(parts=st.lists(PARTS, min_size=1, max_size=6), open_pins=st.lists(st.booleans()))
def test_any_assembly_is_passive_and_reciprocal(parts, open_pins):
    """Any parts in any order, loose pins open or not, from 10 MHz to 8 GHz."""
    assembly = Assembly.model_validate({"parts": parts})
    built = Workshop(PLAIN, WIDE_HZ, 31.0).assembly(assembly, open_pins)
    assert_passive_and_reciprocal(built.s)


@pytest.mark.parametrize("item", PLAIN.items)
def test_the_starting_items_are_passive_and_reciprocal(item):
    assert_passive_and_reciprocal(scattering(PLAIN, item, WIDE_HZ))


@pytest.mark.parametrize("what", ["", "through", *PLAIN.items])
def test_the_whole_path_is_passive_and_reciprocal(what):
    bench = SimulatedBench(PLAIN, seed=1)
    bench.connect(what)
    assert_passive_and_reciprocal(bench.path(WIDE_HZ, 0.1e-12, 0.3e-12))


def test_the_two_ends_are_told_apart():
    """The near port's mismatch is seen at the first port, the far one's at the second."""
    bench = SimulatedBench(PLAIN, seed=1)
    bench.connect("PIG-0452")
    one, other = bench.path(WIDE_HZ, 0.0, 1e-12), bench.path(WIDE_HZ, 1e-12, 0.0)
    assert np.mean(np.abs(one[:, 1, 1])) > 3 * np.mean(np.abs(one[:, 0, 0]))
    assert np.mean(np.abs(other[:, 0, 0])) > 3 * np.mean(np.abs(other[:, 1, 1]))


def test_an_item_is_scikit_rf_s_own_cascade():
    """PIG-0451 put together here by hand from scikit-rf's media and its ** operator."""
    frequency = Frequency.from_f(WIDE_HZ, unit="hz")
    lumped = DefinedGammaZ0(frequency, z0=50)
    root = np.sqrt(WIDE_HZ / 1e9)
    cable = Coaxial(
        frequency,
        z0_port=50,
        Dint=0.51e-3,
        Dout=1.52e-3,
        epsilon_r=2.04,
        tan_delta=3e-4,
        inner_conductor={"sigma": 61e6 / 1.25**2},
        outer_conductor={"sigma": 61e6 / 1.6**2},
    )
    air = DefinedGammaZ0(
        frequency, z0_port=50, z0=48.8, gamma=2j * np.pi * WIDE_HZ / speed_of_light
    )
    mating = lumped.resistor(0.14 * root) ** lumped.inductor(0.02e-9)
    connector = lumped.resistor(0.25 * root) ** air.line(9e-3, "m")
    by_hand = mating**connector ** cable.line(0.451, "m") ** connector**mating
    assert scattering(PLAIN, "PIG-0451", WIDE_HZ) == pytest.approx(by_hand.s, abs=1e-12)


def test_the_path_is_the_cascade_of_its_pieces():
    """Port, lead, connection, item, connection, lead, port: as made, by scikit-rf's **."""
    rigid = parse_description(
        STARTER.replace("spread = 0.35", "spread = 0.0")
        .replace('flexure_length = "0.01 mm"', 'flexure_length = "0 mm"')
        .replace("flexure_resistance = 0.0005", "flexure_resistance = 0.0")
    )
    bench = SimulatedBench(rigid)
    bench.connect("PIG-0452")
    workshop = Workshop(rigid, WIDE_HZ)
    item = network(scattering(rigid, "PIG-0452", WIDE_HZ))
    lead = workshop.lead()
    whole = workshop.port(8e-14) ** lead**item ** lead.flipped() ** workshop.port(5e-14)
    assert bench.path(WIDE_HZ, 8e-14, 5e-14) == pytest.approx(whole.s, abs=1e-12)


@settings(max_examples=30)
@given(
    first=st.lists(PARTS, min_size=1, max_size=3), second=st.lists(PARTS, min_size=1, max_size=3)
)
def test_parts_in_a_row_cascade(first, second):
    workshop = Workshop(PLAIN, WIDE_HZ)
    one, two, both = (
        workshop.assembly(Assembly.model_validate({"parts": parts}))
        for parts in (first, second, [*first, *second])
    )
    assert both.s == pytest.approx((one**two).s, abs=1e-9)


def test_a_chain_is_scikit_rf_s_to_the_last_bit():
    """A run that is gone on with is measured on a bench that reads as it did when it began."""
    chance = np.random.default_rng(3)
    frequency = Frequency.from_f(WIDE_HZ, unit="hz")
    networks = [
        Network(frequency=frequency, s=(real + 1j * imaginary) / 3, z0=50)
        for real, imaginary in chance.normal(size=(4, 2, len(WIDE_HZ), 2, 2))
    ]
    first, second, third, fourth = networks
    by_scikit_rf = ((first**second) ** third) ** fourth
    assert np.array_equal(Workshop.chain(networks).s, by_scikit_rf.s)


@pytest.mark.parametrize("attenuation_db", [0.5, 3.0, 10.0, 40.0])
def test_a_pad_attenuates_what_it_says(attenuation_db):
    """A resistive T for 50 ohm is matched and loses the stated dB at every frequency."""
    parts = f'{{ kind = "pad", attenuation = "{attenuation_db} dB" }}'
    bench = described(("PAD", parts))
    found = Workshop(bench, WIDE_HZ).assembly(bench.items["PAD"])
    assert -20 * np.log10(np.abs(found.s[:, 1, 0])) == pytest.approx(attenuation_db, abs=1e-9)
    assert np.abs(found.s[:, 0, 0]) == pytest.approx(0, abs=1e-12)


def test_a_pad_has_a_mismatch_of_its_own():
    """For another impedance Z the reflection of a large pad is (Z - 50) / (Z + 50)."""
    bench = described(("PAD", '{ kind = "pad", attenuation = "40 dB", impedance = "52 ohm" }'))
    found = Workshop(bench, WIDE_HZ).assembly(bench.items["PAD"])
    assert found.s[:, 0, 0] == pytest.approx(2 / 102, abs=1e-5)


def test_sharper_adapters_reflect_more():
    shapes = ("straight", "45-degree", "right-angle")
    parts = 'length = "20 mm", impedance = "50 ohm", resistance_at_1_ghz = "0.1 ohm" }'
    bench = described(*((s, f'{{ kind = "adapter", shape = "{s}", {parts}') for s in shapes))
    reflections = [truth(bench, shape, np.array([6e9])).near_reflection[0] for shape in shapes]
    assert reflections == sorted(reflections)
    assert reflections[0] < 0.02 < reflections[2]


def test_an_adapters_loss_is_ohmic_and_follows_the_skin_effect():
    """Series R between matched ports: 20 log10(1 + R / 100 ohm), R with the root of frequency
    and of copper's resistivity (+0.393 %/K, NBS Handbook 100, from memory)."""
    parts = (
        '{ kind = "adapter", shape = "straight", length = "20 mm", resistance_at_1_ghz = "1 ohm" }'
    )
    bench = described(("ADP", parts))
    for temperature_c, warmer in [(20.0, 1.0), (70.0, np.sqrt(1 + 0.00393 * 50))]:
        workshop = Workshop(bench, np.array([1e9, 4e9]), temperature_c)
        loss_db = -20 * np.log10(np.abs(workshop.assembly(bench.items["ADP"]).s[:, 1, 0]))
        expected_db = 20 * np.log10(1 + warmer * np.array([0.01, 0.02]))
        # half of it is at either end, so that their reflections add up or cancel
        assert loss_db == pytest.approx(expected_db, rel=0.015)


def test_truth_is_one_construction():
    """Loss and reflections are those of the scattering parameters; a passive item sums to 1."""
    found = truth(PLAIN, "FDR-0012", WIDE_HZ)
    s = scattering(PLAIN, "FDR-0012", WIDE_HZ)
    assert found.near_reflection == pytest.approx(np.abs(s[:, 0, 0]))
    assert found.far_reflection == pytest.approx(np.abs(s[:, 1, 1]))
    assert found.insertion_loss_db == pytest.approx(-20 * np.log10(np.abs(s[:, 1, 0])))
    assert found.insertion_loss_db == pytest.approx(insertion_loss_db(PLAIN, "FDR-0012", WIDE_HZ))


def test_delay_is_length_over_velocity():
    """3002 mm of permittivity 1.42 and two connectors of 12 mm of air: textbook.

    Reflections between the connectors make it wave, by less than 0.5 %; a 2 GHz mean has none.
    """
    frequency_hz = np.linspace(3e9, 5e9, 400)
    expected_s = (3.002 * np.sqrt(1.42) + 0.024) / speed_of_light
    delay_s = group_delay_s(PLAIN, "FDR-0012", frequency_hz)
    assert np.mean(delay_s) == pytest.approx(expected_s, rel=1e-3)
    assert delay_s == pytest.approx(expected_s, rel=1e-2)


def test_truth_takes_out_the_joint_that_was_there_before():
    """Leads that join directly had one connection without the item (MIL-PRF-39012E, 4.6.23)."""
    text = STARTER[: STARTER.index("[through]")] + "[through]\nparts = []\n"
    joined = parse_description(text + STARTER[STARTER.index('[lines."lead cable"]') :])
    frequency_hz = np.array([1e9, 4e9])
    difference_db = insertion_loss_db(PLAIN, "JMP-0107", frequency_hz) - insertion_loss_db(
        joined, "JMP-0107", frequency_hz
    )
    # 0.14 ohm at 1 GHz in 100 ohm, doubled at 4 GHz; the gap's reflection is 1e-3
    assert difference_db == pytest.approx(20 * np.log10([1.0014, 1.0028]), rel=0.01)
    assert np.all(through_loss_db(joined, frequency_hz) == 0)
    assert np.all(through_loss_db(PLAIN, frequency_hz) > 0.02)


def test_port_match_needs_a_port():
    without = PLAIN.model_copy(update={"analyzer": None})
    with pytest.raises(ValueError, match="give port_capacitance_f"):
        port_match(without, WIDE_HZ)
    assert port_match(without, WIDE_HZ, 8e-14) == pytest.approx(port_match(PLAIN, WIDE_HZ))


def test_truth_is_at_the_temperature_of_the_start():
    warm = parse_description(STARTER.replace('start = "20 °C"', 'start = "40 °C"'))
    frequency_hz = np.array([1e9])
    at_start = insertion_loss_db(warm, "FDR-0012", frequency_hz)
    assert at_start == insertion_loss_db(PLAIN, "FDR-0012", frequency_hz, temperature_c=40.0)
    assert at_start > insertion_loss_db(PLAIN, "FDR-0012", frequency_hz)


def test_the_starting_items_keep_their_losses():
    """The demo's limits rest on them: at 433.9, 866.5, 1618, 2442 and 5598 MHz, to 0.01 dB."""
    frequency_hz = np.array([433.92e6, 866.5e6, 1.61825e9, 2.44175e9, 5.5975e9])
    losses_db = {
        "PIG-0451": [0.31046, 0.45240, 0.60422, 0.77903, 1.17844],
        "PIG-0452": [2.04618, 2.21401, 2.24634, 2.44127, 2.32116],
        "JMP-0107": [0.06274, 0.08933, 0.12416, 0.15388, 0.24210],
        "FDR-0012": [0.55375, 0.79865, 1.11978, 1.40639, 2.25856],
        "ELB-0033": [0.02891, 0.04478, 0.07453, 0.11519, 0.36364],
    }
    for item, expected in losses_db.items():
        assert insertion_loss_db(PLAIN, item, frequency_hz) == pytest.approx(expected, abs=0.01)
