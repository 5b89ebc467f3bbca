"""A lot of ten thousand run files reported, against h5py reading the same figures.

    python -m tests.benchmarks.lots [--items 10000] [--folder DIR]

Prints the ratio, the size of the page, the peak of memory, and how time grows from a tenth of the
items to all of them. The files are copies of one simulated run with their figures moved; each
measurement is a process of its own, and every file has just been written, so that the disk plays
no part. A folder that is given is kept and used again.
"""

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from harness.station.starter_files import write_starter
from tests.harness.command_line import FROM_NOTHING
from tests.harness.lot_files import some_items, write_lot

ITEMS = 10_000
POINTS = 51
ALLOWED_RATIO = 3.0
ALLOWED_PAGE = 5 * 1024**2
BAD = 0.03
FIGURES = ("insertion_loss_db", "standard_uncertainty_db", "expanded_uncertainty_db", "limit_db",
           "expected_db", "expected_expanded_uncertainty_db")  # fmt: skip


def template(folder):
    """One finished run of the starting station with few points."""
    write_starter(folder)
    text = (folder / "station.toml").read_text("utf-8")
    for line in {line for line in text.splitlines() if line.startswith("points = ")}:
        text = text.replace(line, f"points = {POINTS}")
    (folder / "station.toml").write_text(text, "utf-8")
    done = subprocess.run(
        [*FROM_NOTHING, "run", "qualify", "--item", "PIG-0451", "--insertions", "2",
         "--sweeps", "2"],
        cwd=folder, capture_output=True, text=True, check=False,
    )  # fmt: skip
    if done.returncode > 1:
        raise RuntimeError(done.stderr)
    (path,) = (folder / "results").glob("*.h5")
    return path


def plain(folder):
    """What h5py alone needs for the same figures; the files one after the other."""
    import h5py

    found = []
    for path in sorted(Path(folder).glob("*.h5")):
        with h5py.File(path, "r") as file:
            head = [file.attrs[name] for name in ("schema", "run_id", "procedure", "started",
                    "finished", "simulated", "item", "station")]  # fmt: skip
            head.append(file["analysis"].attrs["finding"])
            for name, group in file["analysis"].items():
                given = group.attrs
                at = given["worst_index"]
                head += [given[key] for key in ("verdict", "margin_db", "decision_rule",
                         "guard_band_db", "conformance_probability")]  # fmt: skip
                head += [group[key][at] for key in FIGURES]
                head.append(file[f"bands/{name}/frequency_hz"][at])
                head += [group["zero_change_db"][-1, at], group["insertion_means_db"][:, at]]
        found.append(head)
    return len(found)


def ours(folder):
    """The command as people give it, in this process."""
    from harness.commands.cli import main

    sys.argv = ["tareline", "report", str(folder), "--csv", f"{folder}.csv"]
    sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115
    try:
        main()
    except SystemExit as ended:
        return int(ended.code or 0)
    return 0


def measured(which, folder):
    """Wall and processor time in s, and peak memory in MiB, of one of the two, by itself."""
    program = (
        "import json, resource, sys, time\n"
        f"from tests.benchmarks.lots import {which}\n"
        "begin, used = time.perf_counter(), time.process_time()\n"
        f"{which}({str(folder)!r})\n"
        "peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024\n"
        "done = [time.perf_counter() - begin, time.process_time() - used, peak]\n"
        "print(json.dumps(done), file=sys.__stdout__)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], check=True, capture_output=True, text=True
    )
    return json.loads(done.stdout.splitlines()[-1])


def main(arguments=("--items", "1000")):
    """Make the lots, and print the figures; a tenth of the items among all the benchmarks."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--items", type=int, default=ITEMS)
    parser.add_argument("--folder", type=Path)
    chosen = parser.parse_args(arguments)
    folder = chosen.folder or Path(tempfile.mkdtemp(prefix="lots-"))
    try:
        _report(folder, chosen.items)
    finally:
        if chosen.folder is None:
            shutil.rmtree(folder)


def _report(folder, items):
    seconds = {}
    for count in (items // 10, items):
        lot = folder / f"lot-{count}"
        if not lot.exists():
            begin = time.perf_counter()
            made = some_items(count, bad=set(range(7, count, round(1 / BAD))), drift_db=0.01)
            write_lot(_template(folder), lot, made, whole=False)
            print(f"{count} files made in {time.perf_counter() - begin:.0f} s")
        for which in ("plain", "ours"):
            seconds[which, count] = measured(which, lot)
        (wall, used, _), (own_wall, own_used, peak) = (
            seconds["plain", count], seconds["ours", count],
        )  # fmt: skip
        page = (lot / "report.html").stat().st_size
        print(
            f"{count} items: h5py alone {wall:.1f} s ({used:.1f} s of processor), report "
            f"{own_wall:.1f} s ({own_used:.1f} s), ratio {own_wall / wall:.2f}, of processor "
            f"{own_used / used:.2f} (allowed {ALLOWED_RATIO}); page {page / 1024**2:.2f} MiB "
            f"(allowed {ALLOWED_PAGE / 1024**2:.0f}); peak {peak:.0f} MiB"
        )
    growth = seconds["ours", items][1] / seconds["ours", items // 10][1]
    print(f"ten times the items take {growth:.1f} times the processor time")


def _template(folder):
    made = folder / "template"
    found = list(made.glob("results/*.h5"))
    return found[0] if found else template(made)


if __name__ == "__main__":
    main(sys.argv[1:])
