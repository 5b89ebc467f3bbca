"""Touchstone files measured elsewhere become run files like any other."""

import hashlib
import json
import os

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from skrf import network

from drivers.errors import InputError
from drivers.recorded import read_recording
from drivers.simulated.described.bench_description import read_description
from drivers.simulated.physics.truth import insertion_loss_db, scattering
from harness.evaluation.read_back import read_run
from harness.run_file import open_run, read_readings
from harness.station.starter_files import write_starter
from tests.harness.command_line import tareline
from tests.harness.set_ups import replace, use_set_up

BANDS = ("telemetry-868", "backhaul-2400")
GRID = np.concatenate([np.linspace(860e6, 873e6, 27), np.linspace(2.38e9, 2.5e9, 25)])
UNITS = {"Hz": 1.0, "kHz": 1e3, "MHz": 1e6, "GHz": 1e9}
ORDER = ((0, 0), (1, 0), (0, 1), (1, 1))
"""Of version 1 two-port data: S11 S21 S12 S22 (Touchstone 1.1)."""


def pair(value, form):
    if form == "RI":
        return f"{value.real:.12g} {value.imag:.12g}"
    size = abs(value) if form == "MA" else 20 * np.log10(abs(value))
    return f"{size:.12g} {np.degrees(np.angle(value)):.12g}"


def touchstone(frequency_hz, s, *, version=1, unit="Hz", form="RI", parameter="S", resistance=50,
               options=None):  # fmt: skip
    """The text of a file; Touchstone 1.1 and 2.0, written from the specification from memory."""
    ports = s.shape[1]
    values = s
    if parameter != "S":
        # version 1 normalizes to the reference resistance, version 2 does not
        reference = np.full((len(s), ports), 1.0 if version == 1 else resistance)
        values = getattr(network, f"s2{parameter.lower()}")(s, reference)
    entries = ORDER if ports == 2 else ((0, 0),)
    rows = [
        f"{hz / UNITS[unit]:.12g} " + " ".join(pair(m[entry], form) for entry in entries)
        for hz, m in zip(frequency_hz, values, strict=True)
    ]
    line = options or f"# {unit} {parameter} {form} R {resistance}"
    if version == 1:
        return "\n".join(["! bench analyzer, front panel", line, *rows, ""])
    return "\n".join([
        "[Version] 2.0", line, f"[Number of Ports] {ports}",
        *(["[Two-Port Data Order] 21_12"] if ports == 2 else []),
        f"[Number of Frequencies] {len(rows)}",
        f"[Reference] {' '.join([str(resistance)] * ports)}",
        "[Network Data]", *rows, "[End]", "",
    ])  # fmt: skip


def some_network(seed, count=3, ports=2):
    rng = np.random.default_rng(seed)
    shape = (count, ports, ports)
    return 0.3 * (rng.normal(size=shape) + 1j * rng.normal(size=shape)) + 0.05


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    seed=st.integers(0, 10**6), version=st.sampled_from([1, 2]), unit=st.sampled_from([*UNITS]),
    form=st.sampled_from(["RI", "MA", "DB"]), parameter=st.sampled_from(["S", "Y", "Z", "G", "H"]),
    resistance=st.sampled_from([50, 75]), order=st.permutations([0, 1, 2, 3]), upper=st.booleans(),
)  # fmt: skip
def test_any_option_line_gives_the_same_network(
    tmp_path, seed, version, unit, form, parameter, resistance, order, upper
):
    """Fields may stand in any order and case; R keeps its number (Touchstone 2.0)."""
    s, hz = some_network(seed), np.array([1e9, 2e9, 3e9])
    fields = [unit, parameter, form, f"R {resistance}"]
    options = "# " + " ".join(fields[position] for position in order)
    path = tmp_path / "x.s2p"
    text = touchstone(
        hz, s, version=version, unit=unit, form=form, parameter=parameter, resistance=resistance,
        options=options.upper() if upper else options.lower(),
    )  # fmt: skip
    path.write_text(text, "utf-8")
    read = read_recording(path)
    np.testing.assert_allclose(read.frequency_hz, hz, rtol=1e-11)
    assert read.reference_ohm == resistance
    for trace, entry in zip(read.readings, ORDER, strict=True):
        np.testing.assert_allclose(trace, s[:, *entry], atol=1e-7)


def test_an_option_line_may_be_empty_or_missing(tmp_path):
    """GHz S MA R 50 (Touchstone 1.1)."""
    for line in ("#", "! nothing", "# ! remark"):
        path = tmp_path / "x.s2p"
        path.write_text(f"{line}\n1 .1 0 .5 90 .5 90 .1 0\n2 .1 0 .5 0 .5 0 .1 0\n", "utf-8")
        read = read_recording(path)
        assert read.frequency_hz.tolist() == [1e9, 2e9]
        np.testing.assert_allclose(read.readings[1], [0.5j, 0.5], atol=1e-12)


def test_noise_parameters_after_the_data_are_left_alone(tmp_path):
    path = tmp_path / "x.s2p"
    text = touchstone(np.array([1e9, 2e9]), some_network(1, 2))
    path.write_text(f"{text}1e9 1.2 0.3 45 0.2\n2e9 1.4 0.3 50 0.2\n", "utf-8")
    assert len(read_recording(path).frequency_hz) == 2


def test_ports_exchanged_and_files_of_one_port(tmp_path):
    s = some_network(3)
    path = tmp_path / "x.s2p"
    path.write_text(touchstone(np.array([1e9, 2e9, 3e9]), s), "utf-8")
    turned = read_recording(path, "S12")
    np.testing.assert_allclose(turned.readings[1], s[:, 0, 1], rtol=1e-9)
    np.testing.assert_allclose(turned.readings[0], s[:, 1, 1], rtol=1e-9)
    one = tmp_path / "x.s1p"
    one.write_text(touchstone(np.array([1e9, 2e9, 3e9]), s[:, :1, :1]), "utf-8")
    with pytest.raises(InputError, match="holds a reflection"):
        read_recording(one)
    read = read_recording(one, "S11")
    assert read.traces == ("S21",)
    np.testing.assert_allclose(read.readings[0], s[:, 0, 0], rtol=1e-9)


ROW = "1 .1 .2 .3 .4 .5 .6 .7 .8\n"


@pytest.mark.parametrize(
    ("name", "text", "says"),
    [
        ("x.s2p", "hello", "could not convert"),
        ("x.s2p", "", "one or two ports"),
        ("x.s2p", "# GHz S RI\n1 .1 .2\n", "3 numbers instead of 9"),
        ("x.s1p", f"# GHz S RI\n{ROW}", "9 numbers instead of 3"),
        ("x.s2p", "# furlong S RI\n" + ROW, "'FURLONG' in the option line"),
        ("x.s2p", "# GHz S RI R\n" + ROW, "needs one resistance"),
        ("x.s2p", "# GHz S RI R 50 75\n" + ROW, "the same at each port"),
        ("x.s2p", f"# GHz S RI\n{ROW}{ROW}", "do not rise at row 2"),
        ("x.s2p", "# GHz S RI\n" + ROW.replace(".8", "nan"), "no numbers"),
        ("x.s3p", "# GHz S RI\n" + ROW, "3 ports"),
        ("x.txt", "# GHz S RI\n" + ROW, "name it .s2p"),
        ("x.s2p", touchstone(np.array([1e9, 2e9]), some_network(1, 2), version=2).replace(
            "Frequencies] 2", "Frequencies] 3"), "a part is missing"),
    ],
)  # fmt: skip
def test_files_that_cannot_be_used_are_explained(tmp_path, name, text, says):
    (tmp_path / name).write_text(text, "utf-8")
    with pytest.raises(InputError, match=says) as raised:
        read_recording(tmp_path / name)
    assert raised.value.hint


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
        path.write_text(touchstone(GRID, matrices, form="DB" if "item" in name else "RI"), "utf-8")
        when = 1.7e9 + 120.0 * times.index(path.stem)
        os.utime(path, (when, when))
    return folder


FILES = (
    "--through", "through-1.s2p", "--through", "through-2.s2p",
    "--item", "item-1.s2p", "--item", "item-2.s2p", "--item", "item-3.s2p", "--name", "PIG-0451",
)  # fmt: skip


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
    from harness.running.import_run import Recordings, import_run
    from harness.station.items import read_workplace

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
