"""From a figure to a piece of SVG that can stand inside a page: the same bytes for the same figures, and no markup in names.

The drawing library is an optional extra and a second of loading, so it is imported only when something is drawn. Its
text stays text, which the page sets in its own type.
"""

import io
import re
import warnings
import xml.etree.ElementTree as ET
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from daq.errors import InputError
from daq.printable import printable
from daq.report.markup import Markup, element

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.typing import RcKeyType

# The page's ink, and colour for what is meant only.
INK, SOFT, RULE, SHADE = "#1c1a17", "#5d574e", "#cdc6b9", "#e9e4d9"
SETTLED, ACTION, DANGER = "#1c6a36", "#0b559f", "#b0201a"

WIDTH_IN = 4.6
"""Narrow enough to be read on a telephone; wider screens show several side by side."""

_STYLE: "dict[RcKeyType, Any]" = {
    "svg.fonttype": "none",
    # A condition may be called what it likes.
    "text.parse_math": False,
    "font.size": 10.0,
    # Of several it would write all into each word; the page's own is set anyway.
    "font.family": "DejaVu Sans",
    "text.color": INK,
    "axes.labelcolor": SOFT,
    "axes.labelsize": 9.5,
    "axes.edgecolor": RULE,
    "axes.facecolor": "none",
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.titlesize": 10.5,
    "axes.titlelocation": "left",
    "axes.titlepad": 4.0,
    "axes.formatter.useoffset": False,
    "axes.unicode_minus": True,
    "figure.facecolor": "none",
    "savefig.facecolor": "none",
    "xtick.color": SOFT,
    "ytick.color": SOFT,
    "xtick.labelsize": 9.5,
    "ytick.labelsize": 9.5,
    "legend.frameon": False,
    "path.simplify": True,
}
_SVG = "http://www.w3.org/2000/svg"
_XLINK = "http://www.w3.org/1999/xlink"
_REFERENCE = re.compile(r"#([\w-]+)")
_PLACES = {"d", "x", "y", "width", "height", "points", "transform"}
_LONG_NUMBER = re.compile(r"-?\d+\.\d{2,}")
_LONGEST = 44
_STEPS = [1.0, 2.0, 2.5, 5.0, 10.0]


def drawn(
    draw: "Callable[[Figure], None]", *, name: str, height_in: float, says: str
) -> Markup:
    """Draw a figure as SVG.

    Args:
        draw: Puts the content into an empty figure.
        name: Tells figures of one page apart.
        height_in: Of the figure [in].
        says: What it shows, for those who cannot see it.

    Raises:
        InputError: If the drawing library is not installed.
    """
    try:
        import matplotlib as mpl  # a second of loading, and not everybody has it
        from matplotlib.figure import Figure
    except ImportError as exc:
        msg = "a report needs a library that is not installed, expected: pip install matplotlib"
        raise InputError(msg) from exc
    written = io.BytesIO()
    with mpl.rc_context(), warnings.catch_warnings():
        # A name may hold letters that the library's own type lacks; the page's type shows them.
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        # Nor do the user's own settings of the library count.
        mpl.rcdefaults()
        mpl.rcParams.update({**_STYLE, "svg.hashsalt": name})
        figure = Figure(figsize=(WIDTH_IN, height_in))
        draw(figure)
        metadata = dict.fromkeys(("Date", "Creator", "Format", "Type"))
        figure.savefig(written, format="svg", metadata=metadata)
    return _inline(written.getvalue().decode(), says)


def figure_of(svg: Markup) -> Markup:
    """A drawing as an element of the page."""
    return element("figure", svg, class_="plot")


def shortened(text: str) -> str:
    """A name that fits beside others in a drawing."""
    whole = " ".join(printable(text).split())
    return whole if len(whole) <= _LONGEST else f"{whole[: _LONGEST - 1]}…"


def few_ticks(axes: "Axes", *, x: int = 5, y: int = 4) -> None:
    """Few, round ticks on both axes."""
    from matplotlib.ticker import MaxNLocator  # as above

    axes.xaxis.set_major_locator(MaxNLocator(x, steps=_STEPS))
    axes.yaxis.set_major_locator(MaxNLocator(y, steps=_STEPS))


def _inline(text: str, says: str) -> Markup:
    ET.register_namespace("", _SVG)
    ET.register_namespace("xlink", _XLINK)
    root = ET.fromstring(text[text.index("<svg") :])  # noqa: S314 - written by our own drawing a moment ago
    _drop(root, {f"{{{_SVG}}}metadata", f"{{{_SVG}}}style"})
    referred = _references(root)
    for each in root.iter():
        _slim(each, referred)
    for key in ("width", "height", "version"):
        root.attrib.pop(key, None)
    root.attrib |= {"role": "img", "aria-label": printable(says)}
    return Markup(ET.tostring(root, encoding="unicode"))


def _slim(each: ET.Element, referred: set[str]) -> None:
    """Leave out what nobody sees: names nobody refers to, indents, the fifth decimal."""
    each.attrib = {
        key: _shorter(value) if key in _PLACES else value
        for key, value in each.attrib.items()
        if key != "id" or value in referred
    }
    if not (each.tail or "").strip():
        each.tail = None
    if len(each) and not (each.text or "").strip():
        each.text = None


def _shorter(place: str) -> str:
    return " ".join(_LONG_NUMBER.sub(_rounded, place).split())


def _drop(root: ET.Element, tags: set[str]) -> None:
    for parent in list(root.iter()):
        for child in list(parent):
            if child.tag in tags:
                parent.remove(child)


def _references(root: ET.Element) -> set[str]:
    return {
        name
        for each in root.iter()
        for key, value in each.attrib.items()
        if key.endswith("href") or "url(" in value
        for name in _REFERENCE.findall(value)
    }


def _rounded(number: re.Match[str]) -> str:
    text = f"{float(number[0]):.1f}".removesuffix(".0")
    return "0" if text == "-0" else text
