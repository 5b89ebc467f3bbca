"""Several runs told together, from simulated bench to table, JSON, catalogue and next budget."""

import json
import tomllib
from dataclasses import replace

import numpy as np
import pytest
from typer.testing import CliRunner

from drivers.errors import InputError
from drivers.simulated.physics.truth import insertion_loss_db, scattering
from harness.commands.cli import app
from harness.commands.combine import together
from harness.evaluation.read_back import read_run
from harness.run_file import open_run, read_readings
from harness.running.finding_procedures import find_procedure
from harness.several_runs.adapter_losses import combine_adapters
from harness.several_runs.combined import combine_runs, reflection_rms
from harness.station.items import Item, read_workplace
from harness.station.loss_table import read_loss_table, write_loss_table
from harness.station.own_parts import read_catalogue_file
from tests.studies.campaigns.benches import all_frequencies, carry_out, draw_bench, write_workplace

CONNECTOR = (
    '{ kind = "connector", resistance_at_1_ghz = "0.25 ohm", length = "9 mm", '
    'impedance = "49.5 ohm" }'
)
LINE = """
[lines."thin flexible"]
inner_diameter = "0.51 mm"
outer_diameter = "1.62 mm"
permittivity = 2.04
loss_tangent = 3e-4
inner_conductivity = "61 MS/m"
outer_conductivity = "61 MS/m"
inner_factor = 1.25
outer_factor = 1.6
"""
LENGTHS_MM = (150, 500, 1200)
ADAPTERS = {
    name: f'{{ kind = "adapter", shape = "straight", length = "{length} mm", '
    f'resistance_at_1_ghz = "{ohm} ohm" }}'
    for name, length, ohm in (("T-01", 14, 0.15), ("T-02", 17, 0.25), ("T-03", 21, 0.35))
}
PAIRS = (("T-01", "T-02"), ("T-01", "T-03"), ("T-02", "T-03"))
MATING = '{ kind = "connector", resistance_at_1_ghz = "0.1 ohm", length = "0.001 mm", impedance = "50 ohm" }'  # noqa: E501


def described():
    things, items = LINE, ""
    for length in LENGTHS_MM:
        cable = f'{{ kind = "line", of = "thin flexible", length = "{length} mm" }}'
        things += f"[items.L{length}]\nparts = [{CONNECTOR}, {cable}, {CONNECTOR}]\n"
        items += f'[items.L{length}]\nmade_of = ["RG-316 {length} mm", "2 x SMA"]\n'
        items += 'length_limits = "1 mm"\n'
    for one, other in PAIRS:
        things += f"[items.{one}_{other}]\n"
        things += f"parts = [{ADAPTERS[one]}, {MATING}, {ADAPTERS[other]}]\n"
        items += f'[items.{one}_{other}]\nadapters = ["{one}", "{other}"]\n'
    return things, items


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    """Three lengths and three pairs, measured on one bench whose leads join directly."""
    folder = tmp_path_factory.mktemp("combine") / "bench"
    drawn = draw_bench(np.random.default_rng(11), has_through=False)
    description = write_workplace(folder, drawn, *described())
    paths = carry_out(folder, "cable-lengths", insertions=3, sweeps=1)
    return folder, description, paths


@pytest.fixture(scope="module")
def lengths(measured):
    return [measured[2][f"L{length}"] for length in LENGTHS_MM]


@pytest.fixture(scope="module")
def pairs(measured):
    return [measured[2]["_".join(pair)] for pair in PAIRS]


def tareline(*arguments, status=0):
    done = CliRunner().invoke(app, [str(argument) for argument in arguments], env={"COLUMNS": "80"})
    if status == 0:
        assert done.exception is None, done.output
    assert done.exit_code == status, done.output
    return done.stdout


def test_cable_model_as_a_table_of_80_columns_and_as_json(lengths):
    table = tareline("cable-model", *lengths, "--predict", "1 m")
    assert max(map(len, table.splitlines())) <= 80
    assert "RG-316" in table
    assert "imulated" in table
    assert "velocity factor 0." in table
    found = json.loads(tareline("cable-model", *lengths, "--predict", "1 m", "--json"))
    assert found["schema"] == "tareline-cable/1"
    assert found["simulated"] is True
    assert found["length_m"] == [0.15, 0.5, 1.2]
    for band in found["bands"]:
        alpha, c = np.array(band["attenuation_db_per_m"]), np.array(band["connectors_db"])
        assert np.array(band["predicted_db"]) == pytest.approx(alpha + c)
        assert band["dof"] == 1
        assert len(band["covariance"]) == len(band["frequency_hz"])
    # 1 / sqrt(2.04) (textbook)
    assert found["velocity_factor"] == pytest.approx(0.7001, abs=0.003)


@pytest.mark.long
def test_a_measured_cable_becomes_a_catalogue_entry_with_the_runs_as_source(lengths, tmp_path):
    path = tmp_path / "my-parts.toml"
    tareline("cable-model", *lengths, "--name", 'mast "B"', "--write", path)
    tareline("cable-model", *lengths, "--name", "second", "--write", path)
    entries = tomllib.loads(path.read_text("utf-8"))["cables"]
    assert set(entries) == {'mast "B"', "second"}
    assert read_run(lengths[0]).run_id in entries["second"]["source"]
    again = tareline_error("cable-model", *lengths, "--name", "SECOND", "--write", path)
    assert "already" in again
    found = json.loads(tareline("cable-model", *lengths, "--json"))
    read = read_catalogue_file(path)
    assert not read.mistakes
    cable = read.content.catalogue().cables["second"]
    band = found["bands"][1]
    grid = np.array(band["frequency_hz"])
    # the constants are smooth where the readings are not; both mean the same cable
    alpha = np.array(band["attenuation_db_per_m"])
    u = np.array(band["attenuation_expanded_uncertainty_db_per_m"])
    assert np.all(np.abs(cable.attenuation_db_per_m(grid, 20.0) - alpha) <= u)
    assert "SIMULATED" in cable.source


def tareline_error(*arguments) -> str:
    done = CliRunner().invoke(app, [str(argument) for argument in arguments])
    assert isinstance(done.exception, InputError), done.output
    return str(done.exception)


def test_adapter_losses_as_a_table_of_80_columns_and_as_json(pairs):
    table = tareline("adapter-losses", *pairs)
    assert max(map(len, table.splitlines())) <= 80
    assert "cannot be seen" in table
    found = json.loads(tareline("adapter-losses", *pairs, "--json"))
    assert found["pairs"] == [list(pair) for pair in PAIRS]
    for band in found["bands"]:
        assert set(band["adapters"]) == set(ADAPTERS)
        worse = [np.mean(band["adapters"][name]["loss_db"]) for name in ADAPTERS]
        assert worse == sorted(worse)


@pytest.mark.long
def test_an_adapter_found_in_pairs_flows_into_the_budget_of_later_runs(pairs, tmp_path):
    """The adapter closes the through of the next station, which reads its loss from the file:
    the truth lies inside U, and the budget names the file."""
    table = tmp_path / "T-02.csv"
    told = tareline("adapter-losses", *pairs, "--through", "T-02", "--write", table)
    assert 'loss = "' in told.replace("\n", "")
    folder = tmp_path / "next"
    drawn = draw_bench(np.random.default_rng(12), has_through=False)
    things, items = described()
    bench = drawn.bench.replace("parts = []", f"parts = [{ADAPTERS['T-02']}]")
    drawn = type(drawn)(bench, False, drawn.mating_ohm)
    items = "\n".join(items.splitlines()[:3])
    description = write_workplace(folder, drawn, things, items)
    station = folder / "station.toml"
    through = '[through]\nadapter = "T-02"\nloss = "../T-02.csv"\nreturn_loss = "32 dB"\n[bands'
    station.write_text(station.read_text("utf-8").replace("[bands", through, 1), "utf-8")
    paths = carry_out(folder, "qualify", insertions=3, sweeps=1)
    run = read_run(paths["L150"])
    rows = np.array(read_loss_table(table))
    assert rows[:, 0] == pytest.approx(all_frequencies())
    for band in run.bands.values():
        line = next(line for line in band.budget if line.name == "through adapter")
        assert "T-02.csv" in line.source
        stated = np.interp(band.frequency_hz, rows[:, 0], rows[:, 2])
        assert line.standard_uncertainty_db == pytest.approx(stated)
        true = insertion_loss_db(description, "L150", band.frequency_hz)
        assert np.all(np.abs(band.insertion_loss_db - true) <= band.expanded_uncertainty_db)


def test_a_table_that_is_wrong_or_too_short_is_told_with_file_and_key(measured, tmp_path):
    folder, *_ = measured
    text = (folder / "station.toml").read_text("utf-8")
    (tmp_path / "items.toml").write_text((folder / "items.toml").read_text("utf-8"), "utf-8")
    path = tmp_path / "station.toml"
    through = '[through]\nadapter = "T"\nloss = "T.csv"\nreturn_loss = "32 dB"\n[bands'
    path.write_text(text.replace("[bands", through, 1), "utf-8")

    def mistake():
        with pytest.raises(InputError) as error:
            read_workplace(path, tmp_path / "items.toml")
        assert "station.toml: through.loss" in str(error.value)
        return str(error.value)

    assert "cannot be read" in mistake()
    head = "frequency_hz,loss_db,standard_uncertainty_db\n"
    for rows, said in (
        ("1e9,0.1\n", "line 2"),
        ("1e9,0.1,0.01\n", "at least 2"),
        ("2e9,0.1,0.01\n1e9,0.1,0.01\n", "do not rise"),
        ("1e9,0.1,-0.01\n2e9,0.1,0.01\n", "not below"),
        ("1e9,0.1,0.01\n2e9,0.1,0.01\n", "not over all of the band low"),
    ):
        (tmp_path / "T.csv").write_text(head + rows, "utf-8")
        assert said in mistake()
    (tmp_path / "T.csv").write_text("f,loss,u\n1,2,3\n", "utf-8")
    assert "must begin with" in mistake()
    good = tmp_path / "U.csv"
    write_loss_table(good, np.array([1e8, 9e9]), np.array([0.1, 0.2]), np.array([0.01, 0.02]), "x")
    assert read_loss_table(good)[1] == (9e9, 0.2, 0.02)
    with pytest.raises(InputError, match="already there"):
        write_loss_table(good, np.array([1e8]), np.array([0.1]), np.array([0.01]), "x")


def test_delay_shows_the_electrical_length(lengths):
    found = json.loads(tareline("delay", *lengths, "--json"))
    for run, length in zip(found["runs"], LENGTHS_MM, strict=True):
        assert not run["refused"]
        u = run["velocity_factor_expanded_uncertainty"]
        assert abs(run["velocity_factor"] - 1 / np.sqrt(2.04)) <= u
        assert run["combined"]["electrical_length_m"] == pytest.approx(
            (length + 18) / 1e3 * np.sqrt(2.04), rel=0.05
        )
    table = tareline("delay", *lengths)
    assert max(map(len, table.splitlines())) <= 80
    assert "velocity factor" in table
    # the catalogue's velocity factor of RG-316 is that of PTFE, as is the bench's
    assert "which agrees with what is stated" in table.replace("\n", " ")
    assert all(abs(run["length_normalized_error"]) <= 1.0 for run in found["runs"])


def test_without_a_stated_length_the_turns_are_said_to_be_undecidable(pairs):
    table = tareline("delay", pairs[0])
    assert "no length is stated" in table.replace("\n", " ")


def test_runs_that_do_not_belong_together_are_refused(measured, lengths, pairs):
    with pytest.raises(InputError, match="given twice"):
        combine_runs([lengths[0], lengths[0]])
    with pytest.raises(InputError, match="measure T-02 with T-03 next"):
        combine_adapters(pairs[:2])
    assert "two different lengths" in tareline_error("cable-model", lengths[0])
    assert "no length of a cable" in tareline_error("cable-model", lengths[0], pairs[0])
    assert "does not say which adapters" in tareline_error("adapter-losses", *lengths)
    with pytest.raises(InputError, match="no run to combine"):
        combine_runs([])


def _require(procedure, items):
    told = together(find_procedure(procedure))
    if told is not None:
        told.require(items)


def test_a_procedure_of_ones_own_names_the_command_that_tells_its_runs_together(tmp_path):
    file = tmp_path / "by_length.py"
    text = (
        "from harness.bench.bench import Bench\n"
        'TOLD_BY = "cable-modle"\n'
        "def by_length(bench: Bench) -> None:\n"
        "    bench.normalize()\n"
    )
    file.write_text(text, "utf-8")
    with pytest.raises(InputError, match="did you mean 'cable-model'"):
        together(find_procedure(str(file)))
    # of the same size and in the same second, and not taken for what was read before
    file.write_text(text.replace("modle", "model"), "utf-8")
    by_length, built_in = find_procedure(str(file)), find_procedure("cable-lengths")
    assert together(by_length) == together(built_in) is not None
    assert together(find_procedure("qualify")) is None


def test_items_that_cannot_be_combined_are_told_before_anything_is_connected():
    def item(**keys):
        return Item.model_validate(keys)

    one, other = item(made_of=["RG-316 450 mm"]), item(made_of=["RG-316 900 mm", "2 x SMA"])
    with pytest.raises(InputError, match="same connectors"):
        _require("cable-lengths", {"A": one, "B": other})
    twice = item(made_of=["RG-316 450 mm", "RG-402 150 mm"])
    with pytest.raises(InputError, match="two kinds of cable"):
        _require("cable-lengths", {"A": twice})
    two = {"AB": item(adapters=["A", "B"]), "CD": item(adapters=["C", "D"])}
    with pytest.raises(InputError, match="measure A with C next, then A with D"):
        _require("adapter-pairs", two)
    with pytest.raises(ValueError, match="name each of the two"):
        item(adapters=["A", "A"])
    _require("qualify", {"A": one, "B": other})
    bare = [item(cable_length=text) for text in ("450 mm", "900 mm")]
    _require("cable-lengths", dict(zip("AB", bare, strict=True)))


@pytest.mark.long
def test_a_run_of_the_procedure_shows_what_its_runs_tell_together(measured):
    """The command itself, on items of one bench: readings, then the combined result."""
    folder, *_ = measured
    chosen = [f"--item=L{length}" for length in LENGTHS_MM[:2]]
    places = [f"--station={folder / 'station.toml'}", f"--items={folder / 'items.toml'}"]
    results = f"--results={folder / 'again'}"
    text = tareline("run", "cable-lengths", *chosen, *places, results, "--json",
                    "--insertions=3", "--sweeps=1")  # fmt: skip
    found = json.loads(text)
    assert found["schema"] == "tareline-result/1"
    assert len(found["runs"]) == 2
    assert found["combined"]["schema"] == "tareline-cable/1"
    assert "Two lengths only" in found["combined"]["notes"][0]


def test_what_an_item_reflects_is_measured_else_stated_else_unknown(measured):
    """Measured against the truth of the simulated line of known impedance, within a third."""
    _, description, paths = measured
    with open_run(paths["L500"]) as file:
        readings = read_readings(file)["high"]
    grid = readings.frequency_hz
    stated = Item.model_validate({"return_loss": "20 dB"})
    seen = reflection_rms(readings, grid, stated)
    s = scattering(description, "L500", grid)
    true = np.sqrt(np.mean((np.abs(s[:, 0, 0]) ** 2 + np.abs(s[:, 1, 1]) ** 2) / 2))
    assert seen == pytest.approx(true, rel=0.33)
    scalar = replace(
        readings, traces=("transmission",), normalization=readings.normalization[:, 1:2],
        insertions=readings.insertions[:, 1:2],
    )  # fmt: skip
    assert reflection_rms(scalar, grid, stated) == pytest.approx(0.1)
    assert reflection_rms(scalar, grid, Item()) is None
