"""The same items through the whole of Tareline: bench over TCP, run file, analysis in it."""

import contextlib
import io
import re
import tempfile
from collections.abc import Iterable
from pathlib import Path

from harness.evaluation.read_back import read_run
from harness.report.words.diagnosis_words import finding_of_run
from harness.run_file.run import Run
from harness.running.finding_procedures import find_procedure
from harness.running.measure import Assignment, measure
from harness.station.items import read_workplace
from harness.station.starter_files import write_starter
from tests.studies.diagnosis.assemblies import draw
from tests.studies.diagnosis.measured import INSERTIONS, ITEM, LENGTH_LIMITS_M, WIDE, bench_text
from tests.studies.diagnosis.study import (
    NARROW_KINDS,
    NOTHING,
    UNDECIDED,
    WIDE_KINDS,
    Outcome,
    Tally,
)


def study_over_tcp(seeds: Iterable[int]) -> Tally:
    """Each seed's item measured with `qualify`, one bench after another."""
    return Tally([outcome for outcome, _ in map(measured_over_tcp, seeds)])


def measured_over_tcp(seed: int) -> tuple[Outcome, Run]:
    """The item of `study.one` with that seed, as its run file says."""
    is_wide = seed % 2 == 0
    kinds = WIDE_KINDS if is_wide else NARROW_KINDS
    drawn = draw(seed, kinds[seed // 2 % len(kinds)], is_wide=is_wide)
    with tempfile.TemporaryDirectory() as name, contextlib.redirect_stderr(io.StringIO()):
        folder = Path(name)
        write_starter(folder)
        (folder / "simulated-bench.toml").write_text(bench_text(drawn, seed), "utf-8")
        made_of = ", ".join(f'"{part}"' for part in drawn.made_of)
        (folder / "items.toml").write_text(
            f"[items.{ITEM}]\nmade_of = [{made_of}]\n"
            f'length_limits = "{LENGTH_LIMITS_M * 1e3:g} mm"\n',
            "utf-8",
        )
        station = (folder / "station.toml").read_text("utf-8")
        station = re.sub(r"(?m)^temperature = .*$", 'temperature = "20 °C"', station)
        if is_wide:
            (grid,) = WIDE
            station = station[: station.index("[bands.")] + (
                f'[bands.wide]\nstart = "{grid[0]:.0f} Hz"\nstop = "{grid[-1]:.0f} Hz"\n'
                f"points = {len(grid)}\n"
            )
        (folder / "station.toml").write_text(station, "utf-8")
        workplace = read_workplace(folder / "station.toml", folder / "items.toml")
        parameters = {"insertions": INSERTIONS, "sweeps": 1}
        work = Assignment(find_procedure("qualify"), parameters, folder / "results")
        (path,) = measure(workplace, workplace.items, work)
        run = read_run(path)
    finding = run.finding
    assert finding is not None, "the item says what it is made of"
    assert finding_of_run(run)
    said = NOTHING if not finding.is_accused else finding.fault or UNDECIDED
    set_up = "wide" if is_wide else "narrow"
    return Outcome(seed, drawn, set_up, said, finding.probability), run
