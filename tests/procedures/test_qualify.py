"""The main job, end to end: `tareline run qualify` on the simulated bench, over TCP."""

import json
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import skrf
from skrf.media import Coaxial

from drivers.simulated.described.bench_description import read_description
from drivers.simulated.physics.truth import insertion_loss_db, port_match, through_loss_db
from harness.evaluation.read_back import read_run
from harness.evaluation.run_analysis import assess
from harness.run_file import open_run, read_readings
from harness.run_file.run import Run
from harness.running.truth_check import compare_with_truth
from harness.station.items import read_workplace
from harness.station.starter_files import write_starter
from tests.harness import command_line
from tests.harness.set_ups import use_set_up

BANDS, POINTS = ("telemetry-433", "satellite", "backhaul-5600"), 21
AS_IN_THE_DEMO = "PIG-0451"
OTHERS = [
    word for item in ("PIG-0452", "JMP-0107", "FDR-0012", "ELB-0033") for word in ("--item", item)
]
READ_ALONE = """
import h5py, json, sys
with h5py.File(sys.argv[1], "r") as f:
    found = {"attributes": {k: str(v) for k, v in f.attrs.items()}, "datasets": {}}
    f.visititems(lambda name, x: found["datasets"].update(
        {name: [list(x.shape), str(x.attrs.get("unit", "")), str(x.attrs.get("traces", ""))]})
        if isinstance(x, h5py.Dataset) else None)
    found["verdicts"] = {b: str(f["analysis"][b].attrs["verdict"]) for b in f["analysis"]}
assert not [m for m in sys.modules if m.split(".")[0] in ("harness", "drivers", "procedures")]
print(json.dumps(found))
"""


def tareline(*arguments, folder, status=0):
    """Run the command as a person does; returns what it printed."""
    done = command_line.tareline(*arguments, folder=folder)
    assert done.returncode == status, done.stderr
    return done


@pytest.fixture(scope="module")
def demo(tmp_path_factory) -> Path:
    """The demo's five items in three of its five bands: one as `make demo` does, but with fewer
    points; the others with one sweep where that has four."""
    folder = tmp_path_factory.mktemp("demo")
    write_starter(folder)
    station = folder / "station.toml"
    head, *blocks = re.split(r"(?=\[bands\.)", station.read_text("utf-8"))
    kept = [block for block in blocks if block.startswith(tuple(f"[bands.{b}]" for b in BANDS))]
    text = re.sub("points = [0-9]+", f"points = {POINTS}", "".join([head, *kept]))
    station.write_text(text, "utf-8")
    items = folder / "items.toml"
    text = items.read_text("utf-8")
    items.write_text(re.sub(r'(telemetry-868|backhaul-2400) = ".*?", ', "", text), "utf-8")
    tareline("run", "qualify", "--item", AS_IN_THE_DEMO, folder=folder)
    tareline("run", "qualify", *OTHERS, "--sweeps", 1, folder=folder, status=1)
    return folder


@pytest.fixture(scope="module")
def runs(demo) -> dict[str, Run]:
    read = [read_run(path) for path in sorted((demo / "results").glob("*.h5"))]
    return {run.item["id"]: run for run in read}


@pytest.fixture(scope="module")
def compared(runs):
    return compare_with_truth([run.path for run in runs.values()])


def test_the_bad_crimp_is_the_one_that_fails(runs):
    assert len(runs) == 5
    verdicts = {
        item: {str(band.decision.verdict) for band in run.bands.values()}
        for item, run in runs.items()
    }
    assert {item for item, said in verdicts.items() if said != {"pass"}} == {"PIG-0452"}
    assert verdicts["PIG-0452"] == {"fail"}


def test_truth_lies_inside_the_stated_uncertainty(runs, compared):
    assert len(compared) == len(runs) * len(BANDS)
    assert sum(row.inside for row in compared) / sum(row.points for row in compared) >= 0.90


def test_uncertainty_is_not_bought_with_width(runs, compared):
    """A statement that is always right because it is wide says nothing: U stays below a
    tenth of a decibel for a healthy cable assembly, and errors fill a fair part of it."""
    for item in ("PIG-0451", "JMP-0107", "FDR-0012"):
        for band in runs[item].bands.values():
            assert band.expanded_uncertainty_db.max() < 0.1
    shares = [abs(row.largest_error_db) / row.expanded_uncertainty_db for row in compared]
    assert max(shares) > 0.2


def test_insertions_and_sweeps_are_as_asked_for(runs):
    for item, run in runs.items():
        sweeps = 4 if item == AS_IN_THE_DEMO else 1
        assert run.parameters == {
            "insertions": 5, "sweeps": sweeps, "makings": 1, "check_every": 0
        }  # fmt: skip
        for band in run.bands.values():
            assert band.insertion_means_db.shape[0] == 5
            assert band.zero_change_db.shape[0] == 2


def test_expected_loss_agrees_for_healthy_items_and_not_for_the_bad_crimp(runs):
    """Normalized error |E_n| <= 1 (ISO/IEC 17043:2010, B.3.1.3; clause from memory)."""
    for item, run in runs.items():
        for band in run.bands.values():
            together = np.hypot(band.expanded_uncertainty_db, band.expected_expanded_uncertainty_db)
            e_n = np.abs(band.insertion_loss_db - band.expected_db) / together
            assert (e_n.max() <= 1) == (item != "PIG-0452")


def test_h5py_alone_finds_every_contract_dataset_with_its_unit(runs):
    path = runs["PIG-0451"].path
    done = subprocess.run(
        [sys.executable, "-c", READ_ALONE, str(path)], capture_output=True, text=True, check=True
    )
    found = json.loads(done.stdout)
    for name in ("schema", "run_id", "procedure", "parameters", "started", "finished", "software",
                 "station", "item", "instruments"):  # fmt: skip
        assert found["attributes"][name], name
    assert found["attributes"]["schema"] == "tareline-run/1"
    (instrument, _) = json.loads(found["attributes"]["instruments"])
    assert set(instrument) == {"role", "resource", "identity"}
    datasets = found["datasets"]
    assert "events" in datasets
    p = POINTS
    for band in BANDS:
        raw, result = f"bands/{band}", f"analysis/{band}"
        assert datasets[f"{raw}/frequency_hz"][:2] == [[p], "Hz"]
        traces = '["S11", "S21", "S12", "S22"]'
        assert datasets[f"{raw}/normalization/readings"] == [[8, 4, p], "1", traces]
        assert datasets[f"{raw}/insertions/readings"] == [[20, 4, p], "1", traces]
        assert datasets[f"{raw}/normalization/time"][:2] == [[8], "s"]
        assert datasets[f"{raw}/insertions/time"][:2] == [[20], "s"]
        assert datasets[f"{raw}/insertions/insertion"][0] == [20]
        for name, unit in (
            ("insertion_loss_db", "dB"), ("standard_uncertainty_db", "dB"), ("effective_dof", "1"),
            ("coverage_factor", "1"), ("expanded_uncertainty_db", "dB"), ("expected_db", "dB"),
            ("expected_expanded_uncertainty_db", "dB"),
        ):  # fmt: skip
            assert datasets[f"{result}/{name}"][:2] == [[p], unit], name
        budget = [name for name in datasets if name.startswith(f"{result}/budget/")]
        assert len(budget) >= 5
        assert all(datasets[name][:2] == [[p], "dB"] for name in budget)
        assert found["verdicts"][band] == "pass"


def test_the_analysis_follows_from_the_raw_readings_alone(runs):
    run = runs["FDR-0012"]
    for band, again in assess(run.path).items():
        stated = run.bands[band]
        assert np.array_equal(again.insertion_loss_db, stated.insertion_loss_db)
        assert np.array_equal(again.expanded_uncertainty_db, stated.expanded_uncertainty_db)


def test_report_gives_table_page_and_json(demo, runs):
    path = runs["JMP-0107"].path
    table = tareline("report", path, folder=demo).stdout
    assert "JMP-0107" in table
    assert "imulated" in table
    page = path.with_suffix(".html").read_text("utf-8")
    assert "JMP-0107" in page
    assert page.count("<svg") >= len(BANDS)
    result = json.loads(tareline("report", path, "--json", folder=demo).stdout)
    assert result["schema"] == "tareline-result/1"
    (run,) = result["runs"]
    assert run["bands"][0]["verdict"] == "pass"
    assert run["bands"][0]["worst"]["margin_db"] > 0
    loss = runs["JMP-0107"].bands["telemetry-433"].insertion_loss_db
    assert run["bands"][0]["insertion_loss_db"] == pytest.approx(loss.tolist())


def test_report_status_tells_that_a_verdict_is_not_a_pass(demo, runs):
    tareline("report", runs["PIG-0452"].path, "--json", folder=demo, status=1)


def test_stated_station_figures_cover_the_simulated_ones(demo):
    """The starting station tells the truth about its simulated leads and adapter."""
    description = read_description(demo / "simulated-bench.toml")
    station = read_workplace(demo / "station.toml", demo / "items.toml").station
    grid = np.concatenate([np.linspace(b.start_hz, b.stop_hz, 21) for b in station.bands.values()])
    stated = 10 ** (-station.analyzer.source_match_db / 20)
    assert port_match(description, grid).max() <= stated
    off = through_loss_db(description, grid) - station.through.at_frequency(
        station.through.loss_at_1_ghz_db, grid
    )
    limits = station.through.at_frequency(station.through.loss_limits_at_1_ghz_db, grid)
    assert np.all(np.abs(off) <= limits)


SEMI_RIGID = """
[items.LINE]
parts = [{ kind = "line", of = "semi-rigid 3.6 mm", length = "1 m" }]
"""


def test_a_bare_line_measures_what_scikit_rf_says(tmp_path):
    """One metre of the simulated semi-rigid line, joined directly by nearly perfect
    connections, against scikit-rf's own coaxial line of the same dimensions."""
    write_starter(tmp_path)
    bench = tmp_path / "simulated-bench.toml"
    text = bench.read_text("utf-8").replace('"0.14 ohm"', '"0.01 ohm"')
    head, rest = text.split("[through]")
    text = head + "[through]\nparts = []\n\n[lines" + rest.split("[lines", 1)[1]
    bench.write_text(text.split("[items.", 1)[0] + SEMI_RIGID, "utf-8")
    station = tmp_path / "station.toml"
    head, rest = station.read_text("utf-8").split("[through]")
    station.write_text(head + "[bands" + rest.split("[bands", 1)[1], "utf-8")
    (tmp_path / "items.toml").write_text("[items.LINE]\n", "utf-8")
    use_set_up(tmp_path, "vector", points=POINTS, bands=BANDS)

    tareline("run", "qualify", "--sweeps", 2, folder=tmp_path)
    (path,) = (tmp_path / "results").glob("*.h5")
    for band in read_run(path).bands.values():
        line = Coaxial(
            skrf.Frequency.from_f(band.frequency_hz, unit="hz"), z0_port=50,
            Dint=0.92e-3, Dout=2.985e-3, epsilon_r=2.04, tan_delta=2e-4,
            inner_conductor={"sigma": 61e6}, outer_conductor={"sigma": 58e6 / 1.15**2},
        ).line(1, "m")  # fmt: skip
        error_db = band.insertion_loss_db + line.s_db[:, 1, 0]
        assert np.all(np.abs(error_db) <= band.expanded_uncertainty_db)
        assert band.expanded_uncertainty_db.max() < 0.06


@pytest.mark.long
def test_the_same_seed_gives_the_same_readings(tmp_path):
    """Bit for bit, over TCP, in two processes; another seed gives others."""
    readings = []
    for name, seed in (("one", 7), ("two", 7), ("three", 8)):
        folder = tmp_path / name
        write_starter(folder)
        use_set_up(folder, "vector", points=5, bands=("backhaul-5600",))
        station = folder / "station.toml"
        text = station.read_text("utf-8")
        seeded = f'bench = "simulated-bench.toml"\nseed = {seed}'
        station.write_text(text.replace('bench = "simulated-bench.toml"', seeded), "utf-8")
        tareline("run", "qualify", "--item", "JMP-0107", "--insertions", 2, "--sweeps", 1,
                 folder=folder)  # fmt: skip
        (path,) = (folder / "results").glob("*.h5")
        with open_run(path) as file:
            readings.append(read_readings(file))
    one, two, three = readings
    for band in one:
        for kind in ("normalization", "insertions"):
            first, same, other = (getattr(r[band], kind) for r in (one, two, three))
            assert first.tobytes() == same.tobytes()
            assert first.tobytes() != other.tobytes()


def test_truth_command_and_matched_truth_agree(demo, runs):
    printed = tareline("truth", runs["JMP-0107"].path, folder=demo).stdout
    assert "JMP-0107" in printed
    assert "Truth inside U at" in printed
    description = read_description(demo / "simulated-bench.toml")
    grid = runs["JMP-0107"].bands["satellite"].frequency_hz
    truth = insertion_loss_db(description, "JMP-0107", grid)
    # common practice, no source: a 0.15 m semi-rigid jumper loses 0.1 to 0.2 dB at 1.6 GHz
    assert np.all((truth > 0.1) & (truth < 0.2))
