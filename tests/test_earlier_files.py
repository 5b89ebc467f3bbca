"""Files of earlier versions are read for ever: what was said of them then is said of them now.

The files, and what the command said of them, stand in `tests/earlier_files`; its README tells how
they were made.
"""

import gzip
import json
import re
import shutil
from html.parser import HTMLParser
from pathlib import Path

import h5py
import numpy as np
import pytest

from tests.harness.command_line import Started, tareline

FILES = Path(__file__).parent / "earlier_files"
PACKED = ".gz"
RUNS = sorted(path.name.partition(".")[0] for path in (FILES / "runs").iterdir())
STOPPED = ("night", "stopped-without-hashes")
"""Stopped runs, each in a folder with its station."""
RUN = "results/stopped.h5"
KEPT = {"normalization": ("making", 4), "insertions": ("insertion", 2)}
"""What sweeps are counted by, and how many of them each stopped run holds."""
STATUS = json.loads((FILES / "said" / "exit-status.json").read_text("utf-8"))

ADDED = {"to_be_measured_again": None, "measure again": 0}
"""Keys that were added since, and what they say of every one of these files."""
OTHER_SOFTWARE = "  it was analysed by other software"
"""Begins a note that depends on what reads: Python and libraries of other versions."""
DIGEST = "not what was written (their SHA-256 differs)"
DIGEST_CHANGED = (
    "a finished run of an earlier version is told to be not what was written: figures_sha256 is "
    "made of something else, or in another order, than when that file was written. What it is "
    "over is fixed for ever; read whatever else is needed past the digest"
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A copy of everything, unpacked; commands write beside what they read."""
    copy = shutil.copytree(FILES, tmp_path_factory.mktemp("earlier") / "files")
    for packed in copy.rglob(f"*{PACKED}"):
        packed.with_suffix("").write_bytes(gzip.decompress(packed.read_bytes()))
        packed.unlink()
    return copy


@pytest.fixture(scope="module")
def resumed(folder):
    """Copies of the stopped runs, gone on with to their end, and what was printed then."""
    places = {name: shutil.copytree(folder / name, folder / f"{name}-resumed") for name in STOPPED}
    started = {
        name: Started(("resume", RUN, "--json"), place, "") for name, place in places.items()
    }
    return {name: (places[name], process.finished()) for name, process in started.items()}


def every_run(folder):
    """Paths of all of them but copies, from `folder`."""
    places = (folder / name for name in ("runs", "lot", *STOPPED))
    return sorted(path.relative_to(folder) for place in places for path in place.rglob("*.h5"))


def said(name):
    """What the version before said."""
    return (FILES / "said" / name).read_text("utf-8")


def has_said(name, done):
    """Compare a command's JSON with what was said; figures to their last digit."""
    told = " ".join((done.stdout + done.stderr).split())
    if DIGEST in told:
        pytest.fail(f"{name}: {DIGEST_CHANGED}\n{told}")
    assert done.returncode == STATUS[name], done.stderr
    now = as_then(json.loads(done.stdout))
    # as values first, which shows what differs; then keys, their order and every digit
    assert now == json.loads(said(name))
    assert f"{json.dumps(now, ensure_ascii=False)}\n" == said(name)


def as_then(value):
    """Without the keys that were added since."""
    if isinstance(value, list):
        return [as_then(each) for each in value]
    if isinstance(value, dict):
        return {
            key: as_then(each)
            for key, each in value.items()
            if key not in ADDED or each != ADDED[key]
        }
    return value


def has_verified(name, done):
    """Compare what `verify` printed; but for a note on who reads."""
    assert done.returncode == STATUS[name], done.stderr
    # what goes on with the line before it is indented by four
    found, expected = (
        [part for part in re.split(r"\n(?!    )", text) if not part.startswith(OTHER_SOFTWARE)]
        for text in (done.stdout, said(name))
    )
    assert found == expected


class Words(HTMLParser):
    """The words of a page, a line for each piece of text."""

    def __init__(self):
        super().__init__()
        self.lines = []
        self._is_text = True

    def handle_starttag(self, tag, attrs):
        self._is_text = tag not in ("style", "script")

    def handle_endtag(self, tag):
        self._is_text = True

    def handle_data(self, data):
        if self._is_text and data.strip():
            self.lines.append(" ".join(data.split()))


def words_of(page):
    """The words of a page, a line for each piece of text."""
    words = Words()
    words.feed(page.read_text("utf-8"))
    return "\n".join(words.lines) + "\n"


def test_figures_are_the_same(folder):
    """Of every file, those of lots and stopped runs too."""
    has_said("report.json", tareline("report", *every_run(folder), "--json", folder=folder))


def test_verify_says_the_same(folder):
    has_verified("verify.txt", tareline("verify", *every_run(folder), folder=folder))


@pytest.mark.parametrize("name", RUNS)
def test_the_certificate_is_the_same(folder, name):
    page = folder / f"{name}.html"
    options = ("--details", folder / "certificate.toml", "--page", page)
    done = tareline("certificate", f"{name}.h5", *options, folder=folder / "runs")
    assert done.returncode == STATUS[f"{name}.certificate.txt"], done.stderr
    assert words_of(page) == said(f"{name}.certificate.txt")


@pytest.mark.parametrize("name", RUNS)
def test_every_file_is_a_lot(folder, name):
    """Which reads it in another way than the report of a run does."""
    lot = folder / "lots" / name
    lot.mkdir(parents=True)
    shutil.copyfile(folder / "runs" / f"{name}.h5", lot / f"{name}.h5")
    has_said(f"{name}.lot.json", tareline("report", name, "--json", folder=lot.parent))


def test_the_digest_of_the_figures_is_over_what_it_was(folder):
    """Were one attribute more read into it, every earlier run would count as damaged. That it is
    compared at all is told of each file by itself: those without one are said to have none."""
    has_said("runs.lot.json", tareline("report", "runs", "--json", folder=folder))


def test_a_lot_is_the_same(folder):
    has_said("lot.lot.json", tareline("report", "lot", "--json", folder=folder))


@pytest.mark.parametrize("name", STOPPED)
def test_a_stopped_run_is_gone_on_with(folder, resumed, name):
    """To its end, and nothing of what was swept before is another."""
    place, done = resumed[name]
    assert done.returncode == 0, done.stderr
    with (
        h5py.File(folder / name / RUN, libver="latest", swmr=True) as before,
        h5py.File(place / RUN, libver="latest") as after,
    ):
        assert not before.attrs["finished"]
        assert after.attrs["finished"]
        for band, kinds in before["bands"].items():
            for kind, (index, kept) in KEPT.items():
                old, new = kinds[kind], after[f"bands/{band}/{kind}"]
                assert np.count_nonzero(np.isfinite(old["time"][()])) == kept
                assert len(new["time"]) > kept
                for part in ("readings", "time", index):
                    np.testing.assert_array_equal(new[part][:kept], old[part][:kept])
        events = before["events"][()]
        np.testing.assert_array_equal(after["events"][: len(events)], events)
    has_verified(f"{name}.resumed-verify.txt", tareline("verify", RUN, folder=place))


def test_a_night_that_was_gone_on_with_has_the_same_figures(resumed):
    """Its simulated bench goes on in its own time and gives the same readings bit for bit; that of
    the run without hashes does not tell its start, and goes on in the time of the day."""
    place, done = resumed["night"]
    has_said("night.resumed.json", done)
    has_said("night.resumed.json", tareline("report", RUN, "--json", folder=place))


def test_a_run_of_the_second_rules_keeps_its_figures(folder):
    """By those a reflection that nobody knows was total; now it is what the item's loss allows."""
    run = "second-rules/s21-alone.h5"
    done = tareline("report", run, "--json", folder=folder)
    assert done.stdout == said("../second-rules/said.json")
    assert tareline("verify", run, folder=folder).returncode == 0
