"""Commands that are shown can be pasted, and stay whole at a narrow terminal."""

import io
import shlex
from pathlib import Path

import pytest
from rich.console import Console

from drivers.errors import InputError
from harness.report.words import complaint
from harness.report.words.suggested_command import go_on, station_again, suggested_command


@pytest.mark.parametrize(
    "path", ["results/a.h5", "night shift/a.h5", "it's/a.h5", "$HOME/`x`.h5", "a;b/*.h5"]
)
def test_a_shell_reads_back_what_was_meant(path):
    assert shlex.split(suggested_command("report", Path(path))) == ["tareline", "report", path]


def test_a_name_that_begins_like_an_option_is_none():
    assert suggested_command("report", Path("-x.h5")) == "tareline report ./-x.h5"


def test_only_an_unusual_station_is_named_again():
    assert station_again(Path("station.toml")) == ()
    again = station_again(Path("the bench.toml"))
    text = "go on with it:\ntareline resume a.h5 --station 'the bench.toml'"
    assert go_on(Path("a.h5"), again) == text


def test_a_command_is_never_broken_at_a_terminal(monkeypatch):
    seen = io.StringIO()
    terminal = Console(file=seen, width=40, force_terminal=True, color_system=None)
    monkeypatch.setattr("rich.console.Console", lambda **_: terminal)
    path = Path("results of the night shift/20270116T080000Z-qualify-PIG-0451.h5")
    error = InputError("the link was lost while the item was swept in its third band",
                       hint=go_on(path))  # fmt: skip
    complaint.complain(f"tareline: {error}")
    lines = seen.getvalue().splitlines()
    assert lines[-1].strip() == suggested_command("resume", path)
    assert all(len(line) <= 40 for line in lines[:-1])
