"""The same item by every set-up: the figures agree, and each station file says what it must."""

import itertools
import os
from dataclasses import replace as replace_fields

import numpy as np
import pytest

from drivers.errors import InputError
from drivers.instruments.hand import Hand
from drivers.link.link import Link
from drivers.quantities import SI_CONTEXT
from drivers.simulated.described.bench_description import read_description
from drivers.simulated.physics.truth import insertion_loss_db, scattering
from harness.evaluation.read_back import read_run
from harness.run_file import open_run, read_readings
from harness.running.finding_procedures import find_procedure
from harness.running.import_run import Recordings, import_run
from harness.running.measure import Assignment, measure
from harness.running.station_check import check_files
from harness.station.items import read_workplace
from harness.station.starter_files import write_starter
from harness.station.station import Station
from tests.harness.command_line import tareline
from tests.harness.recorded_run import noise
from tests.harness.set_ups import (
    SET_UPS,
    SWITCH,
    SWITCH_ON_THE_BENCH,
    TRACKING,
    replace,
    suggested,
    use_set_up,
)
from tests.harness.short_run import show_table
from tests.long_cases import long

ITEM = "PIG-0451"
BANDS = ("telemetry-868", "backhaul-5600")
POINTS = 5
NEAR = 0.3
"""Farthest from the truth, counted in U: most of U here is reflections, which are smaller than the
station states, so that errors are small beside it and one as large as U stands out."""
SILENT_SWITCH = """
[[faults]]
instrument = "switch"
kind = "silence"
on = "ROUTe:CLOSe?"
nth = 3
"""


def qualify(folder):
    workplace = read_workplace(folder / "station.toml", folder / "items.toml")
    work = Assignment(find_procedure("qualify"), {"insertions": 3, "sweeps": 2}, folder / "results")
    (path,) = measure(workplace, workplace.choose([ITEM]), work)
    return path


def recorded_elsewhere(folder):
    """Files as a corrected analyzer would save them: the truth of adapter and item."""
    import skrf

    workplace = read_workplace(folder / "station.toml", folder / "items.toml")
    description = read_description(folder / "simulated-bench.toml")
    bands = workplace.station.bands.values()
    grid_hz = np.concatenate([np.linspace(b.start_hz, b.stop_hz, POINTS) for b in bands])
    # the through is the adapter with its stated loss
    through = workplace.station.through
    transmission = 10 ** (-through.at_frequency(through.loss_at_1_ghz_db, grid_hz) / 20)
    s = np.zeros((len(grid_hz), 2, 2), complex)
    s[:, 0, 1] = s[:, 1, 0] = transmission
    files = {"through": [], "item": []}
    for number, (kind, matrices) in enumerate(
        [("through", s), *[("item", scattering(description, ITEM, grid_hz))] * 3, ("through", s)]
    ):
        seen = matrices + noise(matrices.shape, number)
        made = skrf.Network(f=grid_hz, f_unit="Hz", s=seen, z0=50)
        made.write_touchstone(filename=f"{kind}-{number}", dir=str(folder), form="ma")
        files[kind].append(folder / f"{kind}-{number}.s2p")
        os.utime(files[kind][-1], (1.7e9 + 60 * number,) * 2)
    recordings = Recordings(tuple(files["through"]), tuple(files["item"]), is_simulated=True)
    return import_run(workplace, ITEM, recordings, folder / "results")


@pytest.fixture(scope="module")
def runs(tmp_path_factory):
    """The item by every set-up."""
    made = {}
    for name in (*SET_UPS, "recorded"):
        folder = tmp_path_factory.mktemp(name.replace(" ", "-"))
        write_starter(folder)
        use_set_up(folder, name, points=POINTS, bands=BANDS)
        path = recorded_elsewhere(folder) if name == "recorded" else qualify(folder)
        made[name] = (folder, path, read_run(path))
    return made


def disagreements(runs):
    """Where the set-ups contradict the truth, or each other: |E_n| > 1 for a pair
    (ISO/IEC 17043:2010, B.3.1.3, from memory)."""
    found = []
    for name, (folder, _, run) in runs.items():
        description = read_description(folder / "simulated-bench.toml")
        for band, result in run.bands.items():
            truth_db = insertion_loss_db(description, ITEM, result.frequency_hz)
            off = np.abs(result.insertion_loss_db - truth_db) / result.expanded_uncertainty_db
            if off.max() > NEAR:
                found.append(f"{name}, {band}: {off.max():.2f} U from the truth")
    for one, other in itertools.combinations(runs, 2):
        for band in BANDS:
            first, second = runs[one][2].bands[band], runs[other][2].bands[band]
            together = np.hypot(first.expanded_uncertainty_db, second.expanded_uncertainty_db)
            e_n = np.abs(first.insertion_loss_db - second.insertion_loss_db) / together
            if e_n.max() > 1:
                found.append(f"{one} against {other}, {band}: E_n {e_n.max():.2f}")
    return found


def test_all_set_ups_agree_within_their_uncertainties(runs):
    rows = []
    for name, (folder, _, run) in runs.items():
        description = read_description(folder / "simulated-bench.toml")
        for band, result in run.bands.items():
            truth_db = insertion_loss_db(description, ITEM, result.frequency_hz)
            off = result.insertion_loss_db - truth_db
            at = np.argmax(np.abs(off))
            values = (result.insertion_loss_db[at], result.expanded_uncertainty_db[at], off[at])
            rows.append([name, band, *(f"{value:.4f}" for value in values)])
    show_table(["set-up", "band", "loss, dB", "U, dB", "error, dB"], rows)
    assert disagreements(runs) == []


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("name", [*SET_UPS, "recorded"])
def test_a_set_up_that_is_off_by_its_uncertainty_is_noticed(runs, name, sign):
    folder, path, run = runs[name]
    shifted = {
        band: replace_fields(
            result,
            insertion_loss_db=result.insertion_loss_db + sign * result.expanded_uncertainty_db,
        )
        for band, result in run.bands.items()
    }
    found = disagreements({**runs, name: (folder, path, replace_fields(run, bands=shifted))})
    assert any(text.startswith(name) for text in found)


def test_uncertainty_tells_good_set_ups_from_coarse_ones(runs):
    """Statements that are true because they are wide say nothing."""
    widest = {
        name: max(band.expanded_uncertainty_db.max() for band in run.bands.values())
        for name, (_, _, run) in runs.items()
    }
    assert widest["vector"] < 0.12
    assert widest["S21 alone"] < 0.12
    assert widest["stepped"] < 0.15
    assert widest["stepped"] < widest["tracking"] < 0.4


def test_all_end_in_the_same_run_file(runs):
    traces = {"vector": ("S11", "S21", "S12", "S22"), "recorded": ("S11", "S21", "S12", "S22"),
              "S21 alone": ("S21",)}  # fmt: skip
    for name, (_, path, run) in runs.items():
        with open_run(path) as file:
            readings = read_readings(file)
        for band in BANDS:
            assert readings[band].traces == traces.get(name, ("transmission",))
            assert readings[band].insertions.shape[1:] == (len(readings[band].traces), POINTS)
            if readings[band].is_scalar:
                assert np.all(readings[band].insertions.imag == 0)
                assert np.all(readings[band].insertions.real > 0)
        assert run.simulated
        lines = {line.name for band in run.bands.values() for line in band.budget}
        assert ("linearity of the receiver" in lines) == (name != "recorded")
    roles = [entry["role"] for entry in runs["stepped"][2].instruments]
    assert roles == ["signal generator", "power meter", "simulated hand"]
    notes = {
        note for _, _, run in runs.values() for band in run.bands.values() for note in band.notes
    }
    assert not any("return_loss" in note for note in notes)


@pytest.mark.parametrize("name", ["stepped", *long("recorded")])
def test_reports_show_every_set_up(runs, name):
    folder, path, _ = runs[name]
    shown = tareline("report", path, folder=folder)
    assert "backhaul-5600" in shown.stdout
    if name != "recorded":
        assert "inside" in tareline("truth", path, folder=folder).stdout.lower()


def test_scalar_readings_without_statements_are_honest(tmp_path):
    """No linearity: a note. No return loss of the item: its reflection is taken as the most that
    its loss allows."""
    write_starter(tmp_path)
    use_set_up(tmp_path, "tracking", points=POINTS, bands=BANDS[:1])
    replace(tmp_path / "station.toml", ('linearity = "0.2 dB"\n', ""))
    items = tmp_path / "items.toml"
    items.write_text(items.read_text("utf-8").replace('return_loss = "18 dB"\n', ""), "utf-8")
    (band,) = read_run(qualify(tmp_path)).bands.values()
    assert any("no linearity of the receiver" in note for note in band.notes)
    (mismatch,) = [line for line in band.budget if line.name == "mismatch"]
    assert "passive item of its loss" in mismatch.source
    assert any("return_loss is not stated" in note for note in band.notes)
    assert band.expanded_uncertainty_db.min() > 0.15


@pytest.mark.parametrize("set_up", ["vector", *long("tracking")])
def test_a_switch_exchanges_through_and_item(tmp_path, set_up):
    """Its paths, and connections that it does not make again, are in the uncertainty."""
    write_starter(tmp_path)
    use_set_up(tmp_path, set_up, points=POINTS, bands=BANDS[:1])
    bench, station = tmp_path / "simulated-bench.toml", tmp_path / "station.toml"
    replace(bench, ("\n[leads]", f"{SWITCH_ON_THE_BENCH}\n[leads]"))
    replace(station, ("\n[leads]", f'{SWITCH}\n[traffic_log]\nfile = "traffic.log"\n\n[leads]'))
    # one that answers late is started afresh, which loses nothing
    bench.write_text(bench.read_text("utf-8") + SILENT_SWITCH, "utf-8")
    replace(station, ("[switch]\n", '[switch]\ntimeout = "500 ms"\n'))
    run = read_run(qualify(tmp_path))
    assert ["recovery" in event.kind for event in run.events].count(True) == 1
    (band,) = run.bands.values()
    truth_db = insertion_loss_db(read_description(bench), ITEM, band.frequency_hz)
    off = np.abs(band.insertion_loss_db - truth_db)
    assert np.all(off <= band.expanded_uncertainty_db)
    lines = {line.name: line for line in band.budget}
    assert lines["connections made once"].standard_uncertainty_db[0] == pytest.approx(0.02 * 2**0.5)
    assert lines["paths of the switch"].standard_uncertainty_db[0] == pytest.approx(0.05 / 3**0.5)
    assert any("connections were made once" in note for note in band.notes)
    assert "signal switch" in [entry["role"] for entry in run.instruments]
    said = (tmp_path / "traffic.log").read_text("utf-8")
    assert "ROUTe:CLOSe (@101)" in said
    # RF is off whenever the switch moves
    is_on = False
    for line in said.splitlines():
        if "->  OUTPut:STATe O" in line:
            is_on = line.endswith("ON")
        assert not (is_on and "->  ROUTe:" in line)


def test_a_person_connects_through_and_item_to_a_switch_once(tmp_path, start_bench):
    write_starter(tmp_path / "own")
    folder = tmp_path / "own"
    use_set_up(folder, "vector", points=POINTS, bands=BANDS[:1])
    process = start_bench({"\n[leads]": f"{SWITCH_ON_THE_BENCH}\n[leads]"})
    station = folder / "station.toml"
    text = station.read_text("utf-8")
    start, end = text.index("[simulation]"), text.index("[analyzer]")
    station.write_text(text[:start] + text[end:], "utf-8")
    address = process.addresses
    replace(
        station,
        ("[analyzer]", f'[analyzer]\nresource = "{address["analyzer"]}"'),
        ("[leads]", SWITCH.replace("]", f']\nresource = "{address["switch"]}"', 1) + "\n[leads]"),
    )
    hand = Hand(Link(address["hand"]))
    hand.open()
    hand.connect_item(ITEM)
    hand.close()
    done = tareline(
        "run", "qualify", "--item", ITEM, "--insertions", "3", folder=folder, typed="\n"
    )
    assert done.stderr.count("Enter when it is done") == 1
    told = " ".join(done.stderr.split())
    assert "to channel 101 of the switch and PIG-0451 to channel 102" in told


def read(folder):
    workplace = read_workplace(folder / "station.toml", folder / "items.toml")
    check_files(workplace, [ITEM])
    return workplace


BOTH = f'{TRACKING}\n[leads]\nconnector = "SMA"'


@pytest.mark.parametrize(
    ("set_up", "old", "new", "says"),
    [
        ("stepped", "[power_meter]", "[powr_meter]", "did you mean 'power_meter'"),
        ("stepped", "[generator]", "[analyzer]", "analyzer.if_bandwidth: is missing"),
        ("vector", '[leads]\nconnector = "SMA"', BOTH, "exclude each other"),
        ("stepped", 'power = "0 dBm"', 'power = "6 dBm"', "least maximum_power of source, sensor"),
        ("stepped", 'power = "0 dBm"', 'power = "11 dBm"', "above maximum_power (10 dBm)"),
        ("tracking", 'maximum_power = "0 dBm"\n', "", "maximum_power: is missing"),
        ("tracking", "averages = 4", "averages = 0", "spectrum_analyzer.averages"),
        ("tracking", "resolution_bandwidth", "bandwidth", "did you mean 'resolution_bandwidth'"),
        ("S21 alone", 'traces = ["S21"]', 'traces = ["S11"]', 'must hold "S21"'),
        ("vector", "[leads]", f"{SWITCH.replace('102', '101')}\n[leads]", "the same channel"),
        ("vector", "[leads]", f"{SWITCH.replace('path_', 'paths_')}\n[leads]", "'path_difference'"),
        ("vector", "[leads]", f"{SWITCH}\n[leads]", "switch: is not described"),
        ("tracking", "averages = 4", 'dialect = "scpi-99-power-meter"', "is for a power meter"),
        ("recorded", "[leads]", '[traffic_log]\nfile = "x"\n\n[leads]', "take the table out"),
        ("recorded", "[leads]", '[thermometer]\nresource = "x"\n[leads]', "take the table out"),
    ],
)  # fmt: skip
def test_mistakes_in_a_set_up_are_named(tmp_path, set_up, old, new, says):
    write_starter(tmp_path)
    use_set_up(tmp_path, set_up)
    replace(tmp_path / "station.toml", (old, new))
    with pytest.raises(InputError) as raised:
        read(tmp_path)
    assert says in str(raised.value)


def test_all_mistakes_of_a_set_up_come_at_once(tmp_path):
    write_starter(tmp_path)
    use_set_up(tmp_path, "stepped")
    replace(
        tmp_path / "station.toml",
        ('power = "0 dBm"', "power = 0"),
        ('linearity = "0.02 dB"', 'linearty = "0.02 dB"'),
        ("averages = 2", 'averages = "two"'),
    )
    with pytest.raises(InputError, match="3 mistakes") as raised:
        read(tmp_path)
    assert "did you mean 'linearity'" in str(raised.value)


def test_half_a_set_up_is_named(tmp_path):
    write_starter(tmp_path)
    use_set_up(tmp_path, "stepped")
    station = tmp_path / "station.toml"
    text = station.read_text("utf-8")
    start, end = text.index("[power_meter]"), text.index("[leads]")
    station.write_text(text[:start] + text[end:], "utf-8")
    with pytest.raises(InputError, match="needs a \\[power_meter\\]"):
        read(tmp_path)


@pytest.mark.parametrize(
    "tables",
    [
        ("generator", "power_meter"), ("spectrum_analyzer", "switch"),
        ("generator", "power_meter", "switch", "traffic_log"), ("recorded",),
    ],
)  # fmt: skip
def test_what_the_starting_station_suggests_can_be_used_as_it_stands(tmp_path, tables):
    """Every table that stands there as a comment, addresses and all, on a real bench."""
    write_starter(tmp_path)
    path = tmp_path / "station.toml"
    text = path.read_text("utf-8")
    start, end = text.index("[simulation]"), text.index("\n[leads]")
    own = "".join(suggested("station.toml", table) for table in tables)
    path.write_text(text[:start] + own + text[end:], "utf-8")
    workplace = read_workplace(path, tmp_path / "items.toml")
    check_files(workplace, [ITEM], must_measure=False)
    assert ("switch" in tables) == (workplace.station.switch is not None)


@pytest.mark.parametrize("set_up", [*SET_UPS, "recorded"])
def test_every_station_reads_back_from_its_own_numbers(tmp_path, set_up):
    write_starter(tmp_path)
    use_set_up(tmp_path, set_up)
    station = read_workplace(tmp_path / "station.toml", tmp_path / "items.toml").station
    again = Station.model_validate(
        station.as_dict(), context=SI_CONTEXT, by_alias=False, by_name=True
    )
    assert again == station
    if set_up == "stepped":
        assert station.maximum_power_dbm == 5.0
        assert station.floor_db == -60.0
