"""What the instruments read: zeroing, settling, overload, correction, and always the same."""

import hashlib

import numpy as np
import pytest

POWER_BIT = 8  # bit 3 of the questionable status register (SCPI-99 volume 1, 9.4, from memory)
CLEAN = {"trace_noise": "0 dB", "linearity": "0 dB", "drift": None}
METER = CLEAN | {"noise_floor": "-120 dBm", "zero_offset": None, "zero_drift": None}


def read(built, instrument, message="READ?"):
    return float(built.ask(instrument, message))


def through_loss_db(built, frequency_hz):
    """Of the path between generator and power meter, as it is now."""
    near_f = built.description.generator.port_capacitance_f
    far_f = built.description.power_meter.port_capacitance_f
    s = built.bench.path(np.array([frequency_hz]), near_f, far_f)
    return -20.0 * np.log10(abs(s[0, 1, 0]))


def test_zeroing_takes_the_offset_away(rig):
    """Until then a signal near the offset is misread; over TCP, as a client would do it."""
    built = rig({"power_meter": METER | {"zero_offset": "-50 dBm", "noise_floor": "-80 dBm"}})
    link = built.link("power_meter")
    link.write("UNIT:POW W")
    offset_w = float(link.query("READ?"))
    assert abs(offset_w) == pytest.approx(1e-8, rel=0.01)
    link.write("CAL:ZERO:AUTO ONCE")
    assert link.query("*OPC?;:STAT:OPER:EVEN?;:SYST:ERR?") == '1;17;0,"No error"'
    readings = [float(link.query("READ?")) for _ in range(16)]
    # what is left: the floor of the zeroing (64 readings) and of these 16
    assert abs(np.mean(readings)) < 4.0 * 1e-11 * np.sqrt(1 / 16 + 1 / 64)
    # *RST keeps the zero
    link.write("*RST;:UNIT:POW W")
    assert abs(float(link.query("READ?"))) < 5e-11


def test_a_zero_goes_on_drifting_after_zeroing(rig):
    built = rig({"power_meter": METER | {"zero_offset": "-50 dBm", "zero_drift": "-60 dBm"}})
    built.ask("power_meter", "UNIT:POW W;:CAL:ZERO:AUTO ONCE")
    assert abs(read(built, "power_meter")) < 1e-11
    readings = []
    for _ in range(400):
        built.ask("hand", "CLOC:ADV 3600")
        readings.append(read(built, "power_meter"))
    # six waves of equal size; the point at which it was zeroed is taken off all readings alike
    assert np.std(readings) == pytest.approx(1e-9, rel=0.15)
    built.ask("power_meter", "CAL:ZERO:AUTO ONCE")
    assert abs(read(built, "power_meter")) < 1e-11


def test_zeroing_with_power_at_the_sensor_fails_and_changes_nothing(rig):
    built = rig({"power_meter": METER | {"zero_offset": "-50 dBm"}})
    built.ask("hand", "CONN:THR")
    built.ask("generator", "POW 0;:OUTP ON")
    built.ask("power_meter", "CAL:ZERO:AUTO ONCE")
    assert built.errors("power_meter") == [-340]
    built.ask("generator", "OUTP OFF")
    built.ask("power_meter", "UNIT:POW W")
    assert abs(read(built, "power_meter")) == pytest.approx(1e-8, rel=0.01)


def test_aborting_leaves_a_zeroing_alone(rig):
    built = rig({"power_meter": METER | {"zero_offset": "-50 dBm"}, "pace": 0.05})
    link = built.link("power_meter")
    link.write("UNIT:POW W;:CAL:ZERO:AUTO ONCE;:ABOR;:INIT")
    assert link.query("SYST:ERR?") == '-213,"Init ignored;a calibration is under way"'
    assert link.query("*OPC?") == "1"
    assert abs(float(link.query("READ?"))) < 1e-11


def test_a_negative_power_has_no_level(rig):
    """Noise about zero, in dBm: not a number, 9.91E37 (SCPI-99 volume 1, 7.2.1.5)."""
    built = rig({"power_meter": METER})
    built.ask("power_meter", "UNIT:POW W")
    readings_w = []
    for _ in range(20):
        readings_w.append(read(built, "power_meter"))
        built.ask("power_meter", "UNIT:POW DBM")
        level_dbm = read(built, "power_meter", "FETC?")
        if readings_w[-1] > 0.0:
            assert level_dbm == pytest.approx(10.0 * np.log10(readings_w[-1] / 1e-3))
        else:
            assert level_dbm == 9.91e37
        built.ask("power_meter", "UNIT:POW W")
    assert min(readings_w) < 0.0 < max(readings_w)


def test_the_meter_reads_the_generators_level_less_the_path(rig):
    built = rig({"power_meter": METER, "generator": {"level_error": "0 dB", "drift": None}})
    built.ask("hand", "CONN:THR")
    built.ask("generator", "POW 3 DBM;FREQ 1.5 GHZ;:OUTP ON")
    built.ask("power_meter", "FREQ 1.5 GHZ")
    expected_dbm = 3.0 - through_loss_db(built, 1.5e9)
    assert read(built, "power_meter") == pytest.approx(expected_dbm, abs=1e-3)


def test_the_generators_level_is_wrong_within_its_limits(rig):
    built = rig({"power_meter": METER, "generator": {"level_error": "0.3 dB", "drift": None}})
    built.ask("hand", "CONN:THR")
    built.ask("generator", "OUTP ON")
    built.ask("power_meter", "FREQ 1 GHZ")
    errors_db = []
    for level_dbm in range(-40, 14):
        built.ask("generator", f"POW {level_dbm}")
        errors_db.append(read(built, "power_meter") + through_loss_db(built, 1e9) - level_dbm)
    assert np.max(np.abs(errors_db)) < 0.301
    assert np.ptp(errors_db) > 0.1


def test_the_meter_must_be_told_the_frequency(rig):
    """The sensor's roll-off is corrected for the frequency that is set, whatever comes in."""
    built = rig({"power_meter": METER | {"roll_off": "0.5 dB", "highest_frequency": "10 GHz"}})
    built.ask("hand", "CONN:THR")
    built.ask("generator", "POW 0;FREQ 5 GHZ;:OUTP ON")
    built.ask("power_meter", "FREQ 5 GHZ")
    right_dbm = read(built, "power_meter")
    built.ask("power_meter", "FREQ 10 MHZ")
    assert read(built, "power_meter") - right_dbm == pytest.approx(-0.5 * 0.25, abs=1e-3)


def test_a_reading_too_soon_has_not_settled(rig):
    """First-order sensor, time constant 1 s, a reading 1 s after the power came: 1 - 1/e."""
    slow = METER | {"time_constant": "1 s", "reading_time": "1 ms"}
    built = rig({"power_meter": slow, "generator": {"settling_time": "0 s", "drift": None}})
    built.ask("hand", "CONN:THR")
    built.ask("power_meter", "UNIT:POW W;:TRIG:DEL:AUTO OFF;:TRIG:DEL 1")
    assert read(built, "power_meter") == pytest.approx(0.0, abs=1e-14)
    built.ask("generator", "POW 0;:OUTP ON")
    too_soon_w = read(built, "power_meter")
    built.ask("power_meter", "TRIG:DEL:AUTO ON")
    started_s = built.bench.elapsed_s
    settled_w = read(built, "power_meter")
    assert too_soon_w / settled_w == pytest.approx(1.0 - np.exp(-1.0), rel=1e-3)
    # to within 1e-5 of the reading from 1/e away
    assert built.bench.elapsed_s - started_s == pytest.approx(np.log(1e5 / np.e), rel=0.01)


@pytest.mark.parametrize(
    ("instrument", "changes", "strong", "weak", "maximum_dbm"),
    [
        ("analyzer", {"overload_level": "-5 dBm"}, "SOUR:POW 5", "SOUR:POW -20", -5.0),
        ("spectrum_analyzer", {}, "DISP:TRAC:Y:RLEV -15", "DISP:TRAC:Y:RLEV 10", -15.0),
        ("power_meter", {"overload_level": "-5 dBm"}, "POW 5", "POW -20", -5.0),
    ],
)
def test_overload_shows_in_the_reading_and_the_status(
    rig, instrument, changes, strong, weak, maximum_dbm
):
    """Reading compressed to at most 3 dB above the maximum; questionable bit 3 set."""
    table = METER if instrument == "power_meter" else CLEAN
    built = rig({instrument: table | changes, "leads": {"pad": "0 dB"}})
    built.ask("hand", "CONN:THR")
    source = "generator" if instrument == "power_meter" else instrument
    built.ask(source, "OUTP ON")
    if instrument != "power_meter":
        built.ask(instrument, "FREQ:CENT 1 GHZ;SPAN 1 MHZ;:SWE:POIN 3")
    if instrument == "spectrum_analyzer":
        built.ask(instrument, "SOUR:POW 0;:BAND 1 KHZ")
    link = built.link(instrument)

    def level_dbm():
        if instrument == "power_meter":
            return float(link.query("READ?"))
        link.write("INIT")
        values = np.array(link.query_ascii_values(trace))
        if instrument == "spectrum_analyzer":
            return float(np.max(values))
        power_dbm = float(link.query("SOUR:POW?"))
        return power_dbm + 20.0 * np.log10(np.hypot(values[0], values[1]))

    trace = "TRAC? S21" if instrument == "analyzer" else "TRAC? TRACE1"
    setter = built.link(source)
    setter.query(f"{strong};*OPC?")
    compressed_dbm = level_dbm()
    assert maximum_dbm < compressed_dbm < maximum_dbm + 3.001
    assert link.query("STAT:QUES:COND?;EVEN?") == f"{POWER_BIT};{POWER_BIT}"
    setter.query(f"{weak};*OPC?")
    honest_dbm = level_dbm()
    assert link.query("STAT:QUES:COND?;:SYST:ERR?") == '0;0,"No error"'
    if instrument == "spectrum_analyzer":
        assert honest_dbm > compressed_dbm + 5.0  # 0 dBm less the leads, no longer squeezed
    else:
        assert compressed_dbm - honest_dbm < 25.0 - 2.0  # less than the rise of the source


def test_the_spectrum_analyzer_shows_the_generators_line(rig):
    """Half of the power at half a resolution bandwidth from it (what the bandwidth means)."""
    quiet = CLEAN | {"noise_floor": "-200 dBm"}
    built = rig({"spectrum_analyzer": quiet, "generator": {"drift": None}})
    built.ask("hand", "CONN:THR")
    built.ask("generator", "POW 0;FREQ 1 GHZ;:OUTP ON")
    built.ask("spectrum_analyzer", "FREQ:CENT 1 GHZ;SPAN 200 KHZ;:BAND 100 KHZ;:SWE:POIN 5;:INIT")
    levels_dbm = built.numbers("spectrum_analyzer", "TRAC?")
    assert np.argmax(levels_dbm) == 2
    assert levels_dbm[2] - levels_dbm[[1, 3]] == pytest.approx(10.0 * np.log10(2.0), abs=0.01)
    assert levels_dbm[2] == pytest.approx(-21.0, abs=1.5)


def test_the_log_scale_is_exact_at_reference_level_and_bent_below(rig):
    """Within its limits; seen by the tracking generator's level, which is exact."""
    fidelity = {"linearity": "0.2 dB", "noise_floor": "-200 dBm", "log_range": "200 dB"}
    built = rig({"spectrum_analyzer": CLEAN | fidelity})
    built.ask("hand", "CONN:THR")
    built.ask("spectrum_analyzer", "FREQ:CENT 1 GHZ;SPAN 0;:SWE:POIN 2;:BAND 1 KHZ;:OUTP ON")
    port_f = built.description.spectrum_analyzer.port_capacitance_f
    s21 = built.bench.path(np.array([1e9]), port_f, port_f)[0, 1, 0]
    path_db = -20.0 * np.log10(abs(s21))

    def error_db(level_dbm, reference_dbm):
        message = f"DISP:TRAC:Y:RLEV {reference_dbm};:SOUR:POW {level_dbm};:INIT"
        built.ask("spectrum_analyzer", message)
        return built.numbers("spectrum_analyzer", "TRAC?")[0] - level_dbm + path_db

    assert error_db(0.0, -path_db) == pytest.approx(0.0, abs=1e-3)
    errors_db = [error_db(level_dbm, -path_db) for level_dbm in range(-40, 1)]
    assert np.max(np.abs(errors_db)) < 0.201
    assert np.ptp(errors_db) > 0.05


def test_coarse_readings_are_the_fine_ones_rounded(rig):
    seen = []
    for changes in ({}, {"resolution": "0.1 dB"}):
        built = rig({"spectrum_analyzer": changes})
        built.ask("hand", "CONN:THR")
        built.ask("spectrum_analyzer", "FREQ:CENT 1 GHZ;SPAN 1 GHZ;:SWE:POIN 11;:OUTP ON;:INIT")
        seen.append(built.numbers("spectrum_analyzer", "TRAC?"))
    fine_dbm, coarse_dbm = seen
    assert coarse_dbm == pytest.approx(np.round(fine_dbm, 1), abs=1e-9)
    assert np.ptp(fine_dbm - coarse_dbm) > 0.01


SEQUENCE = (
    ("power_meter", "CAL:ZERO:AUTO ONCE"), ("hand", "CONN:THR"),
    ("analyzer", "OUTP ON;:INIT"), ("analyzer", "TRAC? S21"), ("generator", "POW 0;:OUTP ON"),
    ("power_meter", "AVER:COUN 4;STAT ON;:READ?"), ("spectrum_analyzer", "OUTP ON;:INIT"),
    ("spectrum_analyzer", "TRAC?"), ("hand", "CONN:ITEM 'ELB-0033'"), ("switch", "CLOS (@102)"),
    ("analyzer", "AVER:COUN 3;STAT ON;:INIT"), ("analyzer", "TRAC? S11"),
    ("power_meter", "READ?"), ("hand", "CLOC:TIME?"),
)  # fmt: skip


def digest(built):
    answers = [built.ask(instrument, message) for instrument, message in SEQUENCE]
    assert all(built.errors(instrument) == [] for instrument in built.engines)
    return hashlib.sha256("\n".join(answers).encode()).hexdigest()


def test_the_same_commands_give_the_same_readings_bit_for_bit(rig):
    first, second = (digest(rig(with_switch=True)) for _ in range(2))
    assert first == second
    assert digest(rig({"seed": 21}, with_switch=True)) != first


def test_only_described_instruments_are_there(rig):
    everything = {
        "analyzer", "generator", "power_meter", "spectrum_analyzer", "switch", "thermometer",
        "hand",
    }  # fmt: skip
    assert set(rig(with_switch=True).engines) == everything
    few = rig({"analyzer": None, "spectrum_analyzer": None, "thermometer": None})
    assert set(few.engines) == {"generator", "power_meter", "hand"}
    alone = rig({"generator": None, "power_meter": METER})
    alone.ask("power_meter", "UNIT:POW W")
    assert abs(read(alone, "power_meter")) < 1e-14
