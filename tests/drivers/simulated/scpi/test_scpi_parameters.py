"""Program data: numbers and their suffixes, words, strings, blocks, channel lists.

Rules: IEEE 488.2 7.7 (table 7-1: multipliers) and SCPI-99 volume 1, 7 and 8.3, from memory;
error numbers: scpi-parser after SCPI-99 21.8.
"""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st


def outcome(specimen, message: bytes | str) -> object:
    """What the one command of a message was called with, or the number of the error it caused."""
    specimen.log.clear()
    specimen.ask(message)
    errors = specimen.errors()
    assert len(errors) + len(specimen.log) == 1, (errors, specimen.log)
    return errors[0] if errors else specimen.log[0][-1]


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        ("2400000000", 2.4e9),
        ("2.4GHZ", 2.4e9),
        ("2.4 GHz", 2.4e9),
        ("2400 MHZ", 2.4e9),  # MHZ is mega: the exception to table 7-1
        ("2400 MAHZ", 2.4e9),
        ("10E3 KHZ", 1e7),
        ("0.0024 THZ", 2.4e9),
        ("+1.5e6", 1.5e6),
        ("1.5 E +6", 1.5e6),
        (".4E9", 4e8),
        ("1000000.", 1e6),
        ("#H5F5E100", 1e8),
        ("#q575360400", 1e8),
        ("#B101111101011110000100000000", 1e8),
        ("MIN", 3e5),
        ("MINimum", 3e5),
        ("maximum", 9e9),
        ("DEF", 1e9),
        ("299999.9", -222),
        ("9.1 GHZ", -222),
        ("INF", -222),
        ("NINF", -222),
        ("1E400", -222),
        ("1 M", -131),
        ("1 S", -131),
        ("1 GHZX", -131),
        ("1 UVOLTSPERROOTHZ", -134),
        ("1E32001", -123),
        ("1" * 256, -124),
        ("1.2.3", -121),
        ("1..2", -121),
        ("+", -121),
        ("1_2", -121),
        ("#B12", -121),
        ("#H", -121),
        ("#HG", -121),
        ("MAXI", -224),
        ("BOGUS", -224),
        ("ABCDEFGHIJKLM", -144),
        ("'1E9'", -158),
        ("#15ab;\nc", -168),
        ("(@1)", -178),
        ("(1", -171),
        ("'1", -151),
        ("#3ab", -161),
        ("#210ABCD", -161),
        ("#", -161),
    ],
)
def test_frequency(specimen, data: str, expected: object) -> None:
    assert outcome(specimen, f"FREQ:STAR {data}") == expected


@pytest.mark.parametrize(
    ("command", "expected"),
    [
        ("SENS:SWE:TIME 5 MS", 5e-3),
        ("SENS:SWE:TIME 5 MAS", 5e6),
        ("SENS:SWE:TIME 5US", 5e-6),
        ("SENS:SWE:TIME 5 NS", 5e-9),
        ("SENS:SWE:TIME 5 PS", 5e-12),
        ("SENS:SWE:TIME 5 FS", 5e-15),
        ("SENS:SWE:TIME 5 AS", 5e-18),
        ("SENS:SWE:TIME 5 EXS", 5e18),
        ("SENS:SWE:TIME 5 PES", 5e15),
        ("SENS:SWE:TIME INF", 9.9e37),  # SCPI-99 7.2.1.4
        ("SENS:SWE:TIME NINFINITY", -9.9e37),
        ("SENS:SWE:TIME MAX", -224),  # no maximum declared
        ("SOUR:CURR 3 MA", 3e-3),  # milliampere, as the unit is A
        ("SOUR:CURR 3 MAA", 3e6),
        ("SOUR:POW:AMPL -10 DBM", -10.0),
        ("SOUR:POW:LEV:AMPL -10dBm", -10.0),
        ("SOUR:POW:AMPL -10 MDBM", -131),
        ("SENS:RAT 0.5", 0.5),
        ("SENS:RAT 0.5 HZ", -138),
        ("SENS:SWE:POIN 100.5", 101),
        ("SENS:SWE:POIN 1.49", -222),
        ("SENS:SWE:POIN 1.5", 2),
        ("SENS:SWE:POIN #HC9", 201),
        ("SENS:SWE:POIN 201 HZ", -138),
        ("SENS:SWE:POIN " + "0" * 5000 + "11", 11),
        ("OUTP ON", True),
        ("OUTP:STAT off", False),
        ("OUTP 1", True),
        ("OUTP 0.4", False),  # SCPI-99 7.3: rounded
        ("OUTP -7", True),
        ("OUTP MAYBE", -224),
        ("OUTP 'ON'", -158),
        ("TRIG:SOUR IMM", "IMM"),
        ("TRIG:SOUR external", "EXT"),
        ("TRIG:SOUR EXTE", -224),
        ("TRIG:SOUR 1", -128),
        ("SENS:SLOP NEGative", -1),
        ("DISP:TITL 'a \"b\"; c, ''d'' #13'", "a \"b\"; c, 'd' #13"),
        ('DISP:TITL "say ""hi"""', 'say "hi"'),
        ('DISP:TITL ""', ""),
        ("DISP:TITL plain", -148),
        ("DISP:TITL 5", -128),
        ("DISP:TITL 'caf\xe9'", -151),
        ("MEM:STOR #11a", b"a"),  # scpi-parser: #11a is one byte
        ("MEM:STOR #204ABCD", b"ABCD"),  # scpi-parser: leading zero accepted
        ("MEM:STOR #211hello;\nworl", b"hello;\nworl"),
        ("MEM:STOR #10", b""),
        ("MEM:STOR #0any;thing,", b"any;thing,"),
        ("MEM:STOR #210ABCD", -161),
        ("MEM:STOR 5", -128),
        ("ROUT:CLOS (@101,203)", (101, 203)),
        ("ROUT:CLOS (@1:3)", (1, 2, 3)),
        ("ROUT:CLOS (@ 3:1 , 7 )", (3, 2, 1, 7)),
        ("ROUT:CLOS (101)", -171),
        ("ROUT:CLOS (@)", -171),
        ("ROUT:CLOS (@1!1:2!3)", -171),  # no two-dimensional channels here
        ("ROUT:CLOS (@1,(2)", -171),
        ("ROUT:CLOS (@1:99999999)", -223),
        ("ROUT:CLOS 101", -128),
        ("ROUT:OPEN (@101:104)", (101, 102, 103, 104)),
        ("ROUT:OPEN (@101:105)", -222),
    ],
)
def test_other_parameters(specimen, command: str, expected: object) -> None:
    assert outcome(specimen, command) == expected


@pytest.mark.parametrize(
    ("command", "expected"),
    [
        ("SENS:FUNC 'POW'", [("FUNC", "POW")]),
        ('SENS:FUNC "A,B",\'C;D\' , "E"', [("FUNC", "A,B", "C;D", "E")]),
        ("SENS:FUNC", -109),
        ("SENS:FUNC 'A',B", -148),
        ("SENS:PAIR 1", [("PAIR", 1)]),
        ("SENS:PAIR 1,2", [("PAIR", 1, 2)]),
        ("SENS:PAIR 1,2,3", -108),
        ("SENS:PAIR", -109),
        ("CALC2:MARK7", [("MARK", 2, 7)]),
    ],
)
def test_how_many_parameters(specimen, command: str, expected: object) -> None:
    specimen.ask(command)
    assert (specimen.log or specimen.errors()[0]) == expected


@pytest.mark.parametrize(
    ("message", "response"),
    [
        ("FREQ:STAR?", b"1.0E+09"),
        ("FREQ:STAR? MIN", b"3.0E+05"),
        ("FREQ:STAR? MAX", b"9.0E+09"),
        ("FREQ:STAR? default", b"1.0E+09"),
        ("SENS:SWE:POIN?", b"201"),
        ("SENS:SWE:POIN? MAX", b"1601"),
        ("OUTP ON;:OUTP?", b"1"),
        ("TRIG:SOUR EXTERNAL;SOUR?", b"EXT"),  # SCPI-99 7.1, from memory: short form
        ("SENS:SLOP NEG;SLOP?", b"NEG"),
        ("DISP:TITL 'a \"b\"';TITL?", b'"a ""b"""'),
        ("MEM:STOR #0ab", b""),
        ("ROUT:CLOS (@3:1);CLOS?", b"(@3,2,1)"),
        ("SYST:NAME?", b'"say ""hello"""'),
        ("FORM?", b"ASC,0"),
        ("FORM REAL;FORM?", b"REAL,64"),
        ("FORM:DATA REAL,32;DATA?;BORD?", b"REAL,32;NORM"),
        ("FORM:BORD SWAPped;BORD?", b"SWAP"),
        ("FORM REAL,64;:FORM:BORD SWAP;*RST;:FORM?;:FORM:BORD?", b"ASC,0;NORM"),
    ],
)
def test_queries_of_settings(specimen, message: str, response: bytes) -> None:
    assert specimen.ask(message) == (response + b"\n" if response else b"")
    assert specimen.errors() == []


@pytest.mark.parametrize(
    ("message", "error"),
    [
        ("FREQ:STAR? 1E9", -128),
        ("FREQ:STAR? BEST", -224),
        ("FREQ:STOP? MAX", -224),
        ("OUTP? MAX", -108),
        ("FORM REAL,16", -224),
        ("FORM ASC,7", -224),
        ("FORM INT,32", -224),
    ],
)
def test_queries_that_are_refused(specimen, message: str, error: int) -> None:
    assert specimen.ask(message) == b""
    assert specimen.errors() == [error]


def test_block_comes_back(specimen) -> None:
    data = bytes(range(256))
    assert specimen.ask(b"MEM:STOR #3256" + data + b"\n") == b""
    assert specimen.ask(b"MEM:STOR?\n") == b"#3256" + data + b"\n"
    assert specimen.errors() == []


@given(value=st.floats(min_value=3e5, max_value=9e9))
def test_a_setting_reads_back_exactly(shared_specimen, value: float) -> None:
    response = shared_specimen.ask(f"FREQ:STAR {value!r};STAR?")
    assert float(response) == value


@given(value=st.decimals(min_value="0.001", max_value="8.999", places=9))
def test_a_multiplier_costs_no_digit(shared_specimen, value: object) -> None:
    response = shared_specimen.ask(f"FREQ:STAR {value} GHZ;STAR?")
    assert float(response) == float(f"{value}E9")
    assert math.isfinite(float(response))
