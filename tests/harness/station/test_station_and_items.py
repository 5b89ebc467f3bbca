"""Station and items files: what is right is read, what is wrong is named all at once."""

import pytest

from drivers.errors import InputError
from drivers.quantities import SI_CONTEXT
from harness.station.items import read_workplace
from harness.station.station import Station


def read(folder):
    return read_workplace(folder / "station.toml", folder / "items.toml")


def change(folder, name, *pairs):
    path = folder / name
    text = path.read_text("utf-8")
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new, 1)
    path.write_text(text, "utf-8")


def mistakes_of(folder):
    with pytest.raises(InputError) as raised:
        read(folder)
    assert raised.value.exit_status == 2
    return str(raised.value)


def test_the_starting_files_are_right(workplace_folder):
    workplace = read(workplace_folder)
    assert list(workplace.station.bands) == [
        "telemetry-433", "telemetry-868", "satellite", "backhaul-2400", "backhaul-5600",
    ]  # fmt: skip
    assert workplace.station.bands["satellite"].stop_hz == 1.6265e9
    assert workplace.station.leads.torque_n_m == 0.56
    assert workplace.items["PIG-0451"].length_limits_m == 0.005


@pytest.mark.parametrize(
    ("file", "pairs", "says"),
    [
        ("station.toml", [("if_bandwidth", "if_bandwith")],
         "analyzer.if_bandwith: unknown key; did you mean 'if_bandwidth'?"),
        ("station.toml", [('"863 MHz"', '"863"')], "bands.telemetry-868.start: '863' has no unit"),
        ("station.toml", [('"863 MHz"', "863")], "bands.telemetry-868.start: 863 has no unit"),
        ("station.toml", [('"870 MHz"', '"860 MHz"')],
         "bands.telemetry-868: stop is not above start"),
        ("station.toml", [('"-10 dBm"', '"3 dBm"')],
         "power (3 dBm) is above maximum_power (0 dBm)"),
        ("station.toml", [("points = 51", "points = 1")],
         "bands.telemetry-433.points: input should be greater than or equal to 2, got 1"),
        ("station.toml", [('source_match = "30 dB"', "")], "analyzer.source_match: is missing"),
        ("station.toml", [("[bands.satellite]", '[bands."sat/x"]')], "'sat/x' cannot name a band"),
        ("station.toml", [("[simulation]", "[simulation")], "is not valid TOML"),
        ("station.toml", [("# resource", "resource")], "exclude each other"),
        ("station.toml", [("bench = \"simulated-bench.toml\"", "")], "give either bench"),
        ("items.toml", [("telemetry-868 =", "telemetry-886 =")],
         "items.PIG-0451.limits.telemetry-886: "),
        ("items.toml", [('["RG-316', '["RG-361')],
         "items.PIG-0451.made_of: there is no part 'RG-361' in the catalogue; "
         "did you mean 'RG-316'?"),
        ("items.toml", [('["RG-316 450 mm', '["RG-316')], "say how long"),
        ("items.toml", [("[items.PIG-0451]", '[items."../x"]')], "'../x' cannot name an item"),
        ("items.toml", [("[items.PIG-0451]", '[items."Käfig"]')], "use A to Z, a to z, digits"),
        ("station.toml", [("[bands.satellite]", '[bands."Füllstand"]')], "use A to Z, a to z"),
        ("items.toml", [('"0.45 dB"', '0.45 dB')], 'telemetry-433 = "0.45 dB"'),
        ("items.toml", [('"0.45 dB"', '"0.45"')],
         "items.PIG-0451.limits.telemetry-433: '0.45' has no unit"),
    ],
)  # fmt: skip
def test_each_mistake_is_named_with_file_and_key(workplace_folder, file, pairs, says):
    change(workplace_folder, file, *pairs)
    message = mistakes_of(workplace_folder)
    assert says in message
    assert file in message


def test_all_mistakes_of_both_files_come_at_once(workplace_folder):
    change(workplace_folder, "station.toml", ("torque", "torqe"), ('"870 MHz"', '"860 MHz"'))
    change(workplace_folder, "items.toml", ('"5 mm"', '"5"'), ("description", "descripton"))
    message = mistakes_of(workplace_folder)
    for fragment in (
        "torqe",
        "torque: is missing",
        "stop is not above",
        "length_limits",
        "descripton",
    ):
        assert fragment in message
    assert "5 mistakes" in message


def test_missing_files_point_to_init(tmp_path):
    message = mistakes_of(tmp_path)
    assert "there is no such file" in message
    assert "tareline init" in message


def test_an_unknown_item_names_the_nearest(workplace_folder):
    with pytest.raises(InputError, match=r"PIG-0415.*did you mean 'PIG-045"):
        read(workplace_folder).choose(["PIG-0415"])


def test_a_station_reads_back_from_its_own_numbers(workplace_folder):
    """What the run file keeps of a station is enough to judge by."""
    station = read(workplace_folder).station
    again = Station.model_validate(
        station.as_dict(), context=SI_CONTEXT, by_alias=False, by_name=True
    )
    assert again == station
