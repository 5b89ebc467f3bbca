"""What a run has on the disk after every synchronization, and what it had reported done by then.

Recorded where the program synchronizes: the whole file is read as it then is. So what is known is
which pages differ between two synchronizations, not how often or in which order each was written
between them. That a page may have been caught between two writes of its own is covered by taking
sectors of it apart: states with 512-byte sectors, each old or new, are among those tried.
"""

from __future__ import annotations

import os
from contextlib import contextmanager
from dataclasses import dataclass, field
from unittest.mock import patch

from harness.run_file import journal, publishing
from harness.run_file.resumption import read_rows


@dataclass
class Recording:
    """Of one run: n synchronized states, and how many sweeps each holds, by band and kind."""

    states: list[bytes] = field(default_factory=list)
    done: list[dict] = field(default_factory=list)

    def note(self, file):
        """Keep what the descriptor of a file that was just synchronized reads."""
        handle = file.id.get_vfd_handle()
        self.states.append(os.pread(handle, os.fstat(handle).st_size, 0))
        self.done.append(read_rows(file) if "bands" in file else {})


@contextmanager
def recorded(recording):
    """Record the journal that is written meanwhile; closing it is the last change."""
    synchronize, close = publishing.synchronize, journal.RunJournal.close

    def noted(file):
        synchronize(file)
        recording.note(file)

    def closed(its):
        close(its)
        recording.states.append(its.path.read_bytes())
        recording.done.append(recording.done[-1])

    with (
        patch.object(journal, "synchronize", noted),
        patch.object(journal.RunJournal, "close", closed),
    ):
        yield
