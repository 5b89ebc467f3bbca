"""Tests that forks carry out are counted and told as any, and a fork that dies is no success."""

from tests.forked_programs import PYTHON, carry_out

PROGRAM = """
import sys
from contextlib import nullcontext
from types import SimpleNamespace
import pytest
from tests import forked_workers
forked_workers.load = lambda: None
forked_workers.INTERPRETER = SimpleNamespace(used=nullcontext, address="none is needed")
options = ["--workers=2", "-p", "no:cacheprovider", "-p", "no:xdist", "--rootdir=."]
sys.exit(pytest.main([*options, *sys.argv[1:]], [forked_workers]))
"""
TESTS = {
    "test_1.py": "def test_good():\n    pass\n\ndef test_bad():\n    print('said by it')\n"
    "    found = 1\n    assert found == 2\n",
    "test_2.py": "import os\n\ndef test_deadly():\n    os.kill(os.getpid(), 9)\n\n"
    "def test_behind_it():\n    pass\n",
    "test_3.py": "import pytest\n\n@pytest.mark.parametrize('each', range(3))\n"
    "def test_many(each):\n    pass\n\ndef test_left_out():\n    pytest.skip('not here')\n",
}


def carried_out(folder, *arguments):
    for name, text in TESTS.items():
        (folder / name).write_text(text, "utf-8")
    return carry_out([PYTHON, "-c", PROGRAM, *arguments], cwd=folder, timeout=60)


def test_what_fails_is_told_and_a_worker_that_dies_is_a_failure(tmp_path):
    done = carried_out(tmp_path)
    assert done.returncode == 1, done.stdout + done.stderr
    assert "2 failed, 4 passed, 1 skipped" in done.stdout
    for text in ("FAILED test_1.py::test_bad", "assert found == 2", "said by it",
                 "FAILED test_2.py::test_deadly", "no other test of its file"):  # fmt: skip
        assert text in done.stdout


def test_all_is_well_or_the_first_failure_ends_it(tmp_path):
    done = carried_out(tmp_path, "test_3.py")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "3 passed, 1 skipped" in done.stdout
    assert carried_out(tmp_path, "--exitfirst").returncode == 1
