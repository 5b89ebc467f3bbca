"""A production bench for tests: one short band, and somebody at a terminal who does as asked."""

import re

from drivers.instruments.hand import Hand
from drivers.link.link import Link
from harness.evaluation.read_back import read_run
from tests.harness.set_ups import replace
from tests.harness.short_run import station_on
from tests.studies.production.at_a_terminal import AtATerminal

KIND = """
[kinds.pigtail-300]
made_of = ["RG-316 300 mm", "2 x SMA"]
length_limits = "3 mm"
limits = { telemetry-868 = "0.48 dB" }
"""
GOOD, BAD = ("PIG-0701", "PIG-0702", "PIG-0703", "PIG-0705"), "PIG-0704"
ASKED = re.compile(rb"Enter when it is done, or /help: $|Serial number, or /stop: $"
                   rb"|Enter leaves it: $|/sure if it was right: $")  # fmt: skip


HANDS_FREE = '[hands_free]\npower = "-30 dBm"\nlook_every = "{}"\n\n[zero]'


def production_station(bench, folder, *, by_hand=False, set_up="vector", look_every="2 s"):
    """A station on a running bench; `by_hand` it does not know that the bench is simulated, so
    that a person is asked for every connection."""
    station_on(bench, folder, set_up)
    items = folder / "items.toml"
    text = items.read_text("utf-8")
    items.write_text(re.sub(r"\[kinds\..*?\n(?=\n)", KIND, text, flags=re.S), "utf-8")
    if by_hand:
        station = folder / "station.toml"
        text = station.read_text("utf-8")
        station.write_text(re.sub(r"\[simulation\]\n.*?\n(?=\n)", "", text, flags=re.S), "utf-8")
    if set_up == "vector":
        replace(folder / "station.toml", ("[zero]", HANDS_FREE.format(look_every)))


def runs_of(folder):
    """Every run of a lot in the order of its beginning."""
    return [read_run(path) for path in sorted(folder.glob("*.h5"))]


class AtTheBench(AtATerminal):
    """An operator whose connections are made by the bench's hand, and who answers prompts."""

    def __init__(self, bench, folder, *arguments, procedure="spot-check"):
        super().__init__(["run", procedure, *arguments], folder, from_nothing=False)
        link = Link(bench.addresses["hand"])
        self._hand = Hand(link)
        self._hand.open()
        self._seen = 0

    def prompt(self):
        """What was shown since the last answer, up to the next prompt."""
        ended = self.read(lambda: ASKED.search(self.shown[self._seen :]) is not None, 60.0)
        assert not ended, self.shown.decode()
        shown, self._seen = self.shown[self._seen :].decode(), len(self.shown)
        return shown

    def shows(self, words):
        """Wait until words are shown."""
        assert not self.read(lambda: words.encode() in self.shown[self._seen :], 60.0), self.shown
        self._seen = len(self.shown)

    def does(self, what):
        """Connect the through, nothing, or an item."""
        if what == "through":
            self._hand.connect_through()
        elif what == "nothing":
            self._hand.open_leads()
        else:
            self._hand.connect_item(what)

    def ended(self):
        """What else was shown, and the exit status."""
        self.read()
        return self.shown[self._seen :].decode(), self.finished()

    def close(self):
        """End it, whatever became of it."""
        self._hand.close()
        super().close()
