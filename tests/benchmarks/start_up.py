"""How long `tareline --help` takes, against a bare typer program with as many commands."""

import statistics
import subprocess
import sys
import time

REPEATS = 15
ALLOWED = 1.5
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


def seconds(program: str) -> float:
    """Wall time of `program --help` in a fresh interpreter."""
    begin = time.perf_counter()
    subprocess.run([sys.executable, "-c", program, "--help"], check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - begin


def main() -> None:
    """Print the medians and their ratio."""
    from harness.commands.cli import app

    names = [f"command-{n}" for n in range(len(app.registered_commands + app.registered_groups))]
    bare = BARE.format(names=names)
    for program in (bare, OURS):
        seconds(program)
    pairs = [(seconds(bare), seconds(OURS)) for _ in range(REPEATS)]
    baseline, ours = (statistics.median(column) for column in zip(*pairs, strict=True))
    print(
        f"tareline --help: {ours * 1e3:.0f} ms, bare typer program with {len(names)} commands: "
        f"{baseline * 1e3:.0f} ms, ratio {ours / baseline:.2f} (allowed {ALLOWED})"
    )


if __name__ == "__main__":
    main()
