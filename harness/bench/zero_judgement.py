"""Whether the zero of a run that goes on is still where it was, and what is said about it.

The sweeps of a check that found it moved are kept and marked suspect, so that a further resume
compares with the last zero that was in order.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from drivers.errors import ZeroMovedError
from harness.analysis.loss.loss import level_db, transmission_row
from harness.bench.sweep_times import TimesOf
from harness.bench.takeover import Takeover
from harness.run_file import INDEX, Kind, RunJournal, read_making
from harness.station.station import Station
from harness.station.zero_allowance import allowed_change_db


@dataclass(frozen=True)
class GoingOn:
    """A run file that is written again, and the station that is to be as it was."""

    journal: RunJournal
    station: Station
    rows: Mapping[tuple[str, Kind], int]
    """How many sweeps of each kind the file held when it was taken up, by band."""
    times: TimesOf
    """When those of them that can be true were made."""
    kept: int
    """How many of them can be true."""

    def first_rows(self, kind: Kind, number: int) -> dict[tuple[str, Kind], int]:
        """From which row on a making or an insertion, the last one, was swept; by band where it
        was."""
        rows: dict[tuple[str, Kind], int] = {}
        with self.journal.open_for_reading() as file:
            for band, group in file["bands"].items():
                numbers = group[kind][INDEX[kind]][()]
                if number in numbers:
                    rows[band, kind] = int(np.argmax(numbers == number))
        return rows

    def judge(self, takeover: Takeover, *, is_extra: bool) -> str:
        """Compare the zero with the last making before the stop; returns what to record.

        What may change is `allowed_change_db`.

        Raises:
            ZeroMovedError: it has moved more, in some band.
        """
        said = [f"gone on with {self.kept} sweeps kept"]
        if not takeover.reference:
            said.append("there was no zero before to compare with")
        else:
            said.append(self._compared(takeover.reference, takeover.making))
        if takeover.broken_making is not None:
            said.append(
                f"making {takeover.broken_making + 1} of the through was not whole; making "
                f"{takeover.making + 1} follows it"
            )
        if takeover.broken_insertion is not None:
            said.append(
                f"insertion {takeover.broken_insertion + 1} was broken off; insertion "
                f"{takeover.insertion + 1} replaces it"
            )
        elif is_extra:
            said.append(f"insertion {takeover.insertion + 1} is a new one")
        return "; ".join(said)

    def _compared(self, before: Mapping[str, int], now: int) -> str:
        found: list[tuple[float, str]] = []
        for band, making in before.items():
            with self.journal.open_for_reading() as file:
                old, new = (read_making(file, band, each) for each in (making, now))
            if old is None or new is None:
                continue
            row = transmission_row(old.traces)
            change_db = np.abs(
                level_db(new.readings[:, row]).mean(axis=0)
                - level_db(old.readings[:, row]).mean(axis=0)
            )
            worst = int(np.argmax(change_db))
            moved_db = float(change_db[worst])
            allowed_db = allowed_change_db(self.station, new.time - old.time)
            place = f"band {band}, {new.frequency_hz[worst] / 1e6:.6g} MHz"
            text = f"the zero has moved by {moved_db:.4f} dB ({place}), {allowed_db:.4f} dB allowed"
            if moved_db > allowed_db:
                raise ZeroMovedError(
                    f"{text}: the run cannot go on with it; all its sweeps are kept, those of this "
                    "check are marked",
                    where=str(self.journal.path),
                    hint="Is the item still in? If not, look for the cause (warm-up, a lead, a "
                    "loose joint, a setting) and resume again, or measure the item anew",
                )
            found.append((moved_db, text))
        return max(found)[1] if found else "no band's zero was there before to compare with"
