"""What short commands take, as ratios to a bare typer program's --help with as many commands.

Processor time, the least of several turns: a machine that is busy with other things slows both.
The bare program shows its help; a command of ours reads files, reckons and tells. What no command
can do without is loaded by every one (typer's own checks of arguments, numpy); the rest only
where it is used.

    python -m tests.benchmarks.start_up [REPEATS]
"""

import os
import resource
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

REPEATS = 9
BARE = """
import typer
app = typer.Typer(no_args_is_help=True)
for name in {names!r}:
    def command(value: str = typer.Option("x", help="A value.")) -> None:
        '''Does one thing.'''
    app.command(name)(command)
app()
"""
OURS = "from harness.commands.cli import main; main()"
HOUSE = Path(__file__).parents[2]
ITEM = "PIG-0451"
CHAIN = "RG-316 450 mm + 2 x SMA"
DONE = (0, 1)
"""Exit status of a command that did its work: 1 tells of a verdict that is no pass."""


@dataclass(frozen=True)
class Short:
    """A command, and how many times the bare program it may take."""

    words: tuple[str, ...]
    allowed: float
    aim: float


def shorts(run: Path) -> list[Short]:
    """The commands that are measured; `run` is a run file of one item.

    Two do not reach their aims. What a plan has to load of others (typer's checks, numpy,
    scipy.special, rich) takes 3.2 times the bare program by itself, a third of it because
    scipy.special looks through all of numpy. What a page has to load (with matplotlib) takes 6
    times; laying out and writing its seven drawings takes most of the rest.
    """
    return [
        Short(("--help",), 1.5, 1.5),
        Short(("check",), 3.0, 3.0),
        Short(("expect", CHAIN), 3.0, 3.0),
        Short(("report", str(run), "--json"), 3.0, 3.0),
        Short(("plan", "--item", ITEM), 6.5, 3.0),
        Short(("report", str(run), "--page", "page.html"), 13.5, 8.0),
    ]


def main(repeats: int = REPEATS) -> None:
    """Print the ratios; exit status 1 if one is beyond what is allowed."""
    from harness.commands.cli import app

    names = [f"command-{n}" for n in range(len(app.registered_commands + app.registered_groups))]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        run = _run_file(folder)
        bare = (BARE.format(names=names), "--help")
        programs = [bare, *((OURS, *short.words) for short in shorts(run))]
        for program in programs:
            seconds(folder, *program)
        turns = [[seconds(folder, *program) for program in programs] for _ in range(repeats)]
        baseline, *least = (min(column) for column in zip(*turns, strict=True))
        print(f"bare typer program with {len(names)} commands, --help: {baseline * 1e3:.0f} ms")
        beyond = False
        for short, taken in zip(shorts(run), least, strict=True):
            words = " ".join(word.replace(str(run), "RUN") for word in short.words)
            aim = "" if short.aim == short.allowed else f", aim {short.aim:g}"
            ratio = taken / baseline
            print(f"  {words:42}{taken * 1e3:6.0f} ms   ratio {ratio:5.2f}   "
                  f"allowed {short.allowed:g}{aim}")  # fmt: skip
            beyond |= ratio > short.allowed
    if beyond:
        sys.exit(1)


def seconds(folder: Path, program: str, *words: str) -> float:
    """Processor time of a program in a fresh interpreter that keeps what it compiles."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run(
        [sys.executable, "-c", program, *words],
        cwd=folder, env=_environment(folder), stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
        text=True, check=False,
    )  # fmt: skip
    if done.returncode not in DONE:
        raise RuntimeError(f"{' '.join(words)}: {done.stderr}")
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def _environment(folder: Path) -> dict[str, str]:
    kept = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    return kept | {"PYTHONPYCACHEPREFIX": str(folder / "compiled"), "PYTHONPATH": str(HOUSE)}


def _run_file(folder: Path) -> Path:
    """A bench's files and a run of one item, made on it."""
    seconds(folder, OURS, "init", ".")
    seconds(folder, OURS, "run", "qualify", "--item", ITEM, "--insertions", "3", "--sweeps", "1")
    (run,) = (folder / "results").glob("*.h5")
    return run


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:]))
