"""Method and marks in what people see."""

from dataclasses import replace

import numpy as np

from harness.report.pages.run_page import render_page
from harness.report.tables.run_table import print_runs
from harness.report.words.validity import how_combined, marks_of

MARK = "Between checks 1 and 2 the zero moved by 0.120 dB"


def changed(run, **changes):
    return replace(run, bands={name: replace(b, **changes) for name, b in run.bands.items()})


def test_the_gum_is_named(good_run):
    earlier = changed(good_run, published_dof=None)
    assert how_combined(earlier) == "Combined by the GUM (JCGM 100:2008)."


def test_the_rule_of_k_stands_beside_the_published_one(good_run):
    """Both numbers of degrees of freedom of each band, so that k can be worked out again."""
    said = how_combined(
        replace(
            good_run,
            bands={
                name: replace(
                    band,
                    effective_dof=np.full_like(band.frequency_hz, 7.25),
                    published_dof=np.full_like(band.frequency_hz, 12.5),
                )
                for name, band in good_run.bands.items()
            },
        )
    )
    assert "upper 70 % limit" in said
    assert "Welch and Satterthwaite (GUM G.4)" in said
    assert said.count("(12") == len(good_run.bands)


def test_monte_carlo_says_whether_the_gum_is_validated(good_run):
    points = [len(band.frequency_hz) for band in good_run.bands.values()]
    by_trials = changed(
        good_run, method="monte carlo", trials=160_000, gum_validated=True,
        gum_difference_db=np.full(points[0], 0.001),
    )  # fmt: skip
    said = how_combined(by_trials)
    assert "160,000 trials" in said
    assert "same intervals" in said
    first = next(iter(good_run.bands))
    differing = dict(by_trials.bands)
    differing[first] = replace(
        differing[first], gum_validated=False, gum_difference_db=np.full(points[0], 0.0123)
    )
    said = how_combined(replace(by_trials, bands=differing))
    assert f"not validated by it (JCGM 101, 8.1): {first} (up to 0.012 dB)" in said


def test_marks_stand_in_table_and_page(good_run, capsys):
    from rich.console import Console

    marked = changed(good_run, zero_marks=(MARK,))
    assert marks_of(good_run) == []
    assert len(marks_of(marked)) == len(good_run.bands)
    print_runs([marked], Console(width=200))
    assert MARK in capsys.readouterr().out
    page = render_page([marked])
    assert "marked:" in page
    assert "0.120" in page
