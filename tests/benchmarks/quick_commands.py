"""How long commands take that touch no instrument, against a bare typer program's `--help`."""

import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from harness.station.starter_files import write_starter

HOUSE = Path(__file__).parents[2]
REPEATS = 7
BARE = """
import typer
app = typer.Typer()
@app.command()
def one() -> None:
    pass
app()
"""
OURS = "from harness.commands.cli import main; main()"
COMMANDS = {
    "check": (("check",), 3.0),
    "expect": (("expect", "RG-316 450 mm", "2 x SMA"), 3.0),
    "plan": (("plan", "--item", "PIG-0451"), 3.0),
    "report --json": (("report", "run.h5", "--json"), 3.0),
    "report with its page": (("report", "run.h5"), 8.0),
}
"""Words, and what is allowed in times of the bare program."""


def seconds(program: str, words: tuple[str, ...], folder: Path) -> float:
    """Wall time in a fresh interpreter."""
    begin = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", program, *words],
        cwd=folder, env={**os.environ, "PYTHONPATH": str(HOUSE)}, check=False,
        stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    if done.returncode not in (0, 1):
        raise SystemExit(done.stderr)
    return time.perf_counter() - begin


def main() -> None:
    """Print the medians and their ratios."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_starter(folder)
        shutil.copyfile(HOUSE / "results/sample/qualify-PIG-0451.h5", folder / "run.h5")
        taken: dict[str, list[float]] = {command: [] for command in ("", *COMMANDS)}
        for number in range(REPEATS + 1):
            taken[""].append(seconds(BARE, ("--help",), folder))
            for command, (words, _) in COMMANDS.items():
                taken[command].append(seconds(OURS, words, folder))
            if not number:  # what is compiled and cached at first does not count
                taken = {command: [] for command in taken}
    baseline = statistics.median(taken[""])
    print(f"bare typer program --help: {baseline * 1e3:.0f} ms")
    for command, (_, allowed) in COMMANDS.items():
        ours = statistics.median(taken[command])
        print(
            f"tareline {command}: {ours * 1e3:.0f} ms, ratio {ours / baseline:.1f} "
            f"(aim {allowed:g})"
        )


if __name__ == "__main__":
    main()
