"""Status reporting: error queue, event status, status byte, SCPI status groups.

Bit values and error ranges: scpi-parser after SCPI-99 21.8 and IEEE 488.2 11; the behaviour of
the registers: IEEE 488.2 11.4-11.6 and SCPI-99 volume 1, 9 and volume 2, 20, from memory.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.simulated.scpi import MESSAGES, ScpiError
from drivers.simulated.scpi.scpi_errors import ErrorQueue, event_status_bit


@pytest.mark.parametrize(
    ("number", "bit"),
    [
        (-100, 32), (-199, 32), (-200, 16), (-299, 16), (-300, 8), (-399, 8), (-400, 4),
        (-499, 4), (-500, 128), (-600, 64), (-700, 2), (-800, 1), (-899, 1), (1, 8), (32767, 8),
        (0, 0), (-99, 0), (-900, 0),
    ],
)  # fmt: skip
def test_event_status_bit_of_an_error(number: int, bit: int) -> None:
    assert event_status_bit(number) == bit


@pytest.mark.parametrize(
    ("number", "text"),
    [
        (0, "No error"),
        (-101, "Invalid character"),
        (-113, "Undefined header"),
        (-222, "Data out of range"),
        (-350, "Queue overflow"),
        (-363, "Input buffer overrun"),
        (-410, "Query INTERRUPTED"),
        (-800, "Operation complete"),
    ],
)
def test_standard_texts(number: int, text: str) -> None:
    assert MESSAGES[number] == text
    assert ScpiError(number).text == text


@pytest.mark.parametrize("number", [-1, -999, 32768])
def test_numbers_that_do_not_exist(number: int) -> None:
    with pytest.raises(ValueError, match="no SCPI error number"):
        ScpiError(number)


@given(st.text())
def test_any_detail_travels_as_a_short_line(detail: str) -> None:
    text = ScpiError(-300, detail).text
    assert text.isascii()
    assert text.isprintable()
    assert len(text) <= 255


@given(st.lists(st.sampled_from([-113, -222, -300, 7]), max_size=50), st.integers(2, 20))
def test_queue_keeps_the_oldest_and_tells_of_the_overflow(numbers: list[int], depth: int) -> None:
    queue = ErrorQueue(depth)
    for number in numbers:
        queue.push(ScpiError(number))
    read = [queue.pop().number for _ in range(len(queue))]
    if len(numbers) > depth:
        assert read == [*numbers[: depth - 1], -350]
    else:
        assert read == numbers
    assert queue.pop().number == 0


def test_errors_are_read_in_turn(specimen) -> None:
    specimen.ask("FOO")
    specimen.ask("FREQ:STAR 1")
    specimen.ask("FAIL 42")
    specimen.engine.post_error(-240, 'relay "K1"')
    assert specimen.ask("SYST:ERR:COUN?") == b"4\n"
    assert specimen.ask("SYST:ERR?;ERR:NEXT?").startswith(b'-113,"Undefined header;FOO";-222,"Dat')
    assert specimen.ask("SYSTem:ERRor?") == b'42,"on purpose"\n'
    assert specimen.ask("SYST:ERR?") == b'-240,"Hardware error;relay ""K1"""\n'
    assert specimen.ask("SYST:ERR?") == b'0,"No error"\n'
    assert specimen.ask("SYST:VERS?") == b"1999.0\n"


def test_queue_of_twenty(specimen) -> None:
    specimen.ask("*CLS")
    for _ in range(30):
        specimen.ask("FOO")
    assert specimen.ask("*ESR?") == b"40\n"  # command error, and -350 is device-dependent
    assert specimen.errors() == [-113] * 19 + [-350]


def test_event_status_register(specimen) -> None:
    assert specimen.ask("*ESR?") == b"128\n"  # power on, IEEE 488.2 11.5.1.1.2
    assert specimen.ask("*ESR?") == b"0\n"
    specimen.ask("FOO")
    specimen.ask("FAIL -221;FAIL -310;*OPC")
    assert specimen.ask("*ESR?") == b"57\n"
    specimen.ask("FOO;*CLS")
    specimen.ask("*CLS")
    assert specimen.ask("*ESR?") == b"0\n"
    assert specimen.errors() == []


def test_status_byte(specimen) -> None:
    specimen.ask("*CLS")
    assert specimen.ask("*STB?") == b"0\n"
    specimen.ask("FOO")
    assert specimen.ask("*STB?") == b"4\n"  # error queue not empty
    specimen.ask("*ESE 32")
    assert specimen.ask("*STB?") == b"36\n"  # + ESB
    specimen.ask("*SRE 32")
    assert specimen.ask("*STB?") == b"100\n"  # + master summary
    assert specimen.ask("*SRE?;*STB?") == b"32;116\n"  # + MAV: a response is waiting
    specimen.ask("*CLS")
    assert specimen.ask("*STB?") == b"0\n"
    assert specimen.ask("*ESE?;*SRE?") == b"32;32\n"  # *CLS leaves the enable registers
    specimen.ask("*SRE 255")
    assert specimen.ask("*SRE?") == b"191\n"  # bit 6 is ignored, IEEE 488.2 10.34
    for message in ("*ESE 256", "*SRE -1"):
        specimen.ask(message)
    assert specimen.errors() == [-222, -222]


@pytest.mark.parametrize(("group", "bit"), [("OPER", 128), ("QUES", 8)])
def test_status_groups(specimen, group: str, bit: int) -> None:
    status = specimen.engine.status
    register = status.operation if group == "OPER" else status.questionable
    root = f"STAT:{group}"
    assert specimen.ask(f"{root}:ENAB?;PTR?;NTR?;COND?;EVEN?") == b"0;32767;0;0;0\n"
    register.set_bit(4)
    register.set_bit(4)
    assert specimen.ask(f"{root}:COND?") == b"16\n"
    assert specimen.ask("*STB?") == b"0\n"
    specimen.ask(f"{root}:ENAB 16")
    assert specimen.ask("*STB?") == b"%d\n" % bit
    assert specimen.ask(f"{root}?") == b"16\n"
    assert specimen.ask(f"{root}:EVEN?;COND?") == b"0;16\n"  # reading clears the event only
    specimen.ask(f"{root}:PTR 0;NTR 65535")
    assert specimen.ask(f"{root}:NTR?") == b"32767\n"  # bit 15 is never used
    register.set_bit(4, False)
    assert specimen.ask(f"{root}?") == b"16\n"
    register.set_bit(4)
    assert specimen.ask(f"{root}?") == b"0\n"
    specimen.ask("STAT:PRES")
    assert specimen.ask(f"{root}:ENAB?;PTR?;NTR?") == b"0;32767;0\n"


def test_self_test_and_identity(specimen) -> None:
    assert specimen.ask("*TST?") == b"0\n"
    assert specimen.ask("*IDN?") == b"Tareline,Simulated specimen,SIM-0,0.1.0\n"
    specimen.ask("FREQ:STAR 2E9;*RST")
    assert specimen.ask("FREQ:STAR?") == b"1.0E+09\n"


def test_a_defect_of_the_simulation_is_told_and_survived(specimen, caplog) -> None:
    assert specimen.ask("DEF?;*TST?") == b"0\n"
    assert "KeyError: 'missing'" in caplog.text  # with its traceback
    assert "Traceback" in caplog.text
    reply = specimen.ask("SYST:ERR?")
    assert reply.startswith(b"-300,")
    assert b"KeyError" in reply
