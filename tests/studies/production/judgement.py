"""What became of a lot of which the truth is known, read from its run files alone."""

from dataclasses import dataclass

import numpy as np
from scipy.stats import binom

from harness.evaluation.read_back import read_run
from harness.evaluation.standing import Standing, standing_of_run
from harness.evaluation.verification import verify

NOT_GOOD = (Standing.FAIL, Standing.CONDITIONAL_FAIL)
STATED_RISK = 0.0228
"""Of a fail outside a guard band of U for an item that is good: the tail of a normal distribution
beyond k = 2 (ILAC-G8:09/2019, 5.2)."""
IMPROBABLE = 0.001


@dataclass(frozen=True)
class Judgement:
    """Counts over a lot."""

    items: int
    measured: int
    """Serial numbers with a finished run."""
    unfinished: int
    """Run files that were broken off."""
    bad: int
    found: int
    good_failed: int
    wrong: tuple[str, ...]
    """What `tareline verify` finds wrong in any file."""
    with_two_checks: int
    """Newest runs that hold a check of the zero before and after."""

    @property
    def allowed_failures(self) -> int:
        """Good items that the stated risk lets fail."""
        return int(binom.ppf(1.0 - IMPROBABLE, self.items - self.bad, STATED_RISK))

    @property
    def is_kept(self) -> bool:
        """Whether all that was promised holds."""
        return (
            self.measured == self.items
            and self.found == self.bad
            and not self.wrong
            and self.good_failed <= self.allowed_failures
        )

    def __str__(self) -> str:
        return (
            f"{self.measured} of {self.items} measured, {self.unfinished} runs broken off; "
            f"{self.found} of {self.bad} bad found; {self.good_failed} good failed (at most "
            f"{self.allowed_failures} by the stated risk); {self.with_two_checks} with a check of "
            f"the zero before and after; verify finds {len(self.wrong)} files wrong"
        )


def judged(lot):
    """The judgement of a lot by the newest run of every item."""
    paths = sorted((lot.folder / "lot").glob("*.h5"))
    runs = [read_run(path) for path in paths]
    newest = {run.item["id"]: run for run in runs if run.finished}
    failed = {serial for serial, run in newest.items() if standing_of_run(run) in NOT_GOOD}
    checks = [
        min(len(np.unique(band.zero_time)) for band in run.bands.values())
        for run in newest.values()
    ]
    return Judgement(
        items=len(lot.serials),
        measured=len(newest.keys() & set(lot.serials)),
        unfinished=sum(not run.finished for run in runs),
        bad=len(lot.bad),
        found=len(failed & set(lot.bad)),
        good_failed=len(failed - set(lot.bad)),
        wrong=tuple(path.name for path in paths if verify(path).problems),
        with_two_checks=sum(count >= 2 for count in checks),
    )
