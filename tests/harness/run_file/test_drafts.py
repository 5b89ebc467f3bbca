"""Files under way: made new under names that nobody can foresee, and cleared away later."""

import os
import time

import numpy as np
import pytest

from drivers.errors import InputError
from drivers.sweep import S_PARAMETERS, Sweep
from harness.run_file import RunJournal, amend_run, finish_run, take_up
from harness.run_file.drafts import LEFT_BEHIND_S, draft_of
from harness.run_file.writer_lock import lock
from tests.harness.run_file.test_run_file import GRID, HEADER

PURPOSES = ("new", "taking-up", "finishing", "amending")


@pytest.fixture
def stopped(tmp_path):
    """A run with a sweep, not finished."""
    journal = RunJournal(tmp_path / "run.h5", HEADER, {"b": GRID}, S_PARAMETERS)
    journal.append("b", "insertions", 0, Sweep(GRID, S_PARAMETERS, np.ones((4, 7), complex), 1.0))
    journal.close()
    return journal.path


def test_a_planted_link_is_never_written_through(stopped, tmp_path):
    """Under every name that drafts ever had."""
    victim = tmp_path / "victim"
    victim.write_text("precious")
    for purpose in PURPOSES:
        stopped.with_name(f".{stopped.name}.{purpose}").symlink_to(victim)
    stopped.with_name(".more.h5.new").symlink_to(victim)
    take_up(stopped).close()
    RunJournal(tmp_path / "more.h5", HEADER, {"b": GRID}, S_PARAMETERS).close()
    with pytest.raises(ZeroDivisionError):
        finish_run(stopped, "2026-01-01T01:00:00+00:00", lambda group: 1 / 0)
    assert victim.read_text() == "precious"


def test_what_stands_under_a_name_that_was_drawn_is_left_alone(stopped, tmp_path, monkeypatch):
    monkeypatch.setattr("harness.run_file.drafts.secrets.token_hex", lambda count: "0" * 16)
    victim = tmp_path / "victim"
    victim.write_text("precious")
    stopped.with_name(f".{stopped.name}.taking-up-{'0' * 16}").symlink_to(victim)
    with pytest.raises(Exception, match="already there"):
        take_up(stopped)
    assert victim.read_text() == "precious"


@pytest.mark.parametrize(
    "write",
    [
        take_up,
        lambda path: finish_run(path, "now", lambda group: None),
        lambda path: amend_run(path, lambda journal: None, lambda draft: None),
    ],
)
def test_a_link_is_not_written_in_place_of(stopped, tmp_path, write):
    link = tmp_path / "link.h5"
    link.symlink_to(stopped)
    with pytest.raises(InputError, match="is a link"):
        write(link)
    assert link.is_symlink()


def test_leftovers_of_killed_processes_are_cleared(tmp_path):
    """Old ones that nobody holds; never a file of another name, a link, or a fresh one."""
    old = time.time() - LEFT_BEHIND_S - 60.0
    names = {
        "gone": (".a.h5.new-0123456789abcdef", ".b.h5.taking-up", ".c.h5.finishing",
                 ".d.h5.amending-0123456789abcdef.finishing-0123456789abcdef"),
        "kept": (".e.h5.newer", ".f.h5.new-xyz", "g.h5.new", ".h.h5", ".i.html.new"),
    }  # fmt: skip
    for name in (*names["gone"], *names["kept"], ".held.h5.new"):
        (tmp_path / name).write_bytes(b"")
        os.utime(tmp_path / name, (old, old))
    (tmp_path / ".fresh.h5.new").write_bytes(b"")
    (tmp_path / ".link.h5.new").symlink_to(tmp_path / ".h.h5")
    with (tmp_path / ".held.h5.new").open("r+b") as held:
        lock(held.fileno())
        draft_of(tmp_path / "run.h5", "new")
    left = {path.name for path in tmp_path.iterdir()}
    assert left == {*names["kept"], ".held.h5.new", ".fresh.h5.new", ".link.h5.new"}
