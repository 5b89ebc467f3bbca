"""Headers: short and long forms, optional nodes, numeric suffixes, compound messages.

Check values: the test-suite of scpi-parser (patterns ABcc:AACddd and MEASure...); rules of
SCPI-99 volume 1, 6.2 (mnemonics, header path), from memory.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.simulated.scpi import ScpiError
from drivers.simulated.scpi.headers import HeaderTree, spellings


def found(pattern: str, header: str, suffixes: tuple[tuple[int, int], ...] = ()) -> object:
    tree: HeaderTree[str] = HeaderTree()
    tree.add(pattern, "here", suffixes)
    try:
        return tree.find(header.upper().split(":"))
    except ScpiError as error:
        return error.number


@pytest.mark.parametrize(
    ("pattern", "header", "is_known"),
    [
        ("ABcc:AACddd", "ab:aac", True),
        ("ABcc:AACddd", "abcc:aac", True),
        ("ABcc:AACddd", "abcc:aacddd", True),
        ("ABcc:AACddd", "abcc:aacdd", False),
        ("ABcc:AACddd", "a:aac", False),
        ("MEASure[:SCALar]:CURRent[:DC]", "MEAS:CURR", True),
        ("MEASure[:SCALar]:CURRent[:DC]", "measure:scal:current:dc", True),
        ("MEASure[:SCALar]:CURRent[:DC]", "MEAS:CURR:DC", True),
        ("MEASure[:SCALar]:CURRent[:DC]", "MEAS", False),
        ("MEASure[:SCALar]:CURRent[:DC]", "MEAS:DC", False),
        ("[SENSe]:FREQuency:STARt", "FREQ:STAR", True),
        ("[SENSe:]FREQuency:STARt", "SENSe:FREQ:STAR", True),
        ("[SENSe:]FREQuency:STARt", "SENS", False),
    ],
)
def test_forms_of_scpi_parser(pattern: str, header: str, is_known: bool) -> None:
    assert found(pattern, header) == (("here", ()) if is_known else -113)


@given(data=st.data(), keyword=st.from_regex(r"[A-Z]{1,4}[a-z]{0,8}", fullmatch=True))
def test_only_the_short_and_the_long_form_are_known(data: st.DataObject, keyword: str) -> None:
    short, long = spellings(keyword)
    length = data.draw(st.integers(1, len(long)))
    received = data.draw(st.sampled_from([long[:length], long[:length].lower()]))
    is_form = received.upper() in (short, long)
    assert found(keyword, received) == (("here", ()) if is_form else -113)


@pytest.mark.parametrize(
    ("header", "expected"),
    [
        ("CALC:MARK", ("here", (1, 1))),  # SCPI-99 6.2.5.2, from memory: left out means 1
        ("CALC4:MARK2", ("here", (4, 2))),
        ("CALCULATE3:MARKER", ("here", (3, 1))),
        ("CALC5:MARK", -114),
        ("CALC0:MARK", -114),
        ("CALC:MARK10", -114),
        ("CALC:MARK:X1", -113),
        ("CAL1:MARK", -113),
    ],
)
def test_numeric_suffixes(header: str, expected: object) -> None:
    assert found("CALCulate<n>[:SELected]:MARKer<m>", header, ((1, 4), (1, 9))) == expected


def test_suffix_where_none_is_declared() -> None:
    assert found("FREQuency:STARt", "FREQ2:STAR") == -113


@pytest.mark.parametrize(
    "patterns",
    [
        ("STATe", "STATus"),
        ("A:B", "A[:C]:B"),
        ("frequency",),
        ("A::B",),
        ("[A]",),
        ("A<n>",),
        ("FREQ uency",),
        ("",),
        ("FREquenCY",),
    ],
)
def test_declarations_that_cannot_hold_are_refused(patterns: tuple[str, ...]) -> None:
    tree: HeaderTree[int] = HeaderTree()
    with pytest.raises(ValueError, match=r".+"):  # noqa: PT012
        for pattern in patterns:
            tree.add(pattern, 0)


# SCPI-99 volume 1, 6.2.4 and IEEE 488.2 A.1.1 (compound headers), from memory
@pytest.mark.parametrize(
    ("message", "response", "errors"),
    [
        ("FREQ:STAR 1 GHZ;STOP 2 GHZ;STAR?;STOP?", b"1.0E+09;2.0E+09\n", []),
        ("SENS:FREQ:STAR 3E6;STOP?", b"2.0E+09\n", []),
        ("FREQ:STAR?;*WAI;STOP?", b"1.0E+09;2.0E+09\n", []),  # common commands keep the path
        ("FREQ:STAR?;:FREQ:STOP?", b"1.0E+09;2.0E+09\n", []),
        ("FREQ:STAR?;FREQ:STOP?", b"1.0E+09\n", [-113]),
        ("STAR?", b"", [-113]),
        (":FREQ:STAR?;:STOP?", b"1.0E+09\n", [-113]),
        ("SENS:SWE:TIME 2;POIN 11;:SENS:SWE:POIN?;TIME?", b"11;2.0E+00\n", []),
        ("*ESE 4;*ESE?", b"4\n", []),
        (":*IDN?", b"", [-110]),  # rejected by scpi-parser too
        ("TRAC? S11;FOO;TRAC? S11", b"1.0E+00,-1.0E-01\n", [-113]),  # the rest is dropped
        ("FAIL -221;*ESE?", b"0\n", [-221]),  # an execution error drops nothing
        ("*IDN?;*ESE?", b"Tareline,Simulated specimen,SIM-0,0.1.0\n", [-440]),
        ("*ESE?;*IDN?", b"0;Tareline,Simulated specimen,SIM-0,0.1.0\n", []),
    ],
)
def test_compound_messages(specimen, message: str, response: bytes, errors: list[int]) -> None:
    assert specimen.ask(message) == response
    assert specimen.errors() == errors


@pytest.mark.parametrize(
    ("message", "error"),
    [
        # SCPI-99 volume 2, 21.8.9, the examples of the error texts, from memory
        ("SETUP&", -101),
        ("*ESE,4", -103),
        ('*GMC"MACRO"', -111),
        ("ABCDEFGHIJKLM", -112),
        ("*XYZ", -113),
        ("CALC5:MARK", -114),
        ("FREQ:STAR", -109),
        ("FREQ:STAR 1E9 2E9", -103),
        ("FREQ:STAR 1E9,", -102),
        ("FREQ:STAR ,1E9", -102),
        ("FREQ:STAR 1E9,2E9", -108),
        ("*RST 1", -108),
        ("ABOR?", -113),
        ("*IDN", -113),
        ("FREQ:STAR?;;STOP?", -102),
        ("FREQ:STAR?;", -102),
        ("1FREQ", -110),
        ("FREQ::STAR 1", -111),
        ("FREQ\xe9", -101),
        ("FREQ:STAR \xe9", -101),
        ("\x00\x01 \t\r", None),
        ("", None),
        (" *CLS \r", None),
    ],
)
def test_grammar_of_headers(specimen, message: str, error: int | None) -> None:
    specimen.ask(message)
    assert specimen.errors() == ([error] if error else [])
