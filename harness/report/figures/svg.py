"""Matplotlib drawings as SVG for the inside of a page: coloured by it, set in its type.

Colours are written as custom properties, so that one drawing serves light, dark and
print; ids carry the drawing's key, so that many stand in one page; neither date nor
chance enters, so that the same run gives the same bytes.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree

from harness.report.words import numbers

if TYPE_CHECKING:
    from matplotlib.figure import Figure

WIDTH = 400
"""Units across. Drawings are scaled to their column: 0.8 on a 360 px telephone."""

INK = "#010000"
MUTED = "#020000"
HAIRLINE = "#030000"
LOSS = "#040000"
EXPECTED = "#050000"
LIMIT = "#060000"
PAPER = "#070000"

_PROPERTY = {
    INK: "--ink",
    MUTED: "--muted",
    HAIRLINE: "--hairline",
    LOSS: "--loss",
    EXPECTED: "--expected",
    LIMIT: "--limit",
    PAPER: "--paper",
}
_UNITS_PER_INCH = 72
_TEXT_SIZE = 13.0
_SETTINGS: dict[Any, Any] = {
    "svg.fonttype": "none",
    "font.size": _TEXT_SIZE,
    "text.color": INK,
    "text.parse_math": False,
    "axes.edgecolor": HAIRLINE,
    "axes.labelcolor": MUTED,
    "axes.titlecolor": INK,
    "axes.titlesize": _TEXT_SIZE,
    "axes.titlelocation": "left",
    "axes.titlepad": 7.0,
    # where it comes to stand by itself, with no ticks above: looking for them costs time
    "axes.titley": 1.0,
    "axes.labelsize": _TEXT_SIZE,
    "axes.linewidth": 1.0,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.unicode_minus": True,
    "axes.formatter.useoffset": False,
    "axes.formatter.limits": (-6, 7),
    "grid.color": HAIRLINE,
    "grid.linewidth": 0.8,
    "xtick.color": HAIRLINE,
    "ytick.color": HAIRLINE,
    "xtick.labelcolor": MUTED,
    "ytick.labelcolor": MUTED,
    "xtick.labelsize": _TEXT_SIZE - 1,
    "ytick.labelsize": _TEXT_SIZE - 1,
    "legend.fontsize": _TEXT_SIZE - 1,
    "legend.frameon": False,
    "legend.handlelength": 1.4,
    "legend.columnspacing": 1.1,
    "legend.borderaxespad": 0.1,
    "lines.linewidth": 2.0,
}


def rendered(
    paint: Callable[[Figure], None],
    *,
    key: str,
    label: str,
    height: float,
) -> str:
    """The SVG element that `paint` draws on a figure `WIDTH` by `height` units.

    `key` must be unique in the page and fit for an id; `label` is what a screen reader
    says. The reader's own matplotlib settings are set aside meanwhile and then restored.
    """
    import io
    import warnings

    import matplotlib
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    with matplotlib.rc_context(), warnings.catch_warnings():
        # The page's own fonts set the text; what matplotlib's lacks only costs an estimate.
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(_SETTINGS | {"svg.hashsalt": key})
        figure = Figure(
            figsize=(WIDTH / _UNITS_PER_INCH, height / _UNITS_PER_INCH),
            layout="constrained",
        )
        FigureCanvasSVG(figure)
        paint(figure)
        _place_missing_labels(figure)
        layout = figure.get_layout_engine()
        assert layout is not None
        # with an engine saving would draw all once more, and once more again to get here
        layout.execute(figure)
        figure.set_layout_engine(None)
        drawn = io.StringIO()
        figure.savefig(drawn, format="svg", transparent=True, metadata={"Date": None})
    return _for_page(drawn.getvalue(), key, numbers.printable(label))


def _place_missing_labels(figure: Figure) -> None:
    """Say where the label of an axis without one is, lest it is sought among all its ticks."""
    for axes in figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            if not axis.get_label_text():
                axis.set_label_coords(0.0, 0.0)


def _for_page(document: str, key: str, label: str) -> str:
    root = ElementTree.fromstring(document)
    _drop_foreign_parts(root)
    view_box = root.attrib["viewBox"]
    root.attrib.clear()
    root.attrib.update({"viewBox": view_box, "role": "img", "aria-label": label, "class": "plot"})
    elements = list(root.iter())
    for element in elements:
        # An SVG inside HTML needs no namespaces, and plain href is SVG 2.
        element.tag = _local(element.tag)
        element.attrib = {_local(name): value for name, value in element.attrib.items()}
    referred = {
        name
        for element in elements
        for value in element.attrib.values()
        for name in re.findall(r"(?:url\(|^)#([\w.-]+)", value)
    }
    for element in elements:
        _adapt(element, key, referred)
    return ElementTree.tostring(root, encoding="unicode")


def _drop_foreign_parts(root: ElementTree.Element) -> None:
    # The metadata names the drawing program; the style would reach every SVG of the page.
    for parent in list(root.iter()):
        for child in list(parent):
            if _local(child.tag) in ("metadata", "style"):
                parent.remove(child)


def _adapt(element: ElementTree.Element, key: str, referred: set[str]) -> None:
    for name, value in list(element.attrib.items()):
        if name == "id":
            if value in referred:
                element.attrib["id"] = f"{key}-{value}"
            else:
                del element.attrib["id"]
        elif name == "href":
            element.attrib["href"] = f"#{key}-{value.removeprefix('#')}"
        elif name == "clip-path":
            element.attrib[name] = value.replace("url(#", f"url(#{key}-")
        elif name == "style":
            element.attrib[name] = _page_style(value)
        elif name in ("d", "x", "y", "transform"):
            element.attrib[name] = _shortened(value)
    if element.text is not None and not element.text.strip():
        element.text = None
    if element.tail is not None and not element.tail.strip():
        element.tail = None


def _page_style(style: str) -> str:
    kept = []
    for declaration in filter(None, (part.strip() for part in style.split(";"))):
        name, _, value = declaration.partition(":")
        size = re.search(r"[\d.]+px", value)
        if name == "font" and size:
            kept.append(f"font-size: {size.group()}")
        elif name != "font-family":
            kept.append(declaration)
    joined = "; ".join(kept)
    return re.sub(r"#0[1-7]0000", lambda match: f"var({_PROPERTY[match.group()]})", joined)


def _shortened(coordinates: str) -> str:
    # A hundredth of a unit is finer than any screen or printer; the files shrink by half.
    rounded = re.sub(
        r"\d+\.\d{3,}", lambda match: f"{float(match.group()):.2f}", coordinates.strip()
    )
    return " ".join(rounded.split())


def _local(name: str) -> str:
    return name.rpartition("}")[2]
