"""Hands that forget nearly every second exchange, through the real procedure: all is noticed."""

from drivers.simulated.launch import SimulatedBenchProcess
from harness.evaluation.read_back import read_run
from harness.run_file.run import DOUBT
from harness.station.starter_files import write_starter
from tests.harness.set_ups import replace
from tests.harness.short_run import ask, carry_out, station_on

SET_ASIDE = "set aside: "
LIES = ("reads like the joined leads", "the same connection as last time", "Is the item still in?")


def test_every_forgotten_exchange_is_noticed(tmp_path):
    """The item left out, not undone, and still in at a zero check. What was forgotten is set
    aside; what was forgotten again when it was asked for anew takes the verdict."""
    write_starter(tmp_path / "bench")
    description = tmp_path / "bench" / "simulated-bench.toml"
    forgetful = ("# forgotten_share = 0.05", "forgotten_share = 0.45")
    replace(description, ("seed = 20", "seed = 2"), forgetful)
    bench = SimulatedBenchProcess(description)
    try:
        (path,) = carry_out(station_on(bench, tmp_path / "station", "vector"), tmp_path / "results")
        forgotten = int(ask(bench, "hand", "CONNect:FORGotten?"))
    finally:
        bench.close()
    run = read_run(path)
    noticed = [
        event.text
        for event in run.events
        if event.kind == DOUBT or event.text.startswith(SET_ASIDE)
    ]
    assert len(noticed) == forgotten
    assert all(any(lie in text for text in noticed) for lie in LIES)
    assert any(event.kind == DOUBT for event in run.events)
