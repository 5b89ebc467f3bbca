"""Whatever arrives: good messages are executed, bad ones leave just their error."""

import asyncio
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.simulated.scpi import MESSAGES
from tests.long_cases import long

IDENTIFIED = b"Tareline,Simulated specimen,SIM-0,0.1.0\n"
space = st.text(" \t\x00\r", max_size=2)
gap = st.text(" \t", min_size=1, max_size=2)


FREQUENCY_HEADERS = [":FREQ:STAR", ":SENSe:FREQ:STARt", ":SENS:FREQuency:STAR"]
UNITS = [(0, ""), (0, "HZ"), (3, "KHZ"), (6, "MHZ"), (9, "GHz")]
WRONG = [
    (":FOO:BAR", "1", -113),
    (":CALC9:MARK", "", -114),
    (":FREQ:STAR", "1 S", -131),
    (":SENS:RAT", "1 HZ", -138),
    (":DISP:TITL", "1", -128),
    (":FREQ:STAR", "'a'", -158),
    (":TRIG:SOUR", "SOON", -224),
    (":FREQ:STAR", "#11;", -168),
    (":MEM:STOR", "#9", -161),
    ('*GMC"A"', "", -111),
    (":FREQ:STAR", "1 2", -103),
    (":FAIL", "-310", -310),
]
Expected = tuple[str, str, object, int | None]  # header, data, what is logged, error


@st.composite
def frequencies(draw: st.DrawFn) -> Expected:
    exponent, unit = draw(st.sampled_from(UNITS))
    hertz = draw(st.integers(0, 20_000_000_000))
    number = f"{hertz // 10**exponent}.{hertz % 10**exponent:0{exponent}d}" if exponent else hertz
    data = f"{number}{draw(space) if unit else ''}{unit}"
    error = None if 3e5 <= hertz <= 9e9 else -222
    return draw(st.sampled_from(FREQUENCY_HEADERS)), data, ("STAR", hertz), error


@st.composite
def titles(draw: st.DrawFn) -> Expected:
    content = draw(st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=12))
    quote = draw(st.sampled_from("\"'"))
    data = quote + content.replace(quote, quote * 2) + quote
    return ":DISPlay:TITLe", data, ("TITL", content), None


@st.composite
def channel_lists(draw: st.DrawFn) -> Expected:
    channels = draw(st.lists(st.integers(100, 105), min_size=1, max_size=4))
    error = None if all(101 <= channel <= 104 for channel in channels) else -222
    return ":ROUT:OPEN", f"(@{','.join(map(str, channels))})", ("OPEN", tuple(channels)), error


@st.composite
def pairs(draw: st.DrawFn) -> Expected:
    numbers = draw(st.lists(st.integers(-9, 9), max_size=4))
    data = draw(st.sampled_from([",", " ,", ", "])).join(map(str, numbers))
    error = {0: -109, 1: None, 2: None}.get(len(numbers), -108)
    return ":SENS:PAIR", data, ("PAIR", *numbers), error


@st.composite
def units(draw: st.DrawFn) -> tuple[str, object, int | None]:
    """A unit with an absolute header: its text, what it should log, the error it should cause."""
    wrong = st.sampled_from(WRONG).map(lambda w: (w[0], w[1], None, w[2]))
    header, data, logged, error = draw(
        st.one_of(frequencies(), titles(), channel_lists(), pairs(), wrong)
    )
    header = draw(st.sampled_from([header, header.lower(), header.upper()]))
    text = header + (draw(gap) + data if data else "")
    return draw(space) + text + draw(space), logged, error


@settings(max_examples=150)
@given(sequence=st.lists(units(), min_size=1, max_size=5))
def test_a_message_is_executed_or_tells_its_error(shared_specimen, sequence) -> None:
    shared_specimen.ask("*CLS")
    shared_specimen.log.clear()
    expected_log, expected_errors = [], []
    for _, value, error in sequence:
        if error is None:
            expected_log.append(value)
            continue
        expected_errors.append(error)
        if error > -200:
            break  # a command error drops the rest of the message
    assert shared_specimen.ask(";".join(text for text, _, _ in sequence) + "\n") == b""
    assert shared_specimen.errors() == expected_errors
    assert shared_specimen.log == expected_log


FRAGMENTS = [
    *(b"*IDN?", b"*ESE ", b":FREQ:STAR", b"SENS:", b"TRAC? S11", b"DISP:TITL ", b"ROUT:CLOS (@"),
    *(b"MEM:STOR ", b"FORM REAL,64;", b"CALC7:MARK", b"FAIL -", b"MAX", b"(@1:9", b"#15", b"#0"),
    *(b"#H", b"99999999999999999999", b"1E-99999", b"1E9", b" GHZ", b"\r\n", b"\x80abc"),
    *(bytes([byte]) for byte in b"?;, '\"#)(E-.:_@*\n\x00\xff"),
]


def random_message(source: random.Random) -> bytes:
    if source.random() < 0.4:
        return source.randbytes(source.randrange(40))
    return b"".join(source.choices(FRAGMENTS, k=source.randrange(1, 9)))


@pytest.mark.parametrize("messages", [6_000, *long(60_000)])
def test_no_message_disturbs_the_engine(specimen, caplog, messages) -> None:
    source = random.Random(488)

    async def run() -> None:
        handle = specimen.engine.handle
        for _ in range(messages):
            message = random_message(source)
            await handle(message)
            for error in iter(specimen.engine.status.errors.pop, None):
                if error.number == 0:
                    break
                assert error.number in MESSAGES, message
                assert error.number != -300, message
            assert await handle(b"*IDN?") == IDENTIFIED, message

    specimen.runner.run(run())
    assert not caplog.records  # no defect was reported


@settings(max_examples=400)
@given(message=st.binary(max_size=60))
def test_no_bytes_disturb_the_engine(shared_specimen, message: bytes) -> None:
    asyncio_run = shared_specimen.runner.run
    asyncio_run(shared_specimen.engine.handle(message))
    assert shared_specimen.ask("*CLS;*IDN?") == IDENTIFIED


def test_an_engine_serves_several_event_loops_in_turn(specimen) -> None:
    for _ in range(2):
        assert asyncio.run(specimen.engine.handle(b"INIT;*OPC?")) == b"1\n"
