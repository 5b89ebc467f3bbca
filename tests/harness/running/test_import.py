"""Touchstone files measured elsewhere become run files like any other."""

import hashlib
import json
import os
import re

import numpy as np
import pytest

from drivers.errors import InputError
from drivers.recorded import read_recording
from drivers.simulated.described.bench_description import read_description
from drivers.simulated.physics.truth import insertion_loss_db, scattering
from harness.evaluation.read_back import read_run
from harness.run_file import open_run, read_readings
from harness.run_file.run import DOUBT
from harness.running.import_run import Recordings, import_run
from harness.station.items import read_workplace
from harness.station.starter_files import write_starter
from tests.drivers.touchstone_made import ORDER, some_network, touchstone
from tests.harness.command_line import tareline
from tests.harness.recorded_run import noise
from tests.harness.set_ups import replace, use_set_up
from tests.long_cases import long

BANDS = ("telemetry-868", "backhaul-2400")
GRID = np.concatenate([np.linspace(860e6, 873e6, 27), np.linspace(2.38e9, 2.5e9, 25)])


@pytest.fixture(scope="module")
def elsewhere(tmp_path_factory):
    """A folder with a station for recorded files and files as an analyzer would save them.

    The through is direct and lossless; repeated insertions differ by some thousandths of a dB.
    """
    folder = tmp_path_factory.mktemp("elsewhere")
    write_starter(folder)
    use_set_up(folder, "recorded", bands=BANDS)
    station = folder / "station.toml"
    text = station.read_text("utf-8")
    start, end = text.index("[through]"), text.index("[bands.")
    station.write_text(text[:start] + text[end:], "utf-8")
    description = read_description(folder / "simulated-bench.toml")
    s = scattering(description, "PIG-0451", GRID)
    direct = np.tile(np.array([[0.0, 1.0], [1.0, 0.0]], complex), (len(GRID), 1, 1))
    made: dict[str, np.ndarray] = {
        "through-1.s2p": direct + 1e-4,
        "through-2.s2p": 1.0003 * direct + 1e-4,
    }
    for number, change in enumerate((1.0, 1.0005, 0.9996), start=1):
        made[f"item-{number}.s2p"] = s * change
    times = ("through-1", "item-1", "item-2", "item-3", "through-2")
    for name, matrices in made.items():
        path = folder / name
        seen = matrices + noise(matrices.shape, len(name) + ord(path.stem[-1]))
        path.write_text(touchstone(GRID, seen, form="DB" if "item" in name else "RI"), "utf-8")
        when = 1.7e9 + 120.0 * times.index(path.stem)
        os.utime(path, (when, when))
    return folder


FILES = (
    "--through", "through-1.s2p", "--through", "through-2.s2p",
    "--item", "item-1.s2p", "--item", "item-2.s2p", "--item", "item-3.s2p", "--name", "PIG-0451",
)  # fmt: skip


def test_through_and_item_exchanged_are_impossible_and_have_no_verdict(elsewhere):
    exchanged = ("--through", "item-1.s2p", "--item", "through-1.s2p", "--item", "through-2.s2p")
    done = tareline("import", *exchanged, "--name", "PIG-0451", "--spacing", "2 min", "--results",
                    "exchanged", "--json", folder=elsewhere)  # fmt: skip
    assert done.returncode == 1, done.stderr
    for band in json.loads(done.stdout)["runs"][0]["bands"]:
        assert band["verdict"] is None
        assert any("through and item were exchanged" in doubt for doubt in band["doubts"])
        assert not any("stated as" in note for note in band["notes"])
    shown = tareline("report", *map(str, (elsewhere / "exchanged").glob("*.h5")), folder=elsewhere)
    assert shown.returncode == 1
    assert "no verdict" in shown.stdout
    assert "exchanged" in " ".join(shown.stdout.split())


@pytest.mark.parametrize(
    ("through", "items", "says"),
    [
        ("item-1", ("through-1",), r"Are the files of through and item exchanged"),
        ("through-1", ("through-2",), r"through-2\.s2p: This reads like the joined leads"),
        ("through-1", ("other",), r"other\.s2p: This reads like another item"),
        ("through-1", ("item-1", "item-2", "item-3"), None),
    ],
    ids=["exchanged", "the through again", "of another length", "honest"],
)
def test_files_that_cannot_be_what_they_are_said_to_be_give_no_verdict(
    elsewhere, tmp_path, through, items, says
):
    s = scattering(read_description(elsewhere / "simulated-bench.toml"), "FDR-0012", GRID)
    text = touchstone(GRID, s + noise(s.shape, 5), form="RI")
    (elsewhere / "other.s2p").write_text(text, "utf-8")
    workplace = read_workplace(elsewhere / "station.toml", elsewhere / "items.toml")
    recordings = Recordings(
        (elsewhere / f"{through}.s2p",),
        tuple(elsewhere / f"{name}.s2p" for name in items),
        spacing="2 min",
    )
    run = read_run(import_run(workplace, "PIG-0451", recordings, tmp_path))
    doubts = [event.text for event in run.events if event.kind == DOUBT]
    if says is None:
        assert doubts == []
    else:
        assert re.search(says, " ".join(doubts))
        assert all(band.decision is None for band in run.bands.values())


def test_recorded_files_become_an_ordinary_run(elsewhere):
    done = tareline("import", *FILES, "--results", "ordinary", "--json", folder=elsewhere)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["runs"][0]["item"]["id"] == "PIG-0451"
    (path,) = (elsewhere / "ordinary").glob("*.h5")
    run = read_run(path)
    assert run.procedure == "import"
    assert not run.simulated
    assert run.started.startswith("2023-11-14T22:13:20")
    digest = hashlib.sha256((elsewhere / "item-2.s2p").read_bytes()).hexdigest()
    assert run.parameters["item"][1] == f"item-2.s2p (SHA-256 {digest})"
    assert len(run.parameters["through"]) == 2
    description = read_description(elsewhere / "simulated-bench.toml")
    assert set(run.bands) == set(BANDS)
    for name, band in run.bands.items():
        inside = {"telemetry-868": (863e6, 870e6), "backhaul-2400": (2.4e9, 2.4835e9)}[name]
        own = GRID[(inside[0] <= GRID) & (inside[1] >= GRID)]
        np.testing.assert_allclose(band.frequency_hz, own, rtol=1e-9)
        truth_db = insertion_loss_db(description, "PIG-0451", band.frequency_hz)
        assert np.all(np.abs(band.insertion_loss_db - truth_db) <= band.expanded_uncertainty_db)
        assert np.all(np.abs(band.insertion_loss_db - truth_db) < 0.01)
        assert len(band.insertion_means_db) == 3
        assert len(band.zero_change_db) == 2
    with open_run(path) as file:
        assert read_readings(file)[BANDS[0]].traces == ("S11", "S21", "S12", "S22")
    shown = tareline("report", path, folder=elsewhere)
    assert shown.returncode == 0, shown.stderr
    page = path.with_suffix(".html")
    assert digest in (page.read_text("utf-8") if page.exists() else shown.stdout)


def test_one_through_and_stated_spacing(elsewhere):
    done = tareline(
        "import", "--through", "through-1.s2p", "--item", "item-1.s2p", "--name", "PIG-0451",
        "--spacing", "3 min", "--simulated", "--results", "spaced", folder=elsewhere,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    (path,) = (elsewhere / "spaced").glob("*.h5")
    run = read_run(path)
    assert run.simulated
    (time,) = run.bands[BANDS[0]].insertion_time
    assert time == 1.7e9 + 180.0
    assert run.parameters["times"] == "every 3 min"


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--through", "none.s2p", *FILES[4:]], "cannot be read"),
        (["--through", "item-1.s2p", *FILES[4:]], "is not younger than"),
        ([*FILES, "--through", "item-1.s2p"], "3 files of the through"),
        ([*FILES, "--spacing", "3"], "has no unit"),
        ([*FILES, "--spacing", "-3 s"], "no time to pass"),
        ([*FILES, "--transmission", "S11"], "is no transmission"),
        ([*FILES[:-1], "PIG-0499"], "there is no such item"),
        (FILES[4:], "--through"),
    ],
)
def test_what_cannot_be_imported_is_status_2_and_leaves_nothing(elsewhere, arguments, says):
    done = tareline("import", *arguments, "--results", "wrong", folder=elsewhere)
    assert done.returncode == 2, done.stdout
    assert says in done.stderr
    assert "Traceback" not in done.stderr
    assert not (elsewhere / "wrong").exists()


@pytest.mark.parametrize(
    ("name", "grid_hz", "level", "says"),
    [
        ("through", GRID[:27], 1.0, "0 of the file's points lie in band backhaul-2400"),
        ("item", np.sort(GRID + 1e5), 1.0, "has other points in band telemetry-868"),
        ("through", GRID, 1e-4, "as if the leads were not joined"),
        ("item", GRID, 1e-6, "there is no signal in it"),
    ],
)
def test_files_that_do_not_fit_are_told(elsewhere, tmp_path, name, grid_hz, level, says):
    workplace = read_workplace(elsewhere / "station.toml", elsewhere / "items.toml")
    files = {}
    for kind in ("through", "item"):
        hz, size = (grid_hz, level) if kind == name else (GRID, 1.0)
        files[kind] = tmp_path / f"{kind}.s2p"
        files[kind].write_text(touchstone(hz, size * some_network(5, len(hz))), "utf-8")
    recordings = Recordings((files["through"],), (files["item"],), spacing="1 min")
    with pytest.raises(InputError) as raised:
        import_run(workplace, "PIG-0451", recordings, tmp_path / "results")
    assert says in str(raised.value)
    assert not (tmp_path / "results").exists()


def test_a_station_for_files_has_nothing_to_run(elsewhere):
    done = tareline("run", "qualify", folder=elsewhere)
    assert done.returncode == 2
    assert "tareline import" in done.stderr


def test_a_measuring_station_can_take_files_in_too(elsewhere, tmp_path):
    write_starter(tmp_path)
    use_set_up(tmp_path, "vector", bands=BANDS)
    replace(tmp_path / "station.toml", ('"1 dB"', '"0.5 dB"'))
    files = [elsewhere / word if word.endswith(".s2p") else word for word in FILES]
    done = tareline("import", *files, folder=tmp_path)
    assert done.returncode == 0, done.stderr


def imported(folder, files, results):
    """Import changed copies of the files in `folder`; the run, or the refusal."""
    workplace = read_workplace(folder / "station.toml", folder / "items.toml")
    through, item = (
        tuple(path for path in files if path.name.startswith(kind)) for kind in ("through", "item")
    )
    return import_run(workplace, "PIG-0451", Recordings(through, item, spacing="2 min"), results)


@pytest.fixture
def changed(elsewhere, tmp_path):
    """Copies of the files, whose matrices (P, 2, 2) a function has changed by their names."""

    def change(function):
        paths = []
        for name in ("through-1", "item-1", "item-2", "item-3", "through-2"):
            read = read_recording(elsewhere / f"{name}.s2p")
            s = np.empty((len(GRID), 2, 2), complex)
            for entry, row in zip(ORDER, read.readings, strict=True):
                s[:, *entry] = row
            paths.append(tmp_path / f"{name}.s2p")
            paths[-1].write_text(touchstone(GRID, function(name, s)), "utf-8")
        return paths

    return change


def one_way(_, s):
    s[:, :, 1] = 0.0
    return s


def copied(_, s):
    s[:, 0, 1], s[:, 1, 1] = s[:, 1, 0], s[:, 0, 0]
    return s


def one_way_through(name, s):
    return one_way(name, s) if name == "through-1" else s


@pytest.mark.parametrize("change", [one_way, *long(copied, one_way_through)])
def test_what_was_measured_in_one_direction_is_no_reflection_of_the_other(
    elsewhere, changed, tmp_path, change
):
    """Zeros, or copies, in the place of S12 and S22 are left out, and that is told."""
    path = imported(elsewhere, changed(change), tmp_path / "results")
    with open_run(path) as file:
        assert read_readings(file)[BANDS[0]].traces == ("S11", "S21")
    told = [event.text for event in read_run(path).events if "taken as not measured" in event.text]
    assert [text[:3] for text in told] == ["S12", "S22"]


def no_transmission(_, s):
    s[:, 1, 0] = 0.0
    return s


def test_a_file_without_a_transmission_is_refused(elsewhere, changed, tmp_path):
    with pytest.raises(InputError, match="S21 is zero") as raised:
        imported(elsewhere, changed(no_transmission), tmp_path / "results")
    assert "--transmission S12" in raised.value.hint


@pytest.mark.parametrize("old", [slice(None), slice(20, None)])
def test_a_file_that_holds_readings_of_another_is_refused(elsewhere, changed, tmp_path, old):
    """A copy under another name, or a trace that was saved before its sweep was over."""
    first = {}

    def change(name, s):
        first[name] = s.copy()
        if name == "item-2":
            s[old] = first["item-1"][old]
        return s

    with pytest.raises(InputError, match=r"very same numbers|in a row") as raised:
        imported(elsewhere, changed(change), tmp_path / "results")
    assert "item-2" in raised.value.where


def test_a_transmission_that_is_the_reflection_is_refused(elsewhere, changed, tmp_path):
    def change(name, s):
        if name == "item-3":
            s[:, 1, 0] = s[:, 0, 0]
        return s

    with pytest.raises(InputError, match="S11 and S21 came as the very same numbers"):
        imported(elsewhere, changed(change), tmp_path / "results")
