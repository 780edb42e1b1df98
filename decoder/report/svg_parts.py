"""Pictures as SVG that stands within an HTML document: no styles or names that reach beyond it, light and dark.

Pictures are drawn in the stand-in colours below. Here they become custom properties of the document's style, so that
one picture fits light and dark screens and paper.
"""

from __future__ import annotations

import io
import re
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final
from xml.etree import ElementTree as ET  # reads only what was drawn here

from markupsafe import Markup

if TYPE_CHECKING:
    from collections.abc import Iterator

    from matplotlib.figure import Figure

# Stand-in -> the property that the document's style gives a value.
INK: Final = "#010101"
SOFT: Final = "#020202"
FAINT: Final = "#030303"
PAPER: Final = "#040404"
BAND: Final = "#050505"
LINES: Final = ("#060601", "#060602", "#060603", "#060604", "#060605", "#060606")
# Lines differ by their dashes as well as by colour.
DASHES: Final[tuple[tuple[float, ...], ...]] = ((), (6, 2), (1.5, 1.5), (8, 2, 1.5, 2), (3, 2), (10, 3))
SEVERITIES: Final = {"notice": "#070701", "caution": "#070702", "warning": "#070703", "danger": "#070704"}
_PROPERTIES: Final = {
    INK: "--ink",
    SOFT: "--soft",
    FAINT: "--faint",
    PAPER: "--paper",
    BAND: "--band",
    **{colour: f"--line-{number}" for number, colour in enumerate(LINES, start=1)},
    **{colour: f"--{word}" for word, colour in SEVERITIES.items()},
}
# One inch of a figure has 72 units of the SVG document, so a point is a unit.
UNITS_AN_INCH: Final = 72
FONT_UNITS: Final = 11

_SVG: Final = "{http://www.w3.org/2000/svg}"
_LINK: Final = "{http://www.w3.org/1999/xlink}href"
_NUMBER: Final = re.compile(r"-?\d+\.\d+")
_FONT: Final = re.compile(r"font-family: [^;]*;? ?")
_REFERENCE: Final = re.compile(r"url\(#([^)]*)\)")
_EXACT: Final = frozenset({"d", "points", "x", "y", "width", "height"})


@contextmanager
def drawing_style() -> Iterator[None]:
    """Set what all pictures share; text is never read as mathematics, for names from files may hold any character."""
    import warnings  # noqa: PLC0415

    import matplotlib as mpl  # noqa: PLC0415  (heavy)

    style: Any = {  # matplotlib types its settings by name
        "svg.fonttype": "none",
        "svg.hashsalt": "cellglean",
        "svg.image_inline": True,
        "text.parse_math": False,
        "text.usetex": False,
        "axes.unicode_minus": True,
        "font.size": FONT_UNITS,
        "text.color": INK,
        "axes.edgecolor": SOFT,
        "axes.labelcolor": SOFT,
        "axes.facecolor": "none",
        "figure.facecolor": "none",
        "xtick.color": SOFT,
        "ytick.color": SOFT,
        "xtick.labelcolor": INK,
        "ytick.labelcolor": INK,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "axes.linewidth": 0.8,
        "grid.color": FAINT,
        "grid.linewidth": 0.6,
        "path.simplify": False,
        "agg.path.chunksize": 0,
    }
    with mpl.rc_context(style), warnings.catch_warnings():
        # The reader's browser draws the text, so it does not matter what the measuring font lacks.
        warnings.filterwarnings("ignore", message="Glyph .* missing")
        yield


def inline_svg(figure: Figure, name: str, title: str, description: str, classes: str = "") -> Markup:
    """Give a drawn figure as an SVG element for an HTML document.

    Parameters
    ----------
    name : begins all names within the picture; no two pictures of a document share it
    title, description : what screen readers say instead of the picture
    """
    text = io.BytesIO()
    figure.savefig(text, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    root = ET.fromstring(text.getvalue().decode())  # noqa: S314  (drawn just now)
    _drop(root, "metadata")
    _drop(root, "style")
    used = {match for element in root.iter() for match in _references(element)}
    for element in root.iter():
        _tidy(element, name, used)
    for size in ("width", "height", "version"):
        root.attrib.pop(size, None)
    root.attrib |= {"role": "img", "aria-labelledby": f"{name}-title {name}-description"}
    if classes:
        root.set("class", classes)
    for place, (tag, words) in enumerate((("title", title), ("desc", description))):
        element = ET.Element(tag, {"id": f"{name}-{'title' if tag == 'title' else 'description'}"})
        element.text = words
        root.insert(place, element)
    written = ET.tostring(root, encoding="unicode", short_empty_elements=False)
    for colour, word in _PROPERTIES.items():
        written = written.replace(colour, f"var({word})")
    return Markup(written)  # noqa: S704  (serialised, so all text in it is escaped)


def dash_words(style: int) -> str:
    """Give the dashes of a line's style, as an SVG attribute has them; empty for a line without."""
    return " ".join(f"{length:g}" for length in DASHES[style % len(DASHES)])


def _references(element: ET.Element) -> Iterator[str]:
    for value in element.attrib.values():
        yield from _REFERENCE.findall(value)
    link = element.get(_LINK)
    if link is not None:
        yield link.removeprefix("#")


def _tidy(element: ET.Element, name: str, used: set[str]) -> None:
    """Take the namespace off, round coordinates, leave the choice of fonts to the document, keep names apart."""
    element.tag = element.tag.removeprefix(_SVG)
    own = element.attrib.pop("id", None)
    link = element.attrib.pop(_LINK, None)
    for key, value in list(element.attrib.items()):
        written = _REFERENCE.sub(rf"url(#{name}-\1)", value)
        if key in _EXACT:
            written = _NUMBER.sub(_rounded, written).replace(" \n", " ").replace("\n", " ").strip()
        element.set(key, _FONT.sub("", written) if key == "style" else written)
    if own is not None and own in used:
        element.set("id", f"{name}-{own}")
    if link is not None:
        element.set("href", f"#{name}-{link.removeprefix('#')}")
    if element.text is not None and not element.text.strip():
        element.text = None
    element.tail = None


def _rounded(match: re.Match[str]) -> str:
    return f"{round(float(match.group()), 1):g}"


def _drop(root: ET.Element, tag: str) -> None:
    for parent in list(root.iter()):
        for child in list(parent):
            if child.tag == f"{_SVG}{tag}" or child.tag.endswith("}" + tag):
                parent.remove(child)
