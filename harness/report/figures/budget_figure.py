"""The uncertainty budget as bars; an SVG element for the inside of a page.

Every text and bar has its place beforehand, so that nothing needs to be laid out.
"""

from __future__ import annotations

import textwrap
from xml.etree.ElementTree import Element, SubElement, tostring

import numpy as np

from harness.evaluation.standing import worst_index
from harness.report.figures.svg import WIDTH
from harness.report.words import numbers
from harness.report.words.sentences import greatest_first
from harness.run_file.run import BandResult

_STEP = 38
_BELOW = 8
_BASELINE = 17
_BAR_TOP, _BAR_HEIGHT = 23.5, 9
_MOST_LETTERS = 44
_COLOUR = {"A": "--loss", "B": "--expected"}


def budget_figure(name: str, band: BandResult) -> str:
    """Standard uncertainties at the worst point, greatest first, and their combination."""
    index = worst_index(band)
    rows = [
        (
            f"{line.name} ({line.type})",
            float(line.standard_uncertainty_db[index]),
            _COLOUR[line.type],
        )
        for line in greatest_first(band)
    ]
    combined = float(band.standard_uncertainty_db[index])
    rows.append(("combined standard uncertainty", combined, "--ink"))
    longest = max((u for _, u, _ in rows if np.isfinite(u)), default=0.0)
    said = ", ".join(f"{label} {numbers.two_digits(u)} dB" for label, u, _ in rows)
    where = numbers.frequency(float(band.frequency_hz[index]))
    label = numbers.printable(f"Uncertainty budget of {name} at {where}: {said}.")
    box = f"0 0 {WIDTH} {_STEP * len(rows) + _BELOW}"
    svg = Element("svg", {"viewBox": box, "role": "img", "aria-label": label, "class": "plot"})
    for place, row in enumerate(rows):
        _add_row(svg, _STEP * place, *row, longest)
    return tostring(svg, encoding="unicode")


def _add_row(svg: Element, top: int, label: str, u: float, colour: str, longest: float) -> None:
    written = {"y": str(top + _BASELINE), "style": "font-size: 13px; fill: var(--ink)"}
    words = SubElement(svg, "text", {"x": "0"} | written)
    words.text = textwrap.shorten(numbers.printable(label), _MOST_LETTERS, placeholder=" …")
    figure = SubElement(svg, "text", {"x": str(WIDTH), "text-anchor": "end"} | written)
    figure.text = f"{numbers.two_digits(u)} dB"
    _add_bar(svg, top, WIDTH, "fill: var(--hairline); opacity: 0.45")
    if np.isfinite(u) and longest > 0.0:
        _add_bar(svg, top, WIDTH * u / longest, f"fill: var({colour})")


def _add_bar(svg: Element, top: int, width: float, style: str) -> None:
    place = {"x": "0", "y": f"{top + _BAR_TOP:g}", "height": str(_BAR_HEIGHT)}
    SubElement(svg, "rect", place | {"width": f"{width:.2f}", "style": style})
