"""A person at the bench who does as the prompts say, but for the lies of a scenario."""

import re

from tests.harness.production_bench import ASKED, AtTheBench
from tests.studies.wrong_readings.scenarios import ALWAYS, SAME

JOIN = re.compile(r"[Jj]oin (?:the )?two leads|[Jj]oin the leads")
PUT = re.compile(r"Put (\S+) between the leads|Undo (\S+), connect it again")
CONTROL = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]|[━╸╺]+")
PROMPTS = 40
"""More than any of these runs has: a person who is asked for ever does not go on for ever."""


class Person(AtTheBench):
    """Carries a command out to its end.

    `lies` says what is done instead at the n-th prompt (from 1) for the "through" or an "item";
    "nothing is done" leaves all as it is. `typed` are the lines at prompts for a serial number;
    `ahead` is typed while the first sweeps are made.
    """

    def __init__(self, bench, folder, *arguments, procedure, lies, typed=(), ahead=""):
        super().__init__(bench, folder, *arguments, procedure=procedure)
        self.prompts = 0
        self._ahead = ahead
        self._lies = dict(lies)
        self._typed = iter(typed)
        self._asked = {"through": 0, "item": 0}

    def carries_out(self):
        """All that was shown, and the exit status."""
        for _ in range(PROMPTS):
            if self.read(lambda: ASKED.search(self.shown[self._seen :]) is not None, 60.0):
                break
            self._answer(self.shown[self._seen :].decode())
        else:
            self.type("/stop")
        self.read()
        return " ".join(CONTROL.sub(" ", self.lines().decode()).split()), self.finished()

    def _answer(self, shown):
        self._seen = len(self.shown)
        self.prompts += 1
        if shown.rstrip().endswith("/stop:"):
            self.type(next(self._typed, "/stop"))
            return
        wanted = [("through", match.start(), "through") for match in JOIN.finditer(shown)]
        wanted += [("item", m.start(), m[1] or m[2]) for m in PUT.finditer(shown)]
        if wanted:
            kind, _, done = max(wanted, key=lambda each: each[1])
            self._asked[kind] += 1
            always = self._lies.get((kind, ALWAYS), done)
            done = self._lies.get((kind, self._asked[kind]), always)
            if done != SAME:
                self.does(done)
        self.type("")
        if self._ahead and wanted:
            self.shows("normalizing")
            self.sends(self._ahead.encode())
            self._ahead = ""
