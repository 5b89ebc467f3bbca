"""Instruments that hand over old readings, over TCP: the true loss, or an error that says why."""

import numpy as np
import pytest

from drivers.errors import InputError
from drivers.simulated.described.bench_description import read_description
from drivers.simulated.launch import SimulatedBenchProcess
from drivers.simulated.physics.truth import insertion_loss_db
from drivers.sweep import RepeatedReadingsError, UnsettledError
from harness.evaluation.read_back import read_run
from harness.running.finding_procedures import find_procedure
from harness.running.measure import Assignment, measure
from harness.station.items import read_workplace
from harness.station.starter_files import write_starter
from tests.harness.command_line import tareline
from tests.harness.production_bench import production_station
from tests.harness.set_ups import replace
from tests.harness.short_run import ITEM, arm, station_on
from tests.long_cases import long

STARTED, READ = "on=INITiate:IMMediate", "on=TRACe:DATA?"
FOR_EVER = "count=0"
LOOSE, SOUND = "PIG-0702", "PIG-0701"


def qualified(workplace, folder, sweeps):
    work = Assignment(
        find_procedure("qualify"), {"insertions": 3, "sweeps": sweeps}, folder / "results"
    )
    (path,) = measure(workplace, workplace.choose([ITEM]), work)
    return path


def require_true_loss(bench, path):
    for band in read_run(path).bands.values():
        truth_db = insertion_loss_db(read_description(bench.path), ITEM, band.frequency_hz)
        off_db = np.abs(band.insertion_loss_db - truth_db)
        assert np.all(off_db <= band.expanded_uncertainty_db)
        assert off_db.max() < 0.06


@pytest.fixture
def bench(benches):
    yield benches["vector"]
    arm(benches["vector"])


@pytest.mark.parametrize(
    ("kind", "where", "sweeps"),
    [
        ("half-old-trace", STARTED, 1),
        *long(
            ("half-old-trace", STARTED, 2), ("answer-before", READ, 1), ("answer-before", READ, 2)
        ),
    ],
)
def test_an_instrument_that_is_always_behind_does_not_pass_on_old_readings(
    bench, tmp_path, kind, where, sweeps
):
    """From the first sweep on; the first of each connection is that of the one before."""
    workplace = station_on(bench, tmp_path, "vector")
    arm(bench, "analyzer", kind, where, FOR_EVER)
    path = qualified(workplace, tmp_path, sweeps)
    require_true_loss(bench, path)
    told = [event.text for event in read_run(path).events if event.kind == "recovery"]
    assert any("of one connection differ by" in text for text in told)


@pytest.mark.parametrize(
    ("kind", "nth"), [("half-old-trace", 10), *long(("trigger-ignored", 9), ("late-start", 6))]
)
def test_one_old_sweep_of_one_band_is_made_again(bench, tmp_path, kind, nth):
    workplace = station_on(bench, tmp_path, "vector")
    station = tmp_path / "station.toml"
    text = station.read_text("utf-8")
    band = text[text.index("[bands.") :]
    other = band.replace("telemetry-868", "elsewhere").replace("863 MHz", "2.4 GHz")
    station.write_text(f"{text}\n{other.replace('870 MHz', '2.45 GHz')}", "utf-8")
    workplace = read_workplace(station, tmp_path / "items.toml")
    arm(bench, "analyzer", kind, STARTED, f"nth={nth}")
    path = qualified(workplace, tmp_path, 2)
    require_true_loss(bench, path)
    assert sum(event.kind == "recovery" for event in read_run(path).events) >= 1


def test_an_instrument_that_stops_sweeping_is_an_error_with_its_cause(bench, tmp_path):
    """Averages by the instrument, all of them old."""
    workplace = station_on(bench, tmp_path, "vector")
    replace(tmp_path / "station.toml", ("[analyzer]", "[analyzer]\naverages = 4"))
    workplace = read_workplace(tmp_path / "station.toml", tmp_path / "items.toml")
    arm(bench, "analyzer", "trigger-ignored", STARTED, "nth=5", FOR_EVER)
    with pytest.raises(RepeatedReadingsError, match="as in an earlier sweep") as raised:
        qualified(workplace, tmp_path, 2)
    assert "did not sweep" in raised.value.hint
    (path,) = (tmp_path / "results").glob("*.h5")
    assert not read_run(path).bands


def test_a_dialect_without_its_trace_is_refused_before_anything_is_sent(bench, tmp_path):
    from drivers.dialects.dialect import dialect_text

    station_on(bench, tmp_path, "vector")
    mine = dialect_text("scpi-99-network-analyzer").replace("DATA? {trace}", "DATA? S21")
    (tmp_path / "mine.toml").write_text(mine, "utf-8")
    shipped = 'dialect = "scpi-99-network-analyzer"'
    replace(tmp_path / "station.toml", (shipped, 'dialect = "./mine.toml"'))
    workplace = read_workplace(tmp_path / "station.toml", tmp_path / "items.toml")
    with pytest.raises(InputError, match="cannot tell its traces apart"):
        qualified(workplace, tmp_path, 2)


@pytest.fixture(scope="module")
def loose(tmp_path_factory):
    """A bench on which two items have a contact that opens and closes."""
    folder = tmp_path_factory.mktemp("loose")
    write_starter(folder)
    path = folder / "simulated-bench.toml"
    pin = '{ kind = "loose-pin", probability = 0.5, gap = "0.1 pF" },'
    for item in (LOOSE, ITEM):
        head = f"[items.{item}]\nparts = ["
        replace(path, (head, f"{head}{pin}"))
    with SimulatedBenchProcess(path) as process:
        yield process


def test_an_item_whose_contact_opens_and_closes_has_no_verdict(loose, tmp_path):
    """In a lot it holds nobody up; alone it is an error that names the cause."""
    production_station(loose, tmp_path)
    (tmp_path / "serials.txt").write_text(f"{LOOSE}\n{SOUND}\n", "utf-8")
    lot = tareline("run", "spot-check", "--serials", "serials.txt", "--results", "lot", "--sweeps",
                   8, folder=tmp_path)  # fmt: skip
    assert f"! {LOOSE}" in lot.stderr
    assert "opens and closes" in lot.stderr
    assert f"{SOUND}  ✓ pass" in lot.stderr
    assert lot.returncode == 1
    workplace = station_on(loose, tmp_path / "alone", "vector")
    with pytest.raises(UnsettledError, match="of one connection differ by") as raised:
        qualified(workplace, tmp_path, 8)
    assert "may be loose" in raised.value.hint
