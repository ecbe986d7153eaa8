"""A matplotlib figure as an SVG element that can stand inside a page.

What matplotlib writes is a file of its own: ids repeat from figure to figure, a style sheet speaks for the whole
document, the metadata names outside addresses, colours are fixed. Here it becomes one element of the page: ids
unique, colours by role so that the page's style decides (dark mode, print), coordinates rounded, and a title and a
description for those who cannot see it. The keeper's own names never reach matplotlib (which takes "$" for a formula
and warns of signs that its font lacks): a figure is drawn with stand-ins, named by gid, that are exchanged here.
"""

import io
import re
import xml.etree.ElementTree as ET
from collections.abc import Callable, Mapping

import matplotlib as mpl
from matplotlib.figure import Figure

from analysis.report.palette import ROLES

_NUMBER = re.compile(r"-?\d+\.\d+")
_COLOUR = re.compile("|".join(re.escape(role.light) for role in ROLES))
_ROLE_OF = {role.light: f"var(--{role.name})" for role in ROLES}
_FONT_NAMES = re.compile(r"font-family: [^;]*;?\s*")
_FONT_SHORTHAND = re.compile(r"font: (?:[a-z]+ )*(\d+ )?([\d.]+px) [^;]*")  # how matplotlib wrote it before 3.11
_XLINK = "{http://www.w3.org/1999/xlink}href"


def inline_svg(
    draw: Callable[[], Figure], *, prefix: str, title: str, description: str, labels: Mapping[str, str] | None = None
) -> str:
    """Draw a figure and give it as one `<svg>` element.

    Args:
        draw: makes the figure; called under fixed settings, so that the same data give the same bytes.
        prefix: what every id in the element begins with; must differ from figure to figure of a page.
        title: name of the picture; escaped here.
        description: what it shows; escaped here.
        labels: texts to put in place of stand-ins, by the gid of the text drawn.
    """
    with mpl.rc_context():
        mpl.rcdefaults()
        mpl.rc("svg", fonttype="none", hashsalt=prefix)
        mpl.rc("text", parse_math=False)
        mpl.rc("font", size=12.0)
        mpl.rc("path", simplify=False)
        buffer = io.BytesIO()
        draw().savefig(buffer, format="svg", metadata={"Date": None}, transparent=True)
    root = ET.fromstring(buffer.getvalue())  # noqa: S314 - matplotlib wrote it, a line above
    _drop_file_parts(root)
    _exchange_labels(root, labels or {})
    for element in root.iter():
        _restyle(element)
    _rename_ids(root, prefix)
    _name(root, prefix, title, description)
    return ET.tostring(root, encoding="unicode")


def _drop_file_parts(root: ET.Element) -> None:
    """Remove what belongs to a file: metadata, style sheet, namespaces, sizes."""
    for parent in list(root.iter()):
        for child in list(parent):
            if child.tag.endswith(("}metadata", "}style")):
                parent.remove(child)
    for element in root.iter():
        element.tag = element.tag.rpartition("}")[2]
        if _XLINK in element.attrib:
            element.set("href", element.attrib.pop(_XLINK))
    for name in ("width", "height", "version"):
        root.attrib.pop(name, None)
    root.set("style", "stroke-linejoin: round; stroke-linecap: butt")


def _exchange_labels(root: ET.Element, labels: Mapping[str, str]) -> None:
    for group in root.iter("g"):
        text = group.find("text")
        if text is not None and group.get("id") in labels:
            text.text = labels[group.attrib["id"]]


def _restyle(element: ET.Element) -> None:
    """Colours by role, the page's own font, coordinates to a tenth of a point."""
    style = element.get("style")
    if style:
        sized = _FONT_SHORTHAND.sub(r"font-size: \2", _FONT_NAMES.sub("", style))
        element.set("style", _COLOUR.sub(lambda found: _ROLE_OF[found[0]], sized))
    for name in ("d", "x", "y", "transform", "width", "height"):
        value = element.get(name)
        if value:
            tidy = _NUMBER.sub(lambda found: f"{float(found[0]):.1f}".removesuffix(".0"), value)
            element.set(name, " ".join(tidy.split()))
    for place in ("text", "tail"):
        if not (getattr(element, place) or "").strip():
            setattr(element, place, None)


def _rename_ids(root: ET.Element, prefix: str) -> None:
    """Keep the ids that something refers to, with the prefix; drop the rest."""
    used = {
        found
        for element in root.iter()
        for value in element.attrib.values()
        for found in re.findall(r"url\(#([^)]+)\)", value) + re.findall(r"^#(.+)", value)
    }
    for element in root.iter():
        old = element.attrib.pop("id", None)
        if old in used:
            element.set("id", f"{prefix}-{old}")
        for name, value in element.attrib.items():
            if name == "href":
                element.set(name, value.replace("#", f"#{prefix}-", 1))
            elif "url(#" in value:
                element.set(name, value.replace("url(#", f"url(#{prefix}-"))


def _name(root: ET.Element, prefix: str, title: str, description: str) -> None:
    """Title and description first, so that a screen reader says them."""
    root.set("role", "img")
    root.set("aria-labelledby", f"{prefix}-title {prefix}-text")
    for place, (tag, key, text) in enumerate((("title", "title", title), ("desc", "text", description))):
        child = ET.Element(tag, {"id": f"{prefix}-{key}"})
        child.text = text
        root.insert(place, child)
