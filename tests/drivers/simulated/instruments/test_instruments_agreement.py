"""One item, four measuring set-ups, one truth; each within what its declared errors allow.

Mismatch limits: the formula for the insertion of a two-port between mismatched ports (Beatty,
J. Res. NBS 52, 1954, from memory). Everything goes over TCP through PyVISA.
"""

import numpy as np
import pytest

from drivers.simulated.physics.truth import insertion_loss_db, port_match, through_loss_db, truth
from tests.long_cases import long

FREQUENCY_HZ = np.linspace(2.4e9, 2.4835e9, 6)
SPAN = "FREQ:STAR 2.4 GHZ;STOP 2.4835 GHZ;:SENS:SWE:POIN 6"
COVERAGE = 3.0


def mismatch_limit_db(source, load, near, far, transmission):
    """Largest change of loss by reflections of these magnitudes."""
    between = source * near + load * far + source * load * (near * far + transmission**2)
    return 20.0 * np.log10((1.0 + between) / (1.0 - source * load))


def connection_db(description):
    """Standard deviation of two matings at the item and two at the through."""
    mating = description.mating
    root_ghz = np.sqrt(FREQUENCY_HZ / 1e9)
    nominal_db = 20.0 * np.log10(1.0 + mating.resistance_at_1_ghz_ohm * root_ghz / 100.0)
    return 2.0 * mating.spread * nominal_db


def allowed_db(description, item, port_f, receiver, *, noise_db, extra_db=0.0):
    """Three times the standard uncertainty that the declared errors add up to, in squares.

    Between limits a mismatch is U-shaped, a linearity error rectangular (JCGM 100, 4.3 and
    common practice). `noise_db` and `extra_db` are standard uncertainties of a reading and of
    the loss.
    """
    found = truth(description, item, FREQUENCY_HZ)
    match = port_match(description, FREQUENCY_HZ, port_f)
    transmission = 10.0 ** (-found.insertion_loss_db / 20.0)
    adapter = 0.02  # more than the reflection of the adapter that closes the through
    contributions = (
        mismatch_limit_db(match, match, found.near_reflection, found.far_reflection, transmission)
        / np.sqrt(2.0),
        mismatch_limit_db(match, match, adapter, adapter, 1.0) / np.sqrt(2.0),
        connection_db(description),
        np.sqrt(2.0 / 3.0) * receiver.linearity_db,
        np.sqrt(2.0) * receiver.trace_noise_db,
        np.sqrt(2.0) * noise_db,
        np.sqrt(2.0) * receiver.drift_db,
        extra_db,
    )
    return COVERAGE * np.sqrt(sum(contribution**2 for contribution in contributions))


def floor_db(floor_dbm, level_dbm):
    """Standard deviation that a floor gives a reading in dB."""
    return 20.0 / np.log(10.0) * 10.0 ** ((floor_dbm - level_dbm) / 20.0)


def vector_db(bench_links):
    analyzer = bench_links("analyzer")
    analyzer.write(f"{SPAN};:FUNC 'XFR:S21';:OUTP ON;:FORM REAL,64;:INIT")
    values = analyzer.query_binary_values("TRAC? S21", datatype="d", is_big_endian=True)
    return 20.0 * np.log10(np.hypot(values[0::2], values[1::2]))


def stepped_db(bench_links):
    generator, meter = bench_links("generator"), bench_links("power_meter")
    generator.query("OUTP OFF;*OPC?")  # two links: the other must find it done
    meter.write("CAL:ZERO:AUTO ONCE")
    meter.query("*OPC?")
    generator.query("POW 0 DBM;:OUTP ON;*OPC?")
    readings = []
    for frequency_hz in FREQUENCY_HZ:
        generator.query(f"FREQ {frequency_hz:.3f} HZ;*OPC?")
        meter.write(f"FREQ {frequency_hz:.3f} HZ;:AVER:COUN 16;STAT ON")
        readings.append(float(meter.query("READ?")))
    return np.array(readings)


def swept_db(bench_links):
    spectrum = bench_links("spectrum_analyzer")
    spectrum.write(f"{SPAN};:BAND 1 KHZ;:DISP:TRAC:Y:RLEV -10;:SOUR:POW 0;:OUTP ON")
    spectrum.write("AVER:COUN 16;STAT ON;:FORM REAL,64;:INIT")
    values = spectrum.query_binary_values("TRAC? TRACE1", datatype="d", is_big_endian=True)
    return np.array(values)


def inserted(links, item, read):
    """Loss of an item: read through, then item, by hand."""
    hand = links("hand")
    hand.write("CONN:THR")
    hand.query("*OPC?")
    reference_db = read(links)
    hand.write(f"CONN:ITEM '{item}'")
    hand.query("*OPC?")
    return reference_db - read(links)


@pytest.fixture
def linked(rig):
    """A function that gives the link to an instrument of one bench, always the same one."""

    def link_up(**options):
        built = rig(**options)
        opened = {}

        def link(name):
            if name not in opened:
                opened[name] = built.link(name)
            return opened[name]

        return built.description, link

    return link_up


@pytest.mark.parametrize("item", ["PIG-0452", "ELB-0033", *long("PIG-0451", "FDR-0012")])
def test_every_set_up_agrees_with_the_truth(linked, item):
    description, links = linked()
    true_db = insertion_loss_db(description, item, FREQUENCY_HZ)
    through_db = through_loss_db(description, FREQUENCY_HZ)
    level_dbm = -22.0 - np.max(true_db)

    analyzer = description.analyzer
    vector = inserted(links, item, vector_db) + through_db
    allowed = allowed_db(
        description,
        item,
        analyzer.port_capacitance_f,
        analyzer,
        noise_db=floor_db(analyzer.noise_floor_dbm, level_dbm - 10.0),
    )
    assert np.all(np.abs(vector - true_db) < allowed)

    meter = description.power_meter
    stepped = inserted(links, item, stepped_db) + through_db
    port_f = max(meter.port_capacitance_f, description.generator.port_capacitance_f)
    zero_db = 4.34 * 10.0 ** ((meter.noise_floor_dbm - level_dbm) / 10.0)
    source_drift_db = np.sqrt(2.0) * description.generator.drift_db
    allowed = allowed_db(
        description, item, port_f, meter, noise_db=zero_db, extra_db=source_drift_db
    )
    assert np.all(np.abs(stepped - true_db) < allowed)

    spectrum = description.spectrum_analyzer
    swept = inserted(links, item, swept_db) + through_db
    allowed = allowed_db(
        description,
        item,
        spectrum.port_capacitance_f,
        spectrum,
        noise_db=floor_db(spectrum.noise_floor_dbm, level_dbm),
    )
    assert np.all(np.abs(swept - true_db) < allowed)


@pytest.mark.parametrize("item", ["PIG-0451", "ELB-0033"])
def test_a_signal_switch_agrees_with_the_truth(linked, item):
    description, links = linked(with_switch=True)
    switch, hand = links("switch"), links("hand")
    hand.write(f"CONN:ITEM '{item}'")
    hand.query("*OPC?")
    readings = {}
    for channel in (101, 102):
        switch.write(f"ROUT:OPEN:ALL;:ROUT:CLOS (@{channel})")
        assert switch.query("ROUT:CLOS:STAT?;*OPC?") == f"(@{channel});1"
        readings[channel] = vector_db(links)
    loss_db = readings[101] - readings[102] + through_loss_db(description, FREQUENCY_HZ)
    analyzer = description.analyzer
    allowed = allowed_db(
        description,
        item,
        analyzer.port_capacitance_f,
        analyzer,
        noise_db=floor_db(analyzer.noise_floor_dbm, -35.0),
        # two contacts in each channel, 50 mohm with a standard deviation of a fifth
        extra_db=2.0 * 0.2 * 20.0 * np.log10(1.0 + 0.05 / 100.0),
    )
    true_db = insertion_loss_db(description, item, FREQUENCY_HZ)
    assert np.all(np.abs(loss_db - true_db) < allowed)


def test_the_allowance_would_show_a_wrong_item(linked):
    """The limits above are tight enough to tell a good pigtail from one with a bad crimp."""
    description, links = linked()
    wrong_db = insertion_loss_db(description, "PIG-0452", FREQUENCY_HZ)
    vector = inserted(links, "PIG-0451", vector_db) + through_loss_db(description, FREQUENCY_HZ)
    analyzer = description.analyzer
    allowed = allowed_db(
        description, "PIG-0451", analyzer.port_capacitance_f, analyzer, noise_db=0.0
    )
    assert np.all(np.abs(vector - wrong_db) > 2.0 * allowed)
    assert np.all(allowed < 0.3)
