"""Real run files of a gauge study, written sweep by sweep with chosen losses, and evaluated."""

import numpy as np

from drivers.sweep import Sweep
from harness.bench.clock import as_iso
from harness.evaluation.run_analysis import finish
from harness.run_file import RunHeader, RunJournal
from harness.station.items import item_as_dict, read_workplace
from harness.station.starter_files import write_starter
from tests.harness.set_ups import use_set_up

STARTED = 1_790_000_000.0
TRACES = ("S11", "S21", "S12", "S22")


def study_workplace(folder, limits=(("telemetry-868", "0.6 dB"),)):
    """The starting station cut down to the named bands of five points; all items are of one
    kind, PIG, with these limits ("" is none)."""
    write_starter(folder)
    use_set_up(folder, "vector", points=5, bands=[band for band, _ in limits])
    stated = ", ".join(f'{band} = "{limit}"' for band, limit in limits if limit)
    (folder / "items.toml").write_text(
        f"[items.PIG]\nlimits = {{ {stated} }}\n",
        "utf-8",
    )
    return read_workplace(folder / "station.toml", folder / "items.toml")


def write_study_run(
    results, workplace, item, parameters, loss_db, *, started=STARTED, is_finished=True
):
    """One finished run of `item`; `loss_db` by band, a number or one for each of the points."""
    results.mkdir(exist_ok=True)
    header = RunHeader(
        run_id=f"{int(started)}-{item}-{'-'.join(str(v) for v in parameters.values())}",
        procedure="gauge-study",
        parameters=parameters,
        started=as_iso(started),
        software="tests",
        station=workplace.station.as_dict(),
        item=item_as_dict(item, workplace.items["PIG"]),
        instruments=(),
        simulated=True,
    )
    station = workplace.station
    grids = {band: station.settings(band).frequency_hz() for band in station.bands}
    journal = RunJournal(results / f"{header.run_id}.h5", header, grids, TRACES)
    try:
        for name, grid in grids.items():
            for place, (sort, index) in enumerate(
                (("normalization", 0), ("insertions", 0), ("insertions", 1), ("normalization", 1))
            ):
                loss = loss_db[name] if sort == "insertions" else 0.0
                readings = np.full((len(TRACES), len(grid)), 0.01 + 0.0j)
                readings[1] = readings[2] = 10.0 ** (-np.asarray(loss) / 20.0)
                sweep = Sweep(
                    time=started + 10.0 * place, frequency_hz=grid, readings=readings, traces=TRACES
                )
                journal.append(name, sort, index, sweep)
    finally:
        journal.close()
    if is_finished:
        finish(journal.path, as_iso(started + 60.0))
    return journal.path
