"""One contract for signal switches: that of the simulated bench and one of unlike commands."""

from contextlib import ExitStack

import pytest

from drivers.dialects.dialect import load_dialect, wire_settings
from drivers.dialects.dialect_messages import fill
from drivers.errors import AnswerError, InstrumentError, RefusedError
from drivers.instruments.signal_switch import SignalSwitch
from drivers.link.link import Link
from drivers.simulated.launch import SimulatedBenchProcess
from harness.station.starter_files import write_starter
from tests.drivers.serial_bridge import serial_bridge
from tests.drivers.unlike_bench import unlike_bench
from tests.harness.set_ups import SWITCH_ON_THE_BENCH

UNLIKE = "tests/drivers/unlike_dialects/turret.toml"
KINDS = {
    "standard": ("scpi-99-signal-switch", ("101", "102", "105"), ("ROUTe:CLOSe", "ROUTe:OPEN")),
    "unlike": (UNLIKE, ("B", "D", "E"), ("TURN {channel}", "TURN A")),
    "unlike serial": (UNLIKE, ("B", "D", "E"), ("TURN {channel}", "TURN A")),
}
"""Dialect, two channels and one that is not there, and what makes of closing something else."""


@pytest.fixture(scope="module")
def addresses(tmp_path_factory):
    folder = tmp_path_factory.mktemp("bench")
    write_starter(folder)
    path = folder / "simulated-bench.toml"
    text = path.read_text("utf-8")
    path.write_text(text.replace("[leads]", f"{SWITCH_ON_THE_BENCH}\n[leads]"), "utf-8")
    with SimulatedBenchProcess(path) as bench, unlike_bench() as unlike:
        yield {"standard": bench.addresses["switch"], "unlike": unlike["turret"]}


@pytest.fixture(params=KINDS)
def case(request, addresses, pytestconfig):
    """An opened switch, its channels, and what spoils its command."""
    name, channels, spoiling = KINDS[request.param]
    dialect = load_dialect(name, relative_to=pytestconfig.rootpath)
    kind, _, serial = request.param.partition(" ")
    with ExitStack() as stack:
        resource = addresses[kind]
        if serial:
            resource = stack.enter_context(serial_bridge(resource))
        switch = SignalSwitch(Link(resource, timeout_s=2.0, wire=wire_settings(dialect)), dialect)
        stack.callback(switch.close)
        assert "Simulated" in switch.open()[0]
        yield switch, channels, spoiling


def is_closed(switch, channel):
    route = switch.dialect.route
    answer = switch.link.query(fill(route.state, channel=channel))
    assert answer in (*route.answers_closed, *route.answers_open)
    return answer in route.answers_closed


def test_one_channel_is_closed_at_a_time(case):
    switch, (one, other, _), _ = case
    for chosen in (one, other, one):
        switch.select(chosen)
        assert [is_closed(switch, each) for each in (one, other)] == [chosen == one,
                                                                      chosen == other]  # fmt: skip


def test_released_means_open_where_there_is_a_way_to(case):
    switch, (one, _, _), _ = case
    switch.select(one)
    switch.release()
    has_a_way = switch.dialect.route.open_all is not None
    assert is_closed(switch, one) is not has_a_way


def test_a_channel_that_is_not_there(case):
    """Said by the instrument, or by what it answers to where it stands."""
    switch, (_, _, missing), _ = case
    if switch.dialect.next_error is not None:
        with pytest.raises(RefusedError, match=f"while channel {missing} was closed"):
            switch.select(missing)
    else:
        switch.link.timeout_s = 0.2
        with pytest.raises(InstrumentError, match=missing):
            switch.select(missing)
        switch.recover()


def test_a_switch_that_does_not_move(case):
    switch, (one, _, _), (old, new) = case
    close = switch.dialect.route.close.replace(old, new)
    route = switch.dialect.route.model_copy(update={"close": close})
    switch.dialect = switch.dialect.model_copy(update={"route": route})
    with pytest.raises(AnswerError, match=f"channel {one} was closed but .* answers '(0|NO)'"):
        switch.select(one)


def test_a_lost_switch_closes_its_channel_again(case):
    switch, (_, other, _), _ = case
    switch.select(other)
    switch.link.close()
    switch.recover()
    assert is_closed(switch, other)
