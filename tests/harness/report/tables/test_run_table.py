"""The terminal's table, at any width."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from rich.cells import cell_len
from rich.console import Console

from harness.report.tables.run_table import print_runs
from harness.report.words.sentences import SIMULATED
from harness.run_file.run import BandResult, Run


def printed(runs: list[Run], width: int, encoding: str = "utf-8") -> str:
    raw = io.BytesIO()
    with io.TextIOWrapper(raw, encoding=encoding, write_through=True) as file:
        print_runs(runs, Console(file=file, width=width))
        return raw.getvalue().decode(encoding)


@pytest.mark.parametrize("width", [30, 60, 78, 79, 80, 100, 160])
def test_no_line_is_wider_than_the_terminal(all_runs: list[Run], width: int) -> None:
    assert max(cell_len(line) for line in printed(all_runs, width).splitlines()) <= width


@pytest.mark.parametrize("width", [60, 80, 160])
def test_every_band_with_its_figures(mixed_run: Run, width: int) -> None:
    text = printed([mixed_run], width)
    for name in mixed_run.bands:
        assert name in text
    for shown in ("433.05–434.79 MHz", "0.326 ± 0.053", "0.317 ± 0.036", "0.540", "+0.214"):
        assert shown in text
    for verdict in ("✓ pass", "(✓) conditional pass", "(✗) conditional fail", "✗ fail"):
        assert verdict in text
    assert "no limit" in text
    assert "Receiver linearity" in text
    assert SIMULATED in " ".join(text.split())


def test_a_note_of_every_run_is_told_once(mixed_run: Run, good_run: Run) -> None:
    note = "A switch exchanged through and item."

    def noted(run: Run, *notes: str) -> Run:
        return replace(
            run, bands={n: replace(b, notes=(*notes, note)) for n, b in run.bands.items()}
        )

    alone = " ".join(printed([noted(good_run)], 80).split())
    assert alone.count(note) == 1
    assert "every run" not in alone
    text = " ".join(printed([noted(good_run, "Of this."), noted(mixed_run)], 80).split())
    assert text.count(note) == text.count(f"note, every run: {note}") == 1
    assert text.count("note: Of this.") == 1
    own = " ".join(printed([noted(good_run), mixed_run], 80).split())
    assert own.count(f"note: {note}") == 1


def test_one_line_a_band_holds_its_figures(good_run: Run) -> None:
    lines = [
        line for line in printed([good_run], 80).splitlines() if "±" in line and "pass" in line
    ]
    assert len(lines) == len(good_run.bands)


def test_measured_and_unfinished_runs(limitless_run: Run, unfinished_run: Run) -> None:
    assert "imulated" not in printed([limitless_run], 80)
    text = printed([unfinished_run], 80)
    assert "not finished" in text
    assert "±" not in text


def test_no_colour_codes_through_a_pipe(all_runs: list[Run]) -> None:
    assert "\x1b" not in printed(all_runs, 80)


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "latin-1"])
def test_signs_are_spelt_out_where_they_cannot_be_shown(mixed_run: Run, encoding: str) -> None:
    text = printed([mixed_run], 80, encoding)
    assert "(x) conditional fail" in text
    assert ("0.326 +/- 0.053" if encoding == "ascii" else "0.326 ± 0.053") in text


def test_names_are_text_and_never_markup(
    run_with: Callable[..., Run], band_with: Callable[..., BandResult]
) -> None:
    band = band_with(np.linspace(1e9, 2e9, 3))
    run = run_with("x", {"[bold]b[/]": band}, item={"id": "[red]A[/red]\x1b[2J"})
    text = printed([run], 80)
    assert "[red]A[/red]" in text
    assert "[bold]b[/]" in text
    assert "\x1b" not in text
