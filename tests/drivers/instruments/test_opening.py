"""Opening and making safe have one fresh start: each wire fault of the simulated bench."""

import time

import pytest

from drivers.dialects.dialect import load_dialect
from drivers.errors import (
    AnswerError,
    HalfAnswerError,
    InstrumentError,
    LinkError,
    PeerClosedError,
    RefusedConnectionError,
    RefusedError,
    SilentError,
)
from drivers.instruments.network_analyzer import NetworkAnalyzer
from drivers.link.link import Link
from drivers.simulated.faults.fault_kinds import KINDS
from drivers.sweep import SweepSettings
from tests.drivers.scripted_peer import ScriptedPeer
from tests.long_cases import long

TIMEOUT_S = 0.3
SLACK_S = 1.5
"""What a busy machine may add."""
SETTINGS = SweepSettings(2.4e9, 2.5e9, 11, -10.0, 1000.0)
FOR_EVER = "count=0"

FOREVER_ENDS_WITH = {
    "silence": SilentError,
    "late-answer": SilentError,
    "half-answer": HalfAnswerError,
    "slow-drip": HalfAnswerError,
    "drop-before": PeerClosedError,
    "drop-inside": PeerClosedError,
    "drop-after": PeerClosedError,
    "garbage": AnswerError,
    "restart": PeerClosedError,
    "power-trip": RefusedError,
    "error-flood": RefusedError,
}
"""What a fault that never passes ends with; the others do nothing to an opening."""


@pytest.fixture
def hand(bench):
    link = Link(bench.addresses["hand"])
    link.open()
    link.write("FAULt:CLEar;:CONN:THR")
    yield link
    link.write("FAULt:CLEar")
    assert link.query("SYST:ERR?") == '0,"No error"'
    link.close()


@pytest.fixture
def analyzer(bench):
    """As somebody left it: RF on, an error in the queue; closed in order when all is over."""
    somebody = Link(bench.addresses["analyzer"])
    somebody.open()
    somebody.write("*RST;*CLS;:OUTP ON;:NONSENSE")
    assert somebody.query("OUTP?") == "1"
    somebody.close()
    return NetworkAnalyzer(
        Link(bench.addresses["analyzer"], timeout_s=TIMEOUT_S),
        load_dialect("scpi-99-network-analyzer"),
        maximum_power_dbm=0.0,
    )


def arm(hand, kind, *options):
    texts = ",".join(f'"{text}"' for text in ("analyzer", kind, *options))
    hand.write(f"FAULt:ARM {texts}")
    assert hand.query("SYST:ERR?") == '0,"No error"'


@pytest.mark.parametrize("on", ["*IDN?", *long("OUTPut:STATe?")])
@pytest.mark.parametrize("kind", KINDS)
def test_a_fault_that_passes_does_not_keep_an_instrument_from_opening(hand, analyzer, kind, on):
    arm(hand, kind, *([f"on={on}"] if not KINDS[kind].on_message else []))
    begin = time.monotonic()
    assert analyzer.open()[0].startswith("Tareline,Simulated network analyzer")
    assert time.monotonic() - begin < 2 * TIMEOUT_S + SLACK_S
    assert not analyzer.rf_state()
    hand.write("FAULt:CLEar")
    analyzer.link.timeout_s = 5.0
    analyzer.recover()
    analyzer.configure(SETTINGS)
    analyzer.rf_on()
    assert analyzer.sweep().readings.shape == (4, 11)
    analyzer.close()


@pytest.mark.parametrize("kind", KINDS)
def test_a_fault_that_stays_ends_in_its_own_error_in_time(hand, analyzer, kind):
    arm(hand, kind, FOR_EVER)
    begin = time.monotonic()
    if kind in FOREVER_ENDS_WITH:
        with pytest.raises(FOREVER_ENDS_WITH[kind]):
            analyzer.open()
    else:
        analyzer.open()
    assert time.monotonic() - begin < 2 * TIMEOUT_S + SLACK_S
    hand.write("FAULt:CLEar")
    analyzer.make_safe()
    assert not analyzer.rf_state()
    analyzer.link.close()


@pytest.mark.parametrize("kind", ["drop-before", "drop-after", "silence", "garbage", "restart"])
def test_a_line_that_dies_unnoticed_does_not_leave_rf_on(bench, hand, analyzer, kind):
    """The connection looks well until something is sent, and what is sent may be lost."""
    analyzer.link.timeout_s = 2.0
    analyzer.open()
    analyzer.rf_on()
    on = "*IDN?" if kind == "drop-after" else "OUTPut:STATe?"
    arm(hand, kind, *([] if KINDS[kind].on_message else [f"on={on}"]))
    if kind == "drop-after":
        analyzer.link.query("*IDN?")
    analyzer.link.timeout_s = TIMEOUT_S
    analyzer.make_safe()
    other = Link(bench.addresses["analyzer"])
    other.open()
    assert other.query("OUTP?") == "0"
    other.close()
    assert not analyzer.rf_state()
    analyzer.close()


def test_nobody_at_the_address_is_told_at_once():
    with ScriptedPeer([b""]) as peer:
        pass
    link = Link(peer.resource, timeout_s=TIMEOUT_S)
    dialect = load_dialect("scpi-99-network-analyzer")
    with pytest.raises(RefusedConnectionError):
        NetworkAnalyzer(link, dialect, maximum_power_dbm=0.0).open()


def test_a_stranger_is_asked_twice_and_then_left_alone():
    """It answers `*IDN?` and nothing else."""
    with ScriptedPeer([b""]) as peer:
        link = Link(peer.resource, timeout_s=TIMEOUT_S)
        analyzer = NetworkAnalyzer(
            link, load_dialect("scpi-99-network-analyzer"), maximum_power_dbm=0.0
        )
        with pytest.raises(LinkError, match="nothing came back"):
            analyzer.open()
        assert peer.connections == 2
        with pytest.raises(InstrumentError, match="RF could not be shown to be off"):
            analyzer.close()
