"""Short commands load only what they use: the rest would take longer than their work."""

import subprocess
import sys
from pathlib import Path

import pytest

from harness.station.starter_files import write_starter
from tests.long_cases import long

HOUSE = Path(__file__).parents[3]
SAMPLE = HOUSE / "results" / "sample" / "qualify-PIG-0451.h5"
DRAWING = {"matplotlib", "jinja2"}
READING = {"h5py", "skrf", "pandas"}
SOLVING = {"scipy"}
TALKING = {"pyvisa", "asyncio"}
HEAVY = DRAWING | READING | SOLVING | TALKING
AT_THE_END = """
import atexit, sys
atexit.register(lambda: print(*sys.modules, file=open({told!r}, "w")))
from harness.commands.cli import main
main()
"""


@pytest.mark.parametrize(
    ("words", "unused"),
    [
        (["--help"], HEAVY | {"numpy"}),
        (["report", str(SAMPLE), "--json"], (HEAVY - {"h5py"}) | {"rich"}),
        *long(
            (["check"], HEAVY | {"rich"}),
            (["expect", "RG-316 450 mm + 2 x SMA"], HEAVY),
            (["plan", "--item", "PIG-0451"], DRAWING | TALKING | {"skrf", "pandas", "scipy.stats"}),
            (
                ["report", str(SAMPLE), "--page", "page.html"],
                TALKING | SOLVING | {"skrf", "pandas"},
            ),
            (["verify", str(SAMPLE)], DRAWING | TALKING | {"skrf", "pandas", "scipy.stats"}),
        ),
    ],
    ids=lambda value: "-".join(value[:1] + value[2:3]) if isinstance(value, list) else "",
)
def test_what_a_command_does_not_use_is_not_loaded(words, unused, tmp_path):
    write_starter(tmp_path)
    told = tmp_path / "modules.txt"
    done = subprocess.run(
        [sys.executable, "-c", AT_THE_END.format(told=str(told)), *words],
        cwd=tmp_path, env={"PYTHONPATH": str(HOUSE)}, capture_output=True, text=True, check=False,
        timeout=110,
    )  # fmt: skip
    assert done.returncode in (0, 1), done.stderr
    loaded = set(told.read_text("utf-8").split())
    assert "harness.commands.cli" in loaded
    assert not loaded & unused
