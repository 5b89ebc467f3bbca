"""What a night came to, in a sentence: counted by hand from what stands in its file."""

import json
import re

import numpy as np
import pytest

from harness.commands.reporting import told_in_a_message
from harness.evaluation.read_back import read_run
from harness.evaluation.run_analysis import finish
from harness.report.pages.run_page import render_page
from harness.report.words.night_words import night_sentence
from harness.run_file import take_up
from harness.run_file.run import Event
from tests.harness.made_runs import BAND, BEGIN, INTERVAL_S, Length, header, make_run

SWEEPS = 60
LENGTH = Length(SWEEPS, 11, check_every=30, through_sweeps=2, insert_every=100)
PLANNED = {"start": BEGIN - 1.0, "every_s": INTERVAL_S, "lasting_s": 65 * INTERVAL_S}
EVENTS = (
    ("schedule", json.dumps(PLANNED)),
    ("recovery", "starting afresh after: nothing came back"),
    ("recovery", "works again after 3.1 s: nothing came back"),
    ("recovery", "asked again on a fresh connection after: the line was lost"),
    ("missed", "4 ticks missed, 61 to 64 (07:00:00 to 07:03:00 UTC): the run was stopped"),
    ("missed", "1 tick missed, 65 (07:04:00 UTC): the run was stopped"),
)


def night(path, folder, events):
    """A run of sixty sweeps, one a minute, whose zero drifts by 0.36 mdB/h."""
    make_run(path, header(folder, 11), LENGTH)
    journal = take_up(path)
    for number, (kind, text) in enumerate(events):
        journal.event(Event(BEGIN + number, kind, text))
    journal.close()
    finish(path, "2027-01-15T16:00:00+00:00")
    return read_run(path)


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    folder = tmp_path_factory.mktemp("night")
    return night(folder / "x.h5", folder / "station", EVENTS)


def test_ticks_faults_drift_and_zero_are_told(run):
    told = night_sentence(run).removesuffix(".").split("; ")
    assert told[:2] == ["60 of 65 ticks made, 5 missed", "2 faults recovered"]
    assert told[2].startswith("drift ")
    assert told[2].endswith(" mdB/h")
    assert re.fullmatch(r"the zero moved by 0\.\d+ mdB at most", told[3])
    moved_mdb = float(told[3].split()[4])
    assert moved_mdb == pytest.approx(
        1e3 * np.abs(run.bands[BAND].stability.zero.change_db).max(), rel=0.05
    )


def test_message_and_page_say_it_first(run):
    assert told_in_a_message(run).endswith(night_sentence(run))
    page = render_page([run])
    ticks = page.index("ticks made")
    assert ticks < page.index(">Stability<") < page.index(">Result by band<")
    assert page.index(">Result by band<") < page.index(">Uncertainty budget<")


def test_no_other_run_speaks_of_ticks(tmp_path):
    run = night(tmp_path / "x.h5", tmp_path / "station", EVENTS[1:4])
    assert night_sentence(run) == ""
    assert told_in_a_message(run).startswith("overnight of PIG-0451: ")
    page = render_page([run])
    assert page.index(">Result by band<") < page.index(">Stability<")
