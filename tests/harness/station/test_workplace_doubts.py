"""`tareline check` finds what cannot work although the files are well written."""

import pytest

from drivers.link.link import address_fault
from harness.station.items import read_workplace
from harness.station.starter_files import write_starter
from harness.station.workplace_doubts import doubts_about
from tests.harness.command_line import tareline
from tests.harness.set_ups import replace


@pytest.fixture
def folder(tmp_path):
    write_starter(tmp_path)
    return tmp_path


def doubts(folder, items, *pairs):
    """Of one item on the starting station with some texts replaced."""
    (folder / "items.toml").write_text(f"[items.X]\n{items}\n", "utf-8")
    replace(folder / "station.toml", *pairs)
    return doubts_about(read_workplace(folder / "station.toml", folder / "items.toml"))


LIMITED = 'limits = { telemetry-868 = "1 dB" }'
FAR = ("[leads]\n", '[leads]\nfar_connector = "N"\nfar_torque = "1.5 N m"\n')


@pytest.mark.parametrize(
    ("made_of", "leads", "says"),
    [
        ('["RG-316 1 m", "2 x SMA"]', [], ""),
        ('["SMA right-angle", "RG-316 1 m", "RP-SMA"]', [], "RP-SMA, the leads end in SMA"),
        ('["240-size foam 3 m", "2 x N"]', [], "ends in N, the leads end in SMA"),
        ('["240-size foam 3 m", "SMA", "N"]', [], "ends in SMA and N, the leads end in SMA"),
        ('["240-size foam 3 m", "SMA", "N"]', [FAR], ""),
        ('["240-size foam 3 m", "N", "SMA"]', [FAR], ""),
        ('["N to SMA adapter"]', [FAR], ""),
        ('["240-size foam 3 m", "2 x N"]', [('connector = "SMA"', 'connector = "N"')], ""),
        ('["240-size foam 3 m"]', [], ""),
    ],
)
def test_ends_that_do_not_join(folder, made_of, leads, says):
    told = " ".join(doubts(folder, f"made_of = {made_of}\n{LIMITED}", *leads))
    assert says in told
    assert bool(told) == bool(says)


def test_a_doubt_of_many_items_and_kinds_is_told_once(folder):
    """With the names of all that it is about."""
    made_of = 'made_of = ["RG-316 1 m", "RP-SMA", "SMA"]\n'
    text = "".join(f"[{name}]\n{made_of}{LIMITED}\n" for name in ("items.A", "items.B", "kinds.C"))
    (folder / "items.toml").write_text(text, "utf-8")
    (told,) = doubts_about(read_workplace(folder / "station.toml", folder / "items.toml"))
    assert told.startswith("items.A, items.B, kinds.C: made_of ends in RP-SMA and SMA")


def test_leads_that_do_not_join_need_an_adapter(folder):
    text = (folder / "station.toml").read_text("utf-8")
    start, end = text.index("[through]"), text.index("[zero]")
    (folder / "station.toml").write_text(text[:start] + text[end:], "utf-8")
    replace(folder / "station.toml", FAR)
    done = tareline("check", folder=folder)
    assert done.returncode == 2
    assert "the leads end in SMA and N" in done.stderr


def test_a_cable_beyond_its_rating_is_told(folder):
    told = doubts(
        folder,
        'made_of = ["RG-58 1 m", "2 x SMA"]\n'
        'limits = { telemetry-868 = "1 dB", backhaul-2400 = "2 dB", backhaul-5600 = "4 dB" }',
    )
    assert told == [
        "items.X: RG-58 is rated to 1 GHz only, and backhaul-2400, backhaul-5600 goes higher: what "
        "it loses there is a guess"
    ]


def test_a_history_that_is_not_there_is_told(folder):
    (folder / "results").mkdir()
    station = folder / "station.toml"
    text = station.read_text("utf-8")
    station.write_text(text.replace("# history = ", "history = "), "utf-8")
    assert not doubts(folder, LIMITED)
    text = station.read_text("utf-8")
    station.write_text(text.replace('history = "results"', 'history = "resluts"'), "utf-8")
    (told,) = doubts(folder, LIMITED)
    assert "there is no folder 'resluts'" in told
    assert "did you mean 'results'?" in told
    # the item is not on the simulated bench: no business of this test
    write_starter(folder / "own")
    replace(folder / "own" / "station.toml", ("# history = ", "history = "))
    done = tareline("check", folder=folder / "own")
    assert done.returncode == 0
    assert "doubtful: uncertainty.history" in done.stderr


@pytest.mark.parametrize(
    ("address", "is_right"),
    [
        ("TCPIP0::192.0.2.10::5025::SOCKET", True),
        ("TCPIP0::192.0.2.10::inst0::INSTR", True),
        ("GPIB0::16::INSTR", True),
        ("ASRL/dev/ttyUSB0::INSTR", True),
        ("192.0.2.10:5025", False),
        ("TCPIP0::192.0.2.10:5025::SOCKET", False),
        ("TCPIP0::192.0.2.10::5O25::SOCKET", False),
        ("TCPIP0::192.0.2.10::70000::SOCKET", False),
        ("COM3", False),
    ],
)
def test_addresses_are_spelled_as_visa_has_them(address, is_right):
    """VPP-4.3, 4.3.1 (syntax, from memory); ports as TCP numbers them (RFC 9293, 3.1)."""
    assert bool(address_fault(address)) is not is_right


def test_a_wrong_address_is_a_mistake_before_anything_is_connected(folder):
    text = (folder / "station.toml").read_text("utf-8")
    start, end = text.index("[simulation]"), text.index("[analyzer]")
    text = text[:start] + text[end:]
    text = text.replace("[analyzer]\n", '[analyzer]\nresource = "192.0.2.10:5025"\n', 1)
    (folder / "station.toml").write_text(text, "utf-8")
    done = tareline("check", folder=folder)
    assert done.returncode == 2
    assert "analyzer.resource" in done.stderr
    assert "TCPIP0::192.0.2.10::5025::SOCKET" in done.stderr
