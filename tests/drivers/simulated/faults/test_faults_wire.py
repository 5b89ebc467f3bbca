"""Every fault as a client sees it: with PyVISA alone, and through the link and the driver.

What PyVISA makes of broken connections and answers is measured, not stated anywhere (pyvisa-py
over a loopback socket); blocks, status and errors are those of IEEE 488.2 and SCPI-99.
"""

import numpy as np
import pytest
import pyvisa

from drivers import errors
from drivers.dialects.dialect import load_dialect
from drivers.errors import AnswerError, InstrumentError, LinkError, RefusedError
from drivers.instruments.network_analyzer import NetworkAnalyzer
from drivers.link.link import Link
from drivers.sweep import SweepSettings

TIMEOUT_S = 0.2
POINTS = 11
SETTINGS = SweepSettings(2.4e9, 2.5e9, POINTS, -10.0, 1000.0)
SWEEP_ONCE = (
    f"*RST;*CLS;:FORM REAL,64;:SWE:POIN {POINTS};:FREQ:STAR 2.4 GHZ;STOP 2.5 GHZ;"
    ":OUTP ON;:INIT;*OPC?"
)
TRACE = "TRAC? S21"
TOO_LATE = (pyvisa.VisaIOError, "VI_ERROR_TMO")


@pytest.fixture
def arm(bench):
    """Arm a fault at the analyzer; afterwards it must have struck, and the bench go on."""
    hand = Link(bench.addresses["hand"])
    hand.open()
    hand.write("CONN:THR")
    kinds = []

    def ask_for(kind: str, *options: str) -> None:
        texts = ",".join(f'"{text}"' for text in ("analyzer", kind, *options))
        hand.write(f"FAULt:ARM {texts}")
        assert hand.query("SYST:ERR?") == '0,"No error"'
        kinds.append(kind)

    yield ask_for
    log = hand.query("FAULt:LOG?")
    for kind in kinds:
        assert f" {kind}: " in log
    hand.write("FAULt:CLEar")
    assert hand.query("FAULt:ARMed?") == '""'
    hand.close()
    fresh = Link(bench.addresses["analyzer"], timeout_s=2.0)
    assert fresh.open().startswith("Tareline,Simulated network analyzer")
    assert fresh.query("ABOR;*RST;*CLS;*OPC?") == "1"
    fresh.close()


@pytest.fixture
def visa(bench):
    """PyVISA alone, with a finished sweep to read."""
    manager = pyvisa.ResourceManager("@py")
    resource = manager.open_resource(
        bench.addresses["analyzer"],
        read_termination="\n",
        write_termination="\n",
        timeout=1000.0 * TIMEOUT_S,
    )
    assert _patiently(resource, SWEEP_ONCE) == "1"
    yield resource
    resource.close()


def _patiently(resource, command: str) -> str:
    """The first sweep of a bench loads its physics, which may take longer than the timeout."""
    resource.timeout = 20_000.0
    answer = resource.query(command)
    resource.timeout = 1000.0 * TIMEOUT_S
    return answer


@pytest.fixture
def link(bench):
    """Our own link, with a finished sweep to read."""
    opened = Link(bench.addresses["analyzer"], timeout_s=20.0)
    opened.open()
    assert opened.query(SWEEP_ONCE) == "1"
    opened.close()
    opened.timeout_s = TIMEOUT_S
    opened.open()
    yield opened
    opened.close()


@pytest.fixture
def analyzer(link):
    """Our own driver, ready to sweep."""
    instrument = NetworkAnalyzer(
        link, load_dialect("scpi-99-network-analyzer"), maximum_power_dbm=0.0
    )
    instrument.open()
    instrument.configure(SETTINGS)
    instrument.rf_on()
    return instrument


def visa_trace(visa):
    return np.array(
        visa.query_binary_values(TRACE, datatype="d", is_big_endian=True, expect_termination=True)
    )


def link_trace(link):
    return np.frombuffer(link.query_block(TRACE), dtype=">f8")


# Answers that do not come, or not whole, or not in time.


@pytest.mark.parametrize("kind", ["silence", "half-answer", "drop-before", "drop-inside"])
def test_without_a_whole_answer_there_is_a_timeout(arm, visa, kind: str) -> None:
    arm(kind)
    with pytest.raises(TOO_LATE[0], match=TOO_LATE[1]):
        visa_trace(visa)


@pytest.mark.parametrize(
    ("kind", "error", "says"),
    [
        ("silence", errors.SilentError, r"no complete answer within 0\.2 s"),
        ("half-answer", errors.HalfAnswerError, r"no complete answer within 0\.2 s"),
        ("drop-before", errors.PeerClosedError, "closed it with no answer"),
        ("drop-inside", errors.PeerClosedError, r"inside its answer: .* \d+ of them came"),
    ],
)  # fmt: skip
def test_without_a_whole_answer_the_link_is_out_of_step(arm, link, kind, error, says) -> None:
    arm(kind, "on=TRACe:DATA?")
    assert link.query("SWE:POIN?") == str(POINTS)
    with pytest.raises(error, match=says):
        link_trace(link)
    assert not link.in_step
    link.reopen()
    assert link_trace(link).size == 2 * POINTS


def test_silence_keeps_the_connection_and_the_command_was_executed(arm, visa) -> None:
    arm("silence")
    with pytest.raises(TOO_LATE[0], match=TOO_LATE[1]):
        visa.query("SWE:POIN 51;POIN?")
    assert visa.query("SWE:POIN?") == "51"


@pytest.mark.parametrize("kind", ["drop-before", "drop-inside", "drop-after"])
def test_a_dropped_connection_stays_dropped(arm, visa, kind: str) -> None:
    arm(kind)
    with pytest.raises((OSError, pyvisa.VisaIOError)):  # the first may still be answered
        [visa.query("*IDN?") for _ in range(2)]
    with pytest.raises((OSError, pyvisa.VisaIOError)):
        visa.query("*IDN?")


def test_drop_after_lets_the_answer_through(arm, link) -> None:
    whole = link_trace(link)
    arm("drop-after")
    assert link_trace(link).tolist() == whole.tolist()
    assert link.in_step
    with pytest.raises(LinkError):
        link.query("*IDN?")


def test_a_late_answer_is_taken_for_that_of_the_next_question(arm, visa) -> None:
    arm("late-answer", "on=SWEep:POINts?")
    with pytest.raises(TOO_LATE[0], match=TOO_LATE[1]):
        visa.query("SWE:POIN?")
    assert visa.query("OUTP?") == str(POINTS)
    assert visa.read() == "1"


def test_the_driver_makes_safe_on_a_fresh_connection_after_a_late_answer(arm, analyzer) -> None:
    arm("late-answer")
    with pytest.raises(LinkError, match="no complete answer"):
        analyzer.link.query("SWE:POIN?")
    assert not analyzer.link.in_step
    analyzer.make_safe()
    assert analyzer.link.query("OUTP?") == "0"


def test_a_slow_drip_is_whole_in_the_end(arm, visa, link) -> None:
    whole = link_trace(link)
    arm("slow-drip", "bytes=16", "interval=1 ms", "count=2")
    assert visa_trace(visa).tolist() == whole.tolist()
    assert link_trace(link).tolist() == whole.tolist()


def test_a_drip_slower_than_the_timeout_is_given_up(arm, visa, link) -> None:
    arm("slow-drip", "interval=1 min", "count=2")
    with pytest.raises(TOO_LATE[0], match=TOO_LATE[1]):
        visa_trace(visa)
    with pytest.raises(LinkError, match="no complete answer"):
        link_trace(link)


# Answers that are wrong.


def test_a_block_longer_than_stated_is_waited_for(arm, visa, link) -> None:
    arm("wrong-length", "count=2")
    with pytest.raises(TOO_LATE[0], match=TOO_LATE[1]):
        visa_trace(visa)
    with pytest.raises(LinkError, match="no complete answer"):
        link_trace(link)


def test_a_block_that_states_too_little_loses_its_end(arm, visa, analyzer) -> None:
    analyzer.sweep()
    whole = visa_trace(visa)
    arm("wrong-length", "bytes=-16", "count=2")
    visa.write(TRACE)
    with visa.read_termination_context(""):
        assert visa.read_bytes(2 + 3, chunk_size=5) == b"#3160"
    arrived = visa.read_bytes(160, chunk_size=160)
    assert np.frombuffer(arrived, dtype=">f8").tolist() == whole[:-2].tolist()
    with pytest.raises(InstrumentError):
        analyzer.sweep()


def test_wrong_byte_order_gives_absurd_numbers(arm, visa, link) -> None:
    whole = visa_trace(visa)
    arm("wrong-byte-order", "count=2")
    with np.errstate(all="ignore"):
        assert visa_trace(visa).tobytes() == whole.byteswap().tobytes()
    assert link_trace(link).tobytes() == whole.tobytes()  # that is, as little endian


@pytest.mark.parametrize("form", ["ASC", "REAL,32", "REAL,64"])
def test_points_that_are_not_a_number(arm, visa, form: str) -> None:
    visa.write(f"FORM {form}")
    arm("not-a-number", "points=3")
    if form == "ASC":
        numbers = np.array(visa.query_ascii_values(TRACE))
    else:
        kind = "f" if form == "REAL,32" else "d"
        numbers = np.array(visa.query_binary_values(TRACE, datatype=kind, is_big_endian=True))
    missing = np.isclose(numbers, 9.91e37, rtol=1e-6)  # SCPI-99 volume 1, 7.2.1.5
    assert missing.reshape(-1, 2).all(axis=1).sum() == missing.sum() / 2 == 3
    assert np.all(np.abs(numbers[~missing]) < 1.0)


def test_points_that_are_not_a_number_come_through_the_link_as_they_are(arm, link) -> None:
    arm("not-a-number")
    assert (link_trace(link) == 9.91e37).sum() == 2


@pytest.mark.parametrize("numbers", [-2, 2])
@pytest.mark.parametrize("form", ["ASC", "REAL,64"])
def test_wrong_number_of_points(arm, visa, form: str, numbers: int) -> None:
    visa.write(f"FORM {form}")
    arm("wrong-points", f"numbers={numbers}")
    if form == "ASC":
        assert len(visa.query_ascii_values(TRACE)) == 2 * POINTS + numbers
    else:
        assert visa_trace(visa).size == 2 * POINTS + numbers
    assert visa.query("*OPC?") == "1"  # in step


def test_the_driver_counts_the_points(arm, analyzer) -> None:
    arm("wrong-points")
    with pytest.raises(AnswerError, match=f"expected {2 * POINTS}: {POINTS} pairs"):
        analyzer.sweep()


def test_garbage_before_an_answer(arm, visa, link) -> None:
    arm("garbage", "bytes=5", "count=2")
    with pytest.raises(UnicodeDecodeError):
        visa.query("*IDN?")
    with pytest.raises(AnswerError, match="expected plain text"):
        link.query("*IDN?")
    assert not link.in_step
    with pytest.raises(LinkError, match="an earlier answer is still outstanding"):
        link_trace(link)
    link.reopen()
    arm("garbage", "bytes=5", "on=TRACe:DATA?")
    with pytest.raises(AnswerError, match="expected a definite-length block"):
        link_trace(link)
    assert not link.in_step


# What happens in the instrument.


def test_a_setting_is_clipped_without_a_word(arm, visa) -> None:
    arm("clipped-setting", "on=SWEep:POINts", "limit=101")
    visa.write("FREQ:STAR 1 GHZ;:SENS:SWE:POIN 201")
    assert visa.query("SWE:POIN?;:FREQ:STAR?") == "101;1.0E+09"
    arm("clipped-setting")
    visa.write("SOUR:POW -20 DBM")
    assert float(visa.query("SOUR:POW?")) == -22.0
    assert visa.query("SYST:ERR?") == '0,"No error"'


def test_the_driver_reads_settings_back(arm, analyzer) -> None:
    arm("clipped-setting", "on=SENSe:BANDwidth")
    with pytest.raises(AnswerError, match=r"if_bandwidth_hz was set to 500.0 but .* 450"):
        analyzer.configure(SweepSettings(2.4e9, 2.5e9, POINTS, -10.0, 500.0))


def test_a_sweep_that_never_completes(arm, visa, link) -> None:
    arm("endless-sweep")
    with pytest.raises(TOO_LATE[0], match=TOO_LATE[1]):
        visa.query("INIT;*OPC?")
    assert link.query("STAT:OPER:COND?") == "8"  # sweeping (SCPI-99 volume 1, 20.1)
    link.write("ABOR")
    assert link.query("STAT:OPER:COND?") == "0"
    assert visa.read() == "1"
    assert link.query("INIT;*OPC?") == "1"


def test_the_driver_gives_an_endless_sweep_up(arm, analyzer) -> None:
    arm("endless-sweep")
    with pytest.raises(LinkError, match="was not finished after"):
        analyzer.sweep()
    analyzer.make_safe()
    analyzer.configure(SETTINGS)
    assert analyzer.sweep().readings.shape == (4, POINTS)


def test_a_restart_resets_connections_and_loses_settings(arm, visa, link) -> None:
    visa.write("*ESE 60;*SRE 32")
    assert visa.query("*ESR?;*SRE?") == "0;32"
    arm("restart")
    with pytest.raises(ConnectionError):
        visa.query("SWE:POIN?")
    with pytest.raises(LinkError, match="connection failed"):
        link.query("*IDN?")  # every connection, not only that of who asked
    link.reopen()
    assert link.query("*ESR?;*ESE?;*SRE?;:OUTP?;:FORM?") == "128;0;0;0;ASC,0"
    assert link.query("SWE:POIN?") == "201"


def test_the_driver_says_that_the_connection_failed_in_a_restart(arm, analyzer) -> None:
    arm("restart", "on=INITiate")
    with pytest.raises(LinkError, match="connection failed"):
        analyzer.sweep()
    analyzer.make_safe()
    assert analyzer.link.query("OUTP?;:SWE:POIN?") == "0;201"


def test_a_power_trip_turns_sweeps_into_noise(arm, link) -> None:
    with_rf = link_trace(link)
    arm("power-trip", "on=INITiate:IMMediate")
    assert link.query("INIT;*OPC?") == "1"
    assert np.abs(link_trace(link)).max() < 1e-2 * np.abs(with_rf).max()


def test_the_driver_finds_the_error_of_a_power_trip(arm, analyzer) -> None:
    arm("power-trip")
    with pytest.raises(RefusedError, match=r"101.*tripped off"):
        analyzer.check_errors("after a sweep")


def test_a_power_trip_on_the_wire(arm, visa) -> None:
    assert visa.query("OUTP?") == "1"
    arm("power-trip")
    assert visa.query("OUTP?") == "0"
    assert visa.query("SYST:ERR?") == '101,"Source tripped off: overload at a port"'


def test_a_flooded_error_queue(arm, visa) -> None:
    arm("error-flood")
    depth = int(visa.query("SYST:ERR:COUN?"))
    numbers = [int(visa.query("SYST:ERR?").split(",")[0]) for _ in range(depth + 1)]
    assert numbers == [-310] * (depth - 1) + [-350, 0]  # SCPI-99 21.8.1: overflow at the end
    assert visa.query("*ESR?") == "8"


def test_the_driver_does_not_read_an_endless_error_queue_for_ever(arm, analyzer) -> None:
    arm("error-flood", "count=0")
    with pytest.raises(RefusedError, match=r"answered 100 times .*'-350"):
        analyzer.check_errors("all the time")


def test_a_second_client_talks_in_between(arm, visa) -> None:
    arm("second-client", "on=INITiate", "says=SENS:SWE:POIN 21;:OUTP OFF")
    visa.write("INIT")
    assert visa.query("SWE:POIN?;:OUTP?") == "21;0"
    visa.write(TRACE)
    assert visa.query("SYST:ERR?").startswith("-230")  # the sweep was that of other settings


def test_the_driver_finds_its_settings_gone_after_a_second_client(arm, analyzer) -> None:
    arm("second-client", "on=INITiate")
    with pytest.raises(InstrumentError):
        analyzer.sweep()
