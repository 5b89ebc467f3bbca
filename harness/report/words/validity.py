"""What a reader must know before trusting U: how it was found, and what the zero did."""

from __future__ import annotations

from drivers.quantities import counted
from harness.analysis.uncertainty.budget import VARIANCE_CONFIDENCE
from harness.evaluation.standing import Standing, standing_of_band, worst_point
from harness.report.words import numbers
from harness.report.words.sentences import again_sentence, told_doubts
from harness.run_file.run import BandResult, Run


def marks_of(run: Run) -> list[tuple[str, str]]:
    """What the zero did that the station does not allow, with the band it was seen in."""
    return [(name, mark) for name, band in run.bands.items() for mark in band.zero_marks]


def doubts_of(run: Run) -> list[str]:
    """Sentences on what keeps a finished run from being certified, until somebody has read them."""
    said = [again_sentence(run)] if run.wanted_again else []
    silent = [n for n, b in run.bands.items() if standing_of_band(b) is Standing.NO_VERDICT]
    if silent:
        said.append(f"No verdict in {', '.join(silent)}, although there is a limit.")
    said += told_doubts(doubt for band in run.bands.values() for doubt in band.doubts)
    return said + [f"Marked, {name}: {mark}." for name, mark in marks_of(run)]


def how_combined(run: Run) -> str:
    """Plain sentences on the method, and how the two methods compare where both were used."""
    by_trials = {name: b for name, b in run.bands.items() if b.method == "monte carlo"}
    if not by_trials:
        return f"Combined by the GUM (JCGM 100:2008). {rule_of_k(run)}".rstrip()
    trials = max(band.trials for band in by_trials.values())
    said = (
        f"Their distributions were propagated by Monte Carlo (JCGM 101:2008), with up to "
        f"{counted(trials, 'trial')} at each frequency."
    )
    differing = {name: b for name, b in by_trials.items() if b.gum_validated is False}
    if not differing:
        return f"{said} The GUM (JCGM 100:2008) gives the same intervals within JCGM 101, 8.1."
    named = ", ".join(f"{name} (up to {_difference(b)} dB)" for name, b in differing.items())
    return f"{said} The GUM's intervals are not validated by it (JCGM 101, 8.1): {named}."


def rule_of_k(run: Run) -> str:
    """By what rule k follows, beside the published one; empty for runs under the first rules."""
    known = {name: b for name, b in run.bands.items() if b.published_dof is not None}
    if not known:
        return ""
    told = "; ".join(f"{name} {_both_dofs(band)}" for name, band in known.items())
    return (
        "k is Student's t for effective degrees of freedom that take every estimated variance at "
        f"its upper {100 * VARIANCE_CONFIDENCE:.0f} % limit, a rule of this program; with those "
        f"of Welch and Satterthwaite (GUM G.4) in brackets: {told}."
    )


def _both_dofs(band: BandResult) -> str:
    """At the point that is stated: ours, and the published ones."""
    if band.published_dof is None:
        raise AssertionError("only bands that state the published ones are told of")
    index = worst_point(band).index
    ours, theirs = float(band.effective_dof[index]), float(band.published_dof[index])
    return f"{numbers.degrees_of_freedom(ours)} ({numbers.degrees_of_freedom(theirs)})"


def _difference(band: BandResult) -> str:
    if band.gum_difference_db is None:
        raise AssertionError("a band that was compared has differences")
    return f"{band.gum_difference_db.max():.2g}"
