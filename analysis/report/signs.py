"""The signs of the schematic as SVG elements: pump, valves, devices, meters, outlets, verdicts, findings.

Plain shapes in the manner of flow diagrams: a bow tie for a valve, a box for a device, a circle with an M for a meter,
a circle with a triangle for a pump. Colours are the page's own, by role; every sign differs in shape as well.
"""

import unicodedata
import xml.etree.ElementTree as ET

from analysis.report import words
from analysis.report.readouts import Mark
from config.plant import CheckValve, Device, MediaBed, Run, Valve

SMALL = 11.5
NAME = 14.0
WIDE_SHARE = 1.75
MEAN_ADVANCE = 0.53
BOLD_ADVANCE = 0.58

INK = "var(--ink)"
MUTED = "var(--muted)"
PAPER = "var(--card)"
WATER = "var(--measured)"
_MARK_COLOUR = {
    Mark.FITS: "var(--target)",
    Mark.LOW: "var(--expected)",
    Mark.HIGH: "var(--expected)",
    Mark.NO_TARGET: "var(--level)",
    Mark.UNKNOWN: "var(--ink)",
}


def number(value: float) -> str:
    """A coordinate to a tenth."""
    return f"{value:.1f}".removesuffix(".0")


def shape(parent: ET.Element, tag: str, **attributes: str | float) -> ET.Element:
    """Add an element; an underscore in an attribute's name stands for a hyphen."""
    told = {
        name.replace("_", "-"): value if isinstance(value, str) else number(value) for name, value in attributes.items()
    }
    return ET.SubElement(parent, tag, told)


def label(  # noqa: PLR0913 - where, what and how of a text
    parent: ET.Element,
    x: float,
    y: float,
    text: str,
    *,
    size: float = SMALL,
    bold: bool = False,
    colour: str = INK,
    anchor: str = "start",
) -> None:
    """Add a line of text."""
    weight = {"font_weight": "600"} if bold else {}
    side = {} if anchor == "start" else {"text_anchor": anchor}
    shape(parent, "text", x=x, y=y, font_size=size, fill=colour, **weight, **side).text = text


def fitted(text: str, width: float, size: float, *, bold: bool = False) -> str:
    """A user's text cut to about `width`, its writing direction fenced in."""
    tidy = words.clean(text)
    room = width / (size * (BOLD_ADVANCE if bold else MEAN_ADVANCE))
    return f"\N{FIRST STRONG ISOLATE}{_cut(tidy, room)}\N{POP DIRECTIONAL ISOLATE}"


def text_width(text: str, size: float, *, bold: bool = False) -> float:
    """About how wide a text is."""
    return sum(_advance(char) for char in text) * size * (BOLD_ADVANCE if bold else MEAN_ADVANCE)


def _advance(char: str) -> float:
    """How wide a sign is, of a mean letter: 0 for one that sits on another, more for East Asian signs and pictures."""
    if unicodedata.category(char) in {"Mn", "Me", "Cf"}:
        return 0.0
    return WIDE_SHARE if unicodedata.east_asian_width(char) in {"W", "F"} else 1.0


def _cut(text: str, room: float) -> str:
    total = 0.0
    if sum(map(_advance, text)) <= room:
        return text
    for place, char in enumerate(text):
        total += _advance(char)
        if total > room - 1.0:
            return text[:place].rstrip() + "\N{HORIZONTAL ELLIPSIS}"
    return text


def parts_of(run: Run) -> tuple[str, ...]:
    """The signs along a run in the order of its path: "valve", "shut", "check", "device", then "meter"."""
    found = []
    for element in run.path:
        match element:
            case Valve(closed_deg=closed):
                found.append("shut" if closed >= 90.0 else "valve")  # noqa: PLR2004 - a quarter turn
            case CheckValve():
                found.append("check")
            case Device() | MediaBed():
                found.append("device")
            case _:
                pass
    return (*found, "meter") if run.meter is not None else tuple(found)


def draw_part(parent: ET.Element, part: str, x: float, y: float, *, upright: bool = False) -> None:
    """A part on a pipe, centred; `upright` on one that goes down the page."""
    group = shape(parent, "g", transform=f"translate({number(x)} {number(y)})" + (" rotate(90)" if upright else ""))
    group.attrib.update({"fill": PAPER, "stroke": INK, "stroke-width": "1.6", "stroke-linejoin": "round"})
    match part:
        case "valve":
            shape(group, "path", d="M-8-6.5L8 6.5V-6.5L-8 6.5Z")
        case "shut":
            shape(group, "path", d="M-8-6.5L8 6.5V-6.5L-8 6.5Z", fill=INK)
        case "check":
            shape(group, "path", d="M-7-6.5L7 0L-7 6.5Z")
            shape(group, "path", d="M7.8-7V7", stroke_width="2.4")
        case "device":
            shape(group, "rect", x=-10.0, y=-8.0, width=20.0, height=16.0, rx=2.0)
        case _:
            shape(group, "circle", r=8.5)
            turned = {"transform": "rotate(-90)"} if upright else {}
            text = shape(group, "text", y=3.8, font_size=10.5, text_anchor="middle", fill=INK, stroke="none", **turned)
            text.set("font-weight", "600")
            text.text = "M"


def draw_pump(parent: ET.Element, x: float, y: float) -> None:
    """The pump, its water going down."""
    group = shape(parent, "g", transform=f"translate({number(x)} {number(y)})", stroke=INK, stroke_width="1.8")
    shape(group, "circle", r=15.0, fill=PAPER)
    shape(group, "path", d="M-12.5-8.3H12.5L0 15Z", fill=WATER, stroke="none")


def draw_outlet(parent: ET.Element, x: float, y: float, *, backward: bool = False) -> None:
    """The end of a branch: an arrowhead the way that the water goes, and the level it meets."""
    head = f"M{number(x - 1)} {number(y)}l-11-6.5v13z" if not backward else f"M{number(x - 14)} {number(y)}l11-6.5v13z"
    shape(parent, "path", d=head, fill=WATER)
    shape(parent, "path", d=f"M{number(x + 1.5)} {number(y - 10)}v20", stroke=INK, stroke_width="2", fill="none")


def draw_letter(parent: ET.Element, x: float, y: float, letter: str) -> float:
    """The letter of a finding in a box, from x on; where the box ends."""
    width = max(19.0, text_width(letter, 12.5, bold=True) + 9.0)
    shape(parent, "rect", x=x, y=y - 9.0, width=width, height=18.0, fill=PAPER, stroke=INK, stroke_width="1.8")
    text = shape(parent, "text", x=x + width / 2, y=y + 4.4, font_size="12.5", text_anchor="middle", fill=INK)
    text.set("font-weight", "700")
    text.text = letter
    return x + width


def draw_mark(parent: ET.Element, mark: Mark, x: float, y: float, *, sure: bool = True) -> None:
    """The shape of a verdict: full where it is sure, else an outline."""
    colour = _MARK_COLOUR[mark]
    group = shape(parent, "g", transform=f"translate({number(x)} {number(y)})", stroke=colour, stroke_width="1.6")
    group.set("fill", colour if sure else "none")
    match mark:
        case Mark.FITS:
            shape(group, "circle", r=6.2)
            tick = "var(--paper)" if sure else colour
            shape(group, "path", d="M-3 0.2L-0.8 2.6L3.2-2.4", fill="none", stroke=tick, stroke_width="1.8")
        case Mark.LOW:
            shape(group, "path", d="M-6-4.5H6L0 5.5Z")
        case Mark.HIGH:
            shape(group, "path", d="M-6 4.5H6L0-5.5Z")
        case Mark.NO_TARGET:
            shape(group, "circle", r=4.5, fill="none")
        case Mark.UNKNOWN:
            shape(group, "path", d="M-4.5-4.5L4.5 4.5M4.5-4.5L-4.5 4.5", fill="none", stroke_width="2")
