"""A diagnosis in words: what is wrong, where, how much, and what to look at."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import numpy as np

from harness.analysis.diagnosis.comparison import Comparison, compare
from harness.analysis.diagnosis.finding import Fault, Finding
from harness.report.words import numbers
from harness.run_file.run import BandResult, Run

FAULT_WORDS = {
    Fault.CABLE.value: "the cable's loss",
    Fault.LENGTH.value: "the cable's length",
    Fault.CONNECTOR.value: "a connector",
    Fault.RIPPLE.value: "two reflections",
    Fault.NOTCH.value: "a notch",
}


END_WORDS = {1: "first", 2: "second"}
"""The first is the one at the lead from the source, port 1."""


def finding_as_dict(finding: Finding) -> dict[str, Any]:
    """For JSON, with the sentences."""
    return {**asdict(finding), "sentences": finding_sentences(finding)}


def comparison_sentence(bands: Mapping[str, BandResult]) -> str:
    """Where loss and expected loss are furthest apart, counted in their uncertainty.

    Empty where nothing is expected.
    """
    found = [(name, compare(band)) for name, band in bands.items()]
    compared = [(name, one) for name, one in found if one is not None]
    if not compared:
        return ""
    name, worst = max(compared, key=lambda pair: _greatest(pair[1]))
    place = worst.worst_index
    difference = float(worst.difference_db[place])
    error = float(worst.normalized_error[place])
    amount = numbers.companion(abs(difference), float(worst.expanded_uncertainty_db[place]))
    says = (
        "the uncertainties explain that"
        if abs(error) <= 1.0
        else "the uncertainties do not explain that"
    )
    return (
        f"Furthest from what it should lose at {_frequency(worst.frequency_hz[place])} ({name}): "
        f"{amount} dB {'more' if difference >= 0.0 else 'less'}, E_n = {error:.1f}; {says}."
    )


def less_than_expected(bands: Mapping[str, BandResult]) -> str:
    """That an item loses clearly less than what it is made of should (E_n below -1 at half of the
    frequencies of a band), and what to look at; empty where it does not."""
    found = [(name, one) for name, band in bands.items() if (one := compare(band)) is not None]
    less = [(float(np.median(one.normalized_error)), name, one) for name, one in found]
    error, name, worst = min(less, key=lambda each: each[0], default=(0.0, "", None))
    if worst is None or error >= -1.0:
        return ""
    place = int(np.argmin(np.abs(worst.normalized_error - error)))
    amount = numbers.companion(
        abs(float(worst.difference_db[place])), float(worst.expanded_uncertainty_db[place])
    )
    return (
        f"It loses less than what it is made of should: {amount} dB less at "
        f"{_frequency(worst.frequency_hz[place])} ({name}), E_n = {error:.1f}. Is it this item, "
        "and was nothing between the leads while normalizing?"
    )


def finding_sentences(finding: Finding) -> list[str]:
    """Plain sentences; the first is enough for somebody in a hurry."""
    if not finding.is_accused:
        return ["Nothing in the shape of its loss speaks of a fault."]
    if finding.effect_db < 0.0:
        return _loses_too_little(finding)
    if finding.fault is None:
        best = sorted(finding.likelihoods, key=lambda fault: -finding.likelihoods[fault])[:2]
        told = " or ".join(
            f"{FAULT_WORDS[fault]} ({_percent(finding.likelihoods[fault])})" for fault in best
        )
        return [
            "Its loss is not that of a sound item, but the shape does not tell why: "
            f"no diagnosis. Likeliest: {told}."
        ]
    return [
        f"{_amount(finding)}; the shape says {_names(finding)}.",
        _look_at(finding),
        f"Probability {_percent(finding.probability)} among the faults that are looked for; a "
        f"sound item looks like this in {_rarely(finding.false_accusation)}.",
    ]


def _amount(finding: Finding) -> str:
    return (
        f"{_two_digits(abs(finding.effect_db))} dB "
        f"{'more' if finding.effect_db >= 0.0 else 'less'} than it should lose at "
        f"{_frequency(finding.frequency_hz)}"
    )


def _loses_too_little(finding: Finding) -> list[str]:
    """No fault of an item makes it lose less: what was measured is doubted first."""
    return [
        f"{_amount(finding)}; no fault makes an item lose less than a sound one.",
        "Was the item in, and nothing but the through when the zero was made? Then see whether it "
        "is the item that the items file states.",
        f"A sound item looks like this in {_rarely(finding.false_accusation)}.",
    ]


def finding_of_run(run: Run) -> list[str]:
    """Comparison and diagnosis of a finished run; nothing where nothing is expected."""
    said = [comparison_sentence(run.bands)] if run.finding is not None else []
    return said + ([] if run.finding is None else finding_sentences(run.finding))


def _names(finding: Finding) -> str:
    figures = finding.figures
    match Fault(finding.fault):
        case Fault.CONNECTOR:
            where = "" if finding.end is None else f" at the {END_WORDS[finding.end]} end"
            return f"connector or contact{where}, not cable{_of_contact(figures)}"
        case Fault.LENGTH:
            return (
                f"cable of another length, about {_metres(figures['length_m'])} instead of "
                f"{_metres(figures['stated_length_m'])}, and its delay agrees"
            )
        case Fault.CABLE:
            low, high = figures["loss_ratio_at_lowest"], figures["loss_ratio_at_highest"]
            factors = f"{low:.2g}" if f"{low:.2g}" == f"{high:.2g}" else f"{low:.2g} to {high:.2g}"
            return f"cable, not connector: {factors} times the loss that its length should have"
        case Fault.RIPPLE:
            return (
                f"two reflections about {_metres(figures['distance_m'])} apart, by a ripple with "
                f"a period of {_frequency(figures['ripple_period_hz'])}"
            )
        case Fault.NOTCH:
            return (
                f"a notch at {_frequency(figures['notch_hz'])}, as of irregularities that come "
                f"again every {_metres(figures['period_m'])}"
            )


def _of_contact(figures: Mapping[str, float]) -> str:
    ohm = figures.get("resistance_ohm")
    resistance = "" if ohm is None else f"about {_two_digits(ohm)} ohm"
    if "capacitance_f" in figures:
        return f", as of a gap in the inner conductor bridged by {resistance}"
    if "inductance_h" in figures:
        with_it = f" with {resistance}" if resistance else ""
        return f", as of an outer conductor that only touches{with_it}"
    return f", as of a contact of {resistance}" if resistance else ""


def _look_at(finding: Finding) -> str:
    figures = finding.figures
    match Fault(finding.fault):
        case Fault.CONNECTOR:
            which = "both connectors"
            if finding.end is not None:
                which = f"the connector that was at port {finding.end}"
            if "inductance_h" not in figures:
                return f"Look at crimp or solder, centre pin and torque of {which}."
            return (
                f"Look at ferrule, braid and coupling nut of {which}, and for one place near "
                "where the cable is squeezed."
            )
        case Fault.LENGTH:
            return "Measure the cable, or correct its length in the items file."
        case Fault.CABLE if finding.has_delay:
            if figures["loss_ratio_at_highest"] > 1.3 * figures["loss_ratio_at_lowest"]:
                return "It grows with frequency: look for water in the braid, or a wrong type."
            return "Look whether the cable is of the type that is stated, and for water in it."
        case Fault.CABLE:
            return (
                "Without phase, too long and too lossy look alike: measure its length, then see "
                "whether the type is the stated one, and for water in it."
            )
        case Fault.RIPPLE:
            return "Look for two squeezed or kinked places, or connectors, that far apart."
        case Fault.NOTCH:
            return (
                "Look for a pattern in the cable with that period (a machine's mark, regular "
                "ties), or for a branch that is open at its end."
            )


def _greatest(compared: Comparison) -> float:
    return float(np.max(np.abs(compared.normalized_error)))


def _frequency(frequency_hz: float) -> str:
    return numbers.frequency(float(f"{float(frequency_hz):.3g}"))


def _metres(length_m: float) -> str:
    if length_m < 1.0:
        return f"{float(f'{length_m * 1e3:.2g}'):g} mm"
    return f"{length_m:.2g} m" if length_m < 10.0 else f"{length_m:.0f} m"


def _two_digits(value: float) -> str:
    return f"{float(f'{value:.2g}'):g}"


def _percent(probability: float) -> str:
    return "over 99 %" if probability > 0.99 else f"{100.0 * probability:.0f} %"


def _rarely(probability: float) -> str:
    return (
        "fewer than 1 of 1000 cases"
        if probability < 1e-3
        else f"{100 * probability:.1f} % of cases"
    )
