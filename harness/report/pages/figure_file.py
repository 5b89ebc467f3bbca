"""Drawings as a file of their own: an SVG picture, or a page around them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from html import escape
from importlib.resources import files
from pathlib import Path

from drivers.errors import InputError, UnwritableError
from harness.report.files.whole_file import write_whole
from harness.report.pages.frame import css_string
from harness.report.words import numbers

SUFFIXES = (".svg", ".html")
_GAP = 18
_SCALE = 1.6
"""Pixels for each unit of a picture that stands alone."""


def require_figure_name(path: Path) -> None:
    """Raise unless the file's name says which kind it is to be.

    Raises:
        InputError: it ends neither in .svg nor in .html.
    """
    if path.suffix.lower() not in SUFFIXES:
        raise InputError(
            f"--figure {str(path)!r} is neither a .svg nor a .html file",
            hint="name it like operating-characteristic.svg",
        )


def write_figure(
    drawings: Sequence[str], path: Path, title: str, sentences: Sequence[str] = ()
) -> None:
    """Write SVG elements of `harness.report.figures.svg.rendered` to `path`, by its suffix.

    A picture holds the drawings below each other, a page the sentences too.

    Raises:
        InputError: the suffix is neither.
        UnwritableError: the file cannot be written.
    """
    require_figure_name(path)
    make = _picture if path.suffix.lower() == ".svg" else _page
    text = make(drawings, numbers.printable(title), [numbers.printable(s) for s in sentences])
    try:
        write_whole(text, path)
    except OSError as error:
        raise UnwritableError(path, error) from error


def _picture(drawings: Sequence[str], title: str, sentences: Sequence[str]) -> str:
    placed, top, width = [], 0.0, 0.0
    for drawing in drawings:
        _, _, across, down = _view_box(drawing)
        placed.append(
            drawing.replace(
                "<svg ", f'<svg x="0" y="{top:g}" width="{across:g}" height="{down:g}" ', 1
            )
        )
        top += down + _GAP
        width = max(width, across)
    height = top - _GAP
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="-10 -10 {width + 20:g} {height + 20:g}" '
        f'width="{_SCALE * (width + 20):g}" height="{_SCALE * (height + 20):g}">\n'
        f"<title>{escape(title)}</title>\n"
        f"<style>{_colours()}\nsvg {{ font-family: var(--sans); }}</style>\n"
        '<rect x="-10" y="-10" width="100%" height="100%" style="fill: var(--paper)"/>\n'
        + "\n".join(placed)
        + "\n</svg>\n"
    )


def _page(drawings: Sequence[str], title: str, sentences: Sequence[str]) -> str:
    said = "\n".join(f"<p>{escape(numbers.typeset(each))}</p>" for each in sentences)
    shown = "\n".join(f"<figure>{drawing}</figure>" for drawing in drawings)
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(title)}</title>\n<style>{_style()}\n"
        "figure { max-width: 44rem; margin: 1.5rem 0; }\n"
        # two of the tall ones on a sheet
        "@media print { figure { max-width: 105mm; } }\n"
        f"@page {{ @bottom-left {{ content: {css_string(title)}; }} }}</style>\n</head>\n<body>\n"
        f"<h1>{escape(title)}</h1>\n{said}\n{shown}\n</body>\n</html>\n"
    )


def _view_box(drawing: str) -> tuple[float, float, float, float]:
    found = re.search(r'viewBox="([^"]+)"', drawing)
    if found is None:
        raise ValueError("a drawing without a viewBox")
    left, top, across, down = (float(part) for part in found.group(1).split())
    return left, top, across, down


def _style() -> str:
    return files("harness.report.pages").joinpath("page.css").read_text(encoding="utf-8")


def _colours() -> str:
    """The page's custom properties, for light and dark."""
    style = _style()
    dark = re.search(r"@media screen and \(prefers-color-scheme: dark\) \{\s*:root \{.*?\}\s*\}",
                     style, re.S)  # fmt: skip
    light = re.search(r":root \{.*?\}", style, re.S)
    return "\n".join(found.group() for found in (light, dark) if found)
