"""Settings of the instruments, their limits and coupling, *RST, and what a client sees of them.

SCPI-99 and IEEE 488.2, from memory; error numbers by the table of SCPI-99 chapter 21.8.
"""

import numpy as np
import pytest

SOURCES = ("analyzer", "generator", "spectrum_analyzer")
SWEPT = ("analyzer", "spectrum_analyzer")
OUT_OF_RANGE, CONFLICT, ILLEGAL, STALE, IGNORED = -222, -221, -224, -230, -213


def asked(message):
    """The query of the setting that a message sets."""
    return message.split(" ")[0] + "?"


@pytest.mark.parametrize(
    ("instrument", "message"),
    [
        ("analyzer", "SOUR:POW 10.1 DBM"),
        ("analyzer", "SOUR:POW -55.1"),
        ("analyzer", "FREQ:STAR 299 KHZ"),
        ("analyzer", "FREQ:STOP 9.1 GHZ"),
        ("analyzer", "FREQ:CENT 10 GHZ"),
        ("analyzer", "FREQ:SPAN 9 GHZ"),
        ("analyzer", "SWE:POIN 1"),
        ("analyzer", "BAND 200 KHZ"),
        ("analyzer", "AVER:COUN 0"),
        ("generator", "POW 13.1"),
        ("generator", "POW -60.1"),
        ("generator", "FREQ 6.01 GHZ"),
        ("generator", "FREQ:CW 99 KHZ"),
        ("power_meter", "FREQ 9 MHZ"),
        ("power_meter", "AVER:COUN 1001"),
        ("power_meter", "TRIG:DEL 101"),
        ("spectrum_analyzer", "SOUR:POW 0.1"),
        ("spectrum_analyzer", "DISP:TRAC:Y:RLEV 31"),
        ("spectrum_analyzer", "BAND 5 MHZ"),
        ("spectrum_analyzer", "FREQ:STAR 8 KHZ"),
        ("switch", "ROUT:CLOS (@103)"),
    ],
)
def test_beyond_its_range_a_setting_is_refused_and_kept(rig, instrument, message):
    built = rig(with_switch=True)
    query = "ROUT:CLOS:STAT?" if instrument == "switch" else asked(message)
    before = built.ask(instrument, query)
    built.ask(instrument, message)
    assert built.errors(instrument) == [OUT_OF_RANGE]
    assert built.ask(instrument, query) == before


@pytest.mark.parametrize(
    ("instrument", "message", "numbers"),
    [
        ("analyzer", "TRAC? S21", [STALE]),
        ("analyzer", "FREQ:STAR 2 GHZ;STOP 1 GHZ;:INIT", [CONFLICT]),
        ("analyzer", "FUNC:OFF:ALL;:INIT", [CONFLICT]),
        ("analyzer", "FUNC 'XFR:S31'", [ILLEGAL]),
        ("analyzer", "FUNC 'VOLT'", [ILLEGAL]),
        ("analyzer", "INIT:CONT ON;:INIT", [IGNORED]),
        ("analyzer", "TRAC? S31", [ILLEGAL]),
        ("analyzer", "FREQ:STAR 1 V", [-131]),
        ("power_meter", "FETC?", [STALE]),
        ("power_meter", "UNIT:POW V", [ILLEGAL]),
        ("power_meter", "CAL:ZERO:AUTO ON", [ILLEGAL]),
        ("spectrum_analyzer", "TRAC?", [STALE]),
        ("spectrum_analyzer", "FREQ:STAR 2 GHZ;STOP 1 GHZ;:INIT", [CONFLICT]),
        ("generator", "SWE:POIN 3", [-113]),
        ("switch", "ROUT:CLOS 101", [-128]),
    ],
)
def test_what_makes_no_sense_has_its_own_error(rig, instrument, message, numbers):
    built = rig(with_switch=True)
    assert built.ask(instrument, message) == ""
    assert built.errors(instrument) == numbers


def test_sources_are_off_at_the_start_and_after_reset(rig):
    built = rig()
    for source in SOURCES:
        assert built.ask(source, "OUTP?") == "0"
        built.ask(source, "OUTP ON")
        assert built.ask(source, "OUTP?") == "1"
        built.ask(source, "*RST")
        assert built.ask(source, "OUTP?") == "0"


def test_reset_values(rig):
    built = rig(with_switch=True)
    expected = {
        "analyzer": {
            "FREQ:STAR": 300e3, "FREQ:STOP": 9e9, "SWE:POIN": 201, "BAND": 1e3, "SOUR:POW": -10,
            "AVER:COUN": 1, "AVER": 0, "INIT:CONT": 0, "FUNC:COUN": 4,
        },
        "generator": {"FREQ": 1e9, "POW": -60},
        "power_meter": {"FREQ": 50e6, "AVER:COUN": 1, "AVER": 0, "TRIG:DEL:AUTO": 1},
        "spectrum_analyzer": {
            "FREQ:STAR": 9e3, "FREQ:STOP": 7e9, "SWE:POIN": 201, "BAND": 1e6, "SOUR:POW": -40,
            "DISP:TRAC:Y:RLEV": 0, "AVER": 0,
        },
    }  # fmt: skip
    changes = {
        "analyzer": "FREQ:CENT 1 GHZ;SPAN 1 MHZ;:SWE:POIN 3;:BAND 10;:SOUR:POW 0;:AVER:COUN 9;"
        "STAT ON;:FUNC 'XFR:S21';:INIT:CONT ON",
        "generator": "FREQ 2 GHZ;:POW 0",
        "power_meter": "FREQ 2 GHZ;:AVER:COUN 3;STAT ON;:TRIG:DEL:AUTO OFF;:UNIT:POW W",
        "spectrum_analyzer": "FREQ:CENT 1 GHZ;SPAN 1 MHZ;:SWE:POIN 3;:BAND 10;:SOUR:POW -1;"
        ":DISP:TRAC:Y:RLEV -20;:AVER ON",
    }
    for instrument, values in expected.items():
        built.ask(instrument, changes[instrument])
        assert built.errors(instrument) == []
        built.ask(instrument, "*RST")
        for header, value in values.items():
            assert float(built.ask(instrument, f"{header}?")) == value, header
    assert built.ask("power_meter", "UNIT:POW?") == "DBM"
    built.ask("switch", "ROUT:CLOS (@101)")
    built.ask("switch", "*RST")
    assert built.ask("switch", "ROUT:CLOS:STAT?") == "(@)"


@pytest.mark.parametrize("instrument", SWEPT)
def test_centre_and_span_are_coupled_to_start_and_stop(rig, instrument):
    built = rig()
    built.ask(instrument, "FREQ:STAR 1 GHZ;STOP 2 GHZ")
    assert built.ask(instrument, "FREQ:CENT?;SPAN?") == "1.5E+09;1.0E+09"
    built.ask(instrument, "FREQ:CENT 3 GHZ")
    assert built.ask(instrument, "FREQ:STAR?;STOP?") == "2.5E+09;3.5E+09"
    built.ask(instrument, "FREQ:SPAN 200 MHZ")
    assert built.ask(instrument, "FREQ:STAR?;STOP?") == "2.9E+09;3.1E+09"
    # a centre near the end of the range takes the span in
    highest = float(built.ask(instrument, "FREQ:STOP? MAX"))
    built.ask(instrument, f"FREQ:CENT {highest - 1e6}")
    assert built.ask(instrument, "FREQ:SPAN?") == "2.0E+06"
    built.ask(instrument, "FREQ:STAR 1 GHZ;STOP 1.1 GHZ;:SWE:POIN 5")
    assert built.numbers(instrument, "FREQ:DATA?") == pytest.approx(np.linspace(1e9, 1.1e9, 5))
    assert built.errors(instrument) == []


@pytest.mark.parametrize("instrument", SWEPT)
def test_a_span_of_zero_is_one_frequency_many_times(rig, instrument):
    built = rig()
    built.ask("hand", "CONN:THR")
    built.ask(instrument, "FREQ:CENT 1 GHZ;SPAN 0;:SWE:POIN 5;:BAND 1 KHZ;:OUTP ON;:INIT")
    trace = "TRAC? S21" if instrument == "analyzer" else "TRAC?"
    values = built.numbers(instrument, trace)
    width = 2 if instrument == "analyzer" else 1
    assert values.shape == (5 * width,)
    assert np.ptp(values[::width]) < 0.5
    assert built.errors(instrument) == []


def test_functions_decide_which_traces_there_are(rig):
    built = rig({"pace": 1e-9})
    ask = lambda message: built.ask("analyzer", message)  # noqa: E731
    ask("FUNC 'XFR:S21','xfrequency:s11'")
    assert ask("FUNC?") == '"XFRequency:S11","XFRequency:S21"'
    assert ask("FUNC:STAT? 'XFR:S21';STAT? 'XFR:S12'") == "1;0"
    forward_s = float(ask("SWE:TIME?"))
    ask("INIT;*WAI")
    assert ask("TRAC? S21")
    assert ask("TRAC? S11")
    assert ask("TRAC? S12") == ""
    assert built.errors("analyzer") == [CONFLICT]
    ask("FUNC:ALL")
    assert float(ask("SWE:TIME?")) == pytest.approx(2.0 * forward_s)
    ask("FUNC:OFF 'XFR:S12'")
    assert ask("FUNC:COUN?") == "3"
    ask("INIT;*WAI")
    assert ask("TRAC? S22")


@pytest.mark.parametrize("instrument", SWEPT)
def test_sweep_time_follows_points_bandwidth_and_pace(rig, instrument):
    for pace in (1.0, 0.25, 0.0):
        built = rig({"pace": pace})
        built.ask(instrument, "OUTP ON;:SWE:POIN 101;:BAND 1 KHZ")
        directions = 2 if instrument == "analyzer" else 1
        time_s = float(built.ask(instrument, "SWE:TIME?"))
        assert time_s == pytest.approx(pace * directions * 101 * 1.2e-3)


def test_the_sweeping_bit_is_set_while_sweeping(rig):
    """Bit 3 of the operation status register; *OPC and *OPC? tell the end."""
    built = rig({"pace": 1.0})
    link = built.link("analyzer")
    begun = "BAND 100 HZ;:SWE:POIN 3;:INIT;*OPC;:STAT:OPER:COND?;*ESR?;:INIT;:SYST:ERR?"
    assert link.query(begun) == '8;128;-213,"Init ignored"'
    assert link.query("*OPC?;STAT:OPER:COND?;EVEN?") == "1;0;8"
    assert int(link.query("*ESR?")) & 1
    link.write("BAND 1 HZ;:INIT")
    assert link.query("STAT:OPER:COND?") == "8"
    link.write("ABOR")
    assert link.query("STAT:OPER:COND?") == "0"
    link.write("TRAC? S21")
    assert int(link.query("SYST:ERR?").split(",")[0]) == STALE


def test_a_continuous_analyzer_always_sweeps(rig):
    built = rig()
    link = built.link("analyzer")
    link.write("SWE:POIN 3;:INIT:CONT ON")
    assert link.query("STAT:OPER:COND?") == "8"
    first, second = link.query("TRAC? S21"), link.query("TRAC? S21")
    assert first != second
    link.write("INIT:CONT OFF")
    assert link.query("STAT:OPER:COND?") == "0"


def test_clearing_the_average_begins_anew(rig):
    built = rig({"pace": 1.0})
    link = built.link("analyzer")
    link.write("SWE:POIN 2;:AVER:COUN 4;STAT ON;:BAND 1 HZ;:INIT")
    link.write("AVER:CLE")
    assert link.query("STAT:OPER:COND?") == "8"
    link.write("ABOR;:BAND 100 KHZ;:INIT;*WAI;AVER:CLE")
    link.write("TRAC? S21")
    assert int(link.query("SYST:ERR?").split(",")[0]) == STALE


@pytest.mark.parametrize(("bits", "datatype"), [(32, "f"), (64, "d")])
@pytest.mark.parametrize("order", ["NORM", "SWAP"])
def test_every_format_tells_the_same_trace(rig, bits, datatype, order):
    built = rig()
    link = built.link("analyzer")
    link.write("SWE:POIN 51;:OUTP ON;:INIT;:FORM ASC")
    ascii_values = link.query_ascii_values("TRAC? S21")
    link.write(f"FORM REAL,{bits};:FORM:BORD {order}")
    values = link.query_binary_values("TRAC? S21", datatype=datatype, is_big_endian=order == "NORM")
    exact = np.array(ascii_values, dtype=f"f{bits // 8}")
    assert np.array_equal(np.array(values, dtype=exact.dtype), exact)


def test_the_switch_closes_and_opens(rig):
    built = rig(with_switch=True)
    link = built.link("switch")
    assert link.query("ROUT:CLOS? (@101,102)") == "0,0"
    link.write("ROUT:CLOS (@101)")
    assert link.query("ROUT:CLOS? (@101,102)") == "1,0"
    assert link.query("ROUT:OPEN? (@101:102)") == "0,1"
    link.write("ROUT:CLOS (@102);OPEN (@101)")
    assert link.query("ROUT:CLOS:STAT?") == "(@102)"
    link.write("ROUT:OPEN:ALL")
    assert link.query("ROUT:CLOS:STAT?;:SYST:ERR?") == '(@);0,"No error"'


def test_every_closing_is_a_new_making_of_the_contact(rig):
    built = rig({"analyzer": {"trace_noise": "0 dB", "noise_floor": "-250 dBm", "drift": None}},
                with_switch=True)  # fmt: skip
    built.ask("analyzer", "OUTP ON;:FREQ:CENT 1 GHZ;SPAN 0;:SWE:POIN 2")

    def reading():
        built.ask("analyzer", "INIT")
        return built.numbers("analyzer", "TRAC? S21")[0]

    closed = []
    for _ in range(5):
        built.ask("switch", "ROUT:OPEN:ALL;:ROUT:CLOS (@101)")
        closed.append(reading())
        built.ask("switch", "ROUT:CLOS (@101)")  # closed already: nothing moves
        assert reading() == pytest.approx(closed[-1], rel=1e-8)
    assert np.min(np.diff(np.sort(closed))) > 1e-6 * closed[0]
    built.ask("switch", "ROUT:OPEN:ALL")
    assert abs(reading()) < 1e-5
