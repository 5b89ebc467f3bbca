"""A few of the stop signals of `python -m tests.studies.survival`, and that it would notice one
that had no effect."""

import signal
from types import SimpleNamespace

import numpy as np
import pytest

from drivers.stop_signals import StopSignals
from tests.studies.survival.place import Place
from tests.studies.survival.stopping import (
    COMMANDS,
    LATE,
    UNHEEDED,
    StoppingPlace,
    stop_trial,
    until_swept,
)


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    place = Place(tmp_path_factory.mktemp("stopping"))
    yield StoppingPlace(place)
    place.close()


@pytest.mark.parametrize(
    ("name", "number"),
    [
        ("qualify", signal.SIGHUP),
        pytest.param("report", signal.SIGTERM, marks=pytest.mark.long),
        pytest.param("resume", signal.SIGINT, marks=pytest.mark.long),
    ],
)
def test_a_stop_signal_ends_the_command_in_order(place, name, number):
    # how long it takes is for the study, on a machine that has nothing else to do
    wait = until_swept if name == "qualify" else None
    problems = stop_trial(place, name, number, np.random.default_rng(5), wait).problems
    assert [kind for kind, _ in problems if kind != LATE] == []


def test_a_signal_without_effect_would_be_noticed(place, monkeypatch):
    monkeypatch.setattr(StopSignals, "look", lambda signals: None)
    # long enough that much is left to sweep when the signal comes, on a busy machine too
    monkeypatch.setitem(COMMANDS, "qualify", (*COMMANDS["qualify"], "--insertions", "20"))
    once = SimpleNamespace(random=lambda: 1.0)
    outcome = stop_trial(place, "qualify", signal.SIGTERM, once, until_swept)
    assert UNHEEDED in {kind for kind, _ in outcome.problems}
