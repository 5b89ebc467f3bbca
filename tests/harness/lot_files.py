"""A lot of finished run files made quickly: one simulated run copied, and its figures moved.

The files are ordinary ones; only their readings are those of the first, so that they suit what
reads results, and nothing that recomputes them.
"""

import json
import math
import shutil
from dataclasses import asdict, dataclass
from pathlib import Path

import h5py
import numpy as np

from harness.analysis.diagnosis.finding import Fault, Finding
from harness.analysis.uncertainty.conformity import verdict_of
from harness.bench.clock import as_iso
from harness.run_file.digests import HEADER, header_digest, seal
from harness.run_file.figures import AGAIN, FIGURES, figures_digest
from harness.run_file.run import WANTED_AGAIN

STARTED = 1_772_442_845.0
BETWEEN_S = 150.0
"""From one item to the next."""
BAD_DB = 1.2
"""What a bad item loses more, in every band."""

CRIMP = Finding(
    is_accused=True, fault=Fault.CONNECTOR.value, form="contact", probability=0.97,
    false_accusation=1e-6, frequency_hz=2.44e9, effect_db=BAD_DB, has_delay=True,
    figures={"resistance_ohm": 14.0}, likelihoods={Fault.CONNECTOR.value: 0.97}, end=2,
)  # fmt: skip
SOUND = Finding(
    is_accused=False, fault=None, form="length", probability=0.4, false_accusation=0.5,
    frequency_hz=2.44e9, effect_db=0.001, has_delay=True, figures={},
    likelihoods={Fault.LENGTH.value: 0.4},
)  # fmt: skip


@dataclass(frozen=True)
class Made:
    """One file of a lot: which item, at which place in time, and how its figures were moved."""

    name: str
    place: int
    change_db: float
    zero_db: float = 0.0
    is_bad: bool = False


def some_items(count, *, seed=1, bad=(), scatter_db=0.02, drift_db=0.0):
    """So many items as a process makes them; `bad` are the places of bad ones."""
    rng = np.random.default_rng(seed)
    change_db = rng.normal(0.0, scatter_db, count) + np.linspace(0.0, drift_db, count)
    zero_db = rng.normal(0.0, 0.002, count)
    return [
        Made(
            f"PIG-{place + 1:05d}", place, float(change_db[place]) + BAD_DB * (place in bad),
            float(zero_db[place]), place in bad,
        )
        for place in range(count)
    ]  # fmt: skip


def write_lot(template, folder, made, **options):
    """The files of `made` in `folder`, from a finished run file; returns their paths."""
    folder.mkdir(parents=True, exist_ok=True)
    return [write_run(template, folder, one, **options) for one in made]


def write_run(template, folder, made, *, whole=True):
    """One finished run file; unless `whole`, of its digests only that of the figures is right."""
    started = STARTED + BETWEEN_S * made.place
    run_id = f"{as_iso(started)[:19].replace(':', '').replace('-', '')}Z-spot-{made.name}"
    path = Path(folder) / f"{run_id}.h5"
    shutil.copyfile(template, path)
    with h5py.File(path, "r+", libver="latest") as file:
        item = json.loads(file.attrs["item"]) | {"id": made.name}
        for name, text in (
            ("run_id", run_id),
            ("item", json.dumps(item)),
            ("started", as_iso(started)),
            ("finished", as_iso(started + BETWEEN_S - 20.0)),
        ):
            file.attrs[name] = text
        analysis = file["analysis"]
        analysis.attrs["finding"] = json.dumps(asdict(CRIMP if made.is_bad else SOUND))
        for group in analysis.values():
            _move(group, made)
        analysis.attrs[FIGURES] = figures_digest(file.id)
        if whole:
            file.attrs[HEADER] = header_digest(file)
            seal(file)
    return path


def ask_again(path, why="the zero moved by 0.3 dB", *, is_earlier=False):
    """Have a finished run file say that its item is to be measured again; `is_earlier`: as files of
    earlier versions do, whose events alone say it."""
    with h5py.File(path, "r+", libver="latest") as file:
        events = file["events"]
        events.resize((len(events) + 1,))
        events[-1] = (STARTED, WANTED_AGAIN.encode(), why.encode())
        if is_earlier:
            del file["analysis"].attrs[AGAIN]
        else:
            file["analysis"].attrs[AGAIN] = why
        seal(file)


def _move(group, made):
    for name in ("insertion_loss_db", "interval_low_db", "interval_high_db", "insertion_means_db"):
        group[name][...] = group[name][()] + made.change_db
    zero_db = group["zero_change_db"][()]
    zero_db[1:] += made.zero_db
    group["zero_change_db"][...] = zero_db
    margin_db = float(group.attrs["margin_db"]) - made.change_db
    if math.isfinite(margin_db):
        group.attrs["margin_db"] = margin_db
        group.attrs["verdict"] = str(verdict_of(margin_db, float(group.attrs["guard_band_db"])))
