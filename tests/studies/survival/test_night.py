"""A night in minutes: eight hours of schedule, lost links, a restart, a change of temperature.

Everything goes over TCP to a simulated bench whose clock passes by sweeping and waiting. What is
estimated is held against the physics of the bench, which no reading tells.
"""

import html
from types import SimpleNamespace

import numpy as np
import pytest

from drivers.simulated.described.bench_description import read_description
from drivers.simulated.physics.truth import insertion_loss_db
from harness.evaluation.read_back import read_run
from tests.harness.command_line import tareline
from tests.harness.set_ups import (
    SWITCH,
    SWITCH_ON_THE_BENCH,
    on_the_bench,
    replace,
    use_set_up,
)

pytestmark = pytest.mark.long

BAND, ITEM = "backhaul-5600", "FDR-0012"
EVERY_S = 120.0
TICKS, CHECKS, SWEEPS_A_CHECK = 240, 9, 4
"""A tick every two minutes; the opening and the closing check, and one after each full hour in
between."""
WARMING = 'points = [["0 s", "20 °C"], ["1 h", "20 °C"], ["5 h", "24 °C"], ["8 h", "22 °C"]] '
FAULTS = (
    ("drop-before", "TRACe:DATA?", 50),
    ("drop-inside", "TRACe:DATA?", 125),
    ("restart", "INITiate:IMMediate", 160),
    ("drop-after", "TRACe:DATA?", 200),
)
"""Three lost links and a restart: what happens, at which message, the how manieth of its kind."""
SENSOR_OFFSET_K = 0.1


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    """The run, what its report says, and the truth at each sweep."""
    from harness.station.starter_files import write_starter

    folder = tmp_path_factory.mktemp("night")
    write_starter(folder)
    use_set_up(folder, "vector", points=11, bands=(BAND,))
    tables = f"{SWITCH}{on_the_bench('thermometer')}"
    replace(folder / "station.toml", ("\n[leads]", f"{tables}\n[leads]"))
    bench = folder / "simulated-bench.toml"
    replace(bench, ("\n[leads]", f"{SWITCH_ON_THE_BENCH}\n[leads]"), ('start = "20 °C" ', WARMING))
    armed = "".join(
        f'\n[[faults]]\ninstrument = "analyzer"\nkind = "{kind}"\non = "{on}"\nnth = {nth}\n'
        for kind, on, nth in FAULTS
    )
    bench.write_text(bench.read_text("utf-8") + armed, "utf-8")
    ended = tareline("run", "overnight", "--every", "2 min", "--item", ITEM, folder=folder)
    assert ended.returncode == 0, ended.stderr[-2000:]
    (path,) = (folder / "results").glob("*.h5")
    told = tareline("report", path, "--page", folder / "page.html", folder=folder)
    assert told.returncode == 0, told.stderr
    run = read_run(path)
    result = run.bands[BAND]
    description = read_description(bench)

    def truth_db(temperature_c):
        return insertion_loss_db(description, ITEM, result.frequency_hz, float(temperature_c))

    begun = next(event.time for event in run.events if event.kind == "connection")
    true_c = np.array([description.temperature.at(t - begun) for t in result.series.time])
    grid_c = np.linspace(true_c.min(), true_c.max(), 9)
    of_grid_db = [truth_db(temperature_c).mean() for temperature_c in grid_c]
    return SimpleNamespace(
        run=run,
        result=result,
        page=html.unescape((folder / "page.html").read_text("utf-8").replace("<wbr>", "")),
        true_c=true_c,
        mean_loss_db=truth_db(true_c.mean()),
        true_db=np.interp(true_c, grid_c, of_grid_db),
        db_per_k=(of_grid_db[-1] - of_grid_db[0]) / (grid_c[-1] - grid_c[0]),
        hours=(result.series.time - result.series.time[0]) / 3600.0,
    )


def told(night, kind):
    return [event.text for event in night.run.events if event.kind == kind]


def test_it_completes_on_schedule(night):
    series = night.result.series
    assert len(series.time) == TICKS
    assert not told(night, "missed")
    # no drift of the clock: the last tick is where the first one and the interval put it
    off_s = series.time - series.time[0] - EVERY_S * np.arange(TICKS)
    assert np.all((off_s > -1.0) & (off_s < 30.0))
    assert len(set(series.insertion)) == CHECKS - 1


def test_each_fault_is_recovered_and_listed(night):
    begun = [text for text in told(night, "recovery") if text.startswith("starting afresh")]
    ended = [text for text in told(night, "recovery") if text.startswith("works again")]
    # the line that is lost between two questions is found by the next one, which is asked again
    mended = [text for text in told(night, "recovery") if text.startswith("asked again")]
    assert len(begun) == len(ended)
    assert len(begun) + len(mended) == len(FAULTS)
    for text in [*begun, *mended]:
        assert text[:60] in night.page


def test_the_loss_holds_the_truth(night):
    error_db = night.result.insertion_loss_db - night.mean_loss_db
    assert np.all(np.abs(error_db) <= night.result.expanded_uncertainty_db)


def test_the_drift_holds_the_truth(night):
    true_slope = np.polyfit(night.hours, night.true_db, 1)[0]
    drift = night.result.stability.drift_db_per_h
    assert drift.low <= true_slope <= drift.high
    assert drift.high - drift.low < 0.02


def test_the_temperature_coefficient_holds_the_truth(night):
    effect = night.result.stability.temperature
    assert effect.is_told_apart
    coefficient = effect.coefficient_db_per_k
    assert coefficient.low <= night.db_per_k <= coefficient.high
    assert coefficient.low > 0.0
    assert effect.drift_db_per_h.low <= 0.0 <= effect.drift_db_per_h.high


def test_the_temperature_was_logged(night):
    logged_c = night.result.series.temperature_c
    assert np.all(np.isfinite(logged_c))
    assert logged_c - night.true_c == pytest.approx(SENSOR_OFFSET_K, abs=0.06)
