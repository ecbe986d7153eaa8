"""The manifold drawn from the plant file, with its flows: a tree from the pump down to every outlet.

Every pipe is as wide as its share of the flow, and says its flow in figures as well.
"""

import itertools
import math
import xml.etree.ElementTree as ET
from dataclasses import dataclass

from analysis.report import words
from analysis.report.readouts import Mark, Readout, Readouts
from analysis.report.signs import (
    INK,
    MUTED,
    NAME,
    SMALL,
    WATER,
    draw_letter,
    draw_mark,
    draw_outlet,
    draw_part,
    draw_pump,
    fitted,
    label,
    number,
    parts_of,
    shape,
    text_width,
)
from analysis.report.tree_rows import LEFT, PART_HEIGHT, Line, Row, Strip, strips, tree_layout
from config.plant import Barb, CheckValve, Device, MediaBed, Pipe, Plant, Run, Valve
from config.units import show_bore, show_head

WIDTH = 360.0
OUT = 352.0
TEXT_IN = 16.0
THINNEST = 2.0
WIDEST = 11.0
UNKNOWN_DASH = "1 4"
STILL_DASH = "5 4"
CONTINUED = 18.0
KEY_ROW = 25.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sheet:
    """What is drawn: the plant, what stands beside its runs, and how wide the whole flow is."""

    plant: Plant
    readouts: Readouts
    whole_m3s: float

    def flow(self, runs: tuple[int, ...]) -> float:
        """The water of some runs together; nan where one is not known."""
        return math.fsum(self.readouts.runs[run].flow_m3s for run in runs)


def schematic(plant: Plant, readouts: Readouts, *, prefix: str, title: str) -> tuple[str, ...]:
    """The manifold as one or more `<svg>` elements, in reading order.

    Args:
        plant: as built.
        readouts: what to write beside its runs, in file order.
        prefix: of the ids, one that no other picture of the page has.
        title: what the flows are, "Predicted flows".
    """
    layout = tree_layout(plant.runs)
    known = [abs(readout.flow_m3s) for readout in readouts.runs if math.isfinite(readout.flow_m3s)]
    sheet = _Sheet(plant=plant, readouts=readouts, whole_m3s=max(known, default=0.0))
    pieces = strips(layout)
    return tuple(
        _strip(sheet, strip, layout.lines, f"{prefix}{place}", f"{title}{_part(place, len(pieces))}")
        for place, strip in enumerate(pieces)
    )


def _part(place: int, count: int) -> str:
    return f", part {place + 1} of {count}" if count > 1 else ""


def _strip(sheet: _Sheet, strip: Strip, lines: tuple[Line, ...], prefix: str, title: str) -> str:
    above = CONTINUED if strip.top > 0 else 0.0
    top = strip.top - above
    root = _picture(prefix, title, _told(sheet, strip), (top, strip.bottom - top + 4.0))
    for line in lines:
        if line.y0 <= strip.bottom and line.y1 >= top:
            _pipe(root, sheet, line, (top, strip.bottom + 4.0))
    for row in strip.rows:
        draw = _branch if sheet.plant.runs[row.run].is_branch else _inner
        draw(root, sheet, row)
    if above:
        label(root, LEFT + TEXT_IN, strip.top - 4.0, "continued", colour=MUTED)
    else:
        _pump(root, sheet.readouts)
    return ET.tostring(root, encoding="unicode")


def _picture(prefix: str, title: str, description: str, reach: tuple[float, float]) -> ET.Element:
    top, height = reach
    root = ET.Element("svg", {"viewBox": f"0 {number(top)} {number(WIDTH)} {number(height)}", "role": "img"})
    root.set("aria-labelledby", f"{prefix}-title {prefix}-text")
    shape(root, "title", id=f"{prefix}-title").text = title
    shape(root, "desc", id=f"{prefix}-text").text = description
    return root


def _told(sheet: _Sheet, strip: Strip) -> str:
    """The same in words, for those who cannot see it."""
    told = [] if strip.top > 0 else [", ".join(sheet.readouts.pump)]
    for row in strip.rows:
        run, readout = sheet.plant.runs[row.run], sheet.readouts.runs[row.run]
        where = "to its outlet" if run.end is None else f"to {words.clean(run.end)}"
        letters = f"finding {', '.join(readout.letters)}" if readout.letters else ""
        said = (readout.flow or "flow unknown", readout.verdict, readout.aside, letters)
        told.append(
            f"{words.clean(run.name)}, from {words.clean(run.start)} {where}: "
            + ", ".join(text for text in said if text)
        )
    return "; ".join(told) + "."


def _pump(root: ET.Element, readouts: Readouts) -> None:
    draw_pump(root, LEFT, 20.0)
    first, second = readouts.pump
    label(root, LEFT + 26.0, 18.0, first, size=NAME, bold=True)
    label(root, LEFT + 26.0, 34.0, second, size=13.0)
    x = OUT - 20.0
    for letter in reversed(readouts.pump_letters):
        draw_letter(root, x, 20.0, letter)
        x -= 24.0


def _pipe(root: ET.Element, sheet: _Sheet, line: Line, reach: tuple[float, float]) -> None:
    top, bottom = reach
    _stroke(
        root,
        sheet,
        sheet.flow(line.runs),
        (line.x0, max(line.y0, top), line.x1, min(line.y1, bottom)),
    )


def _stroke(root: ET.Element, sheet: _Sheet, flow_m3s: float, ends: tuple[float, float, float, float]) -> None:
    """A pipe as wide as its flow; dashed without any, dotted where it is not known."""
    x0, y0, x1, y1 = ends
    share = abs(flow_m3s) / sheet.whole_m3s if sheet.whole_m3s else 0.0
    unknown = math.isnan(flow_m3s)
    width = THINNEST if unknown or not share else THINNEST + (WIDEST - THINNEST) * min(share, 1.0)
    pipe = shape(root, "path", d=f"M{number(x0)} {number(y0)}L{number(x1)} {number(y1)}", fill="none")
    pipe.set("stroke", WATER if share and not unknown else MUTED)
    pipe.set("stroke-width", number(width))
    if unknown or not share:
        pipe.set("stroke-dasharray", UNKNOWN_DASH if unknown else STILL_DASH)
    else:
        pipe.set("stroke-linecap", "round")


def _branch(root: ET.Element, sheet: _Sheet, row: Row) -> None:
    run, readout = sheet.plant.runs[row.run], sheet.readouts.runs[row.run]
    text_x = row.x + TEXT_IN
    flow_width = text_width(readout.flow, NAME, bold=True)
    _stroke(root, sheet, readout.flow_m3s, (row.x, row.pipe, OUT - 9.0, row.pipe))
    shape(root, "circle", cx=row.x, cy=row.pipe, r=4.0, fill=INK)
    draw_outlet(root, OUT, row.pipe, backward=readout.flow_m3s < 0.0)
    label(root, text_x, row.top + 16.0, fitted(run.name, OUT - text_x - flow_width - 10.0, NAME, bold=True),
          size=NAME, bold=True)  # fmt: skip
    label(root, OUT, row.top + 16.0, readout.flow, size=NAME, bold=True, anchor="end")
    _parts(root, run, readout, row)
    if readout.mark is not None:
        draw_mark(root, readout.mark, text_x + 6.5, row.top + 48.5, sure=readout.sure)
    label(root, text_x + 18.0, row.top + 52.5, readout.verdict, size=12.0, bold=readout.mark in {Mark.LOW, Mark.HIGH})
    label(root, OUT, row.top + 67.0, readout.aside, colour=MUTED, anchor="end")
    room = OUT - text_x - text_width(readout.aside, SMALL) - 8.0
    label(root, text_x, row.top + 67.0, fitted(bore_words(run, sheet.plant.flow_unit), room, SMALL), colour=MUTED)
    about = [f"out at {show_head(run.outlet_m or 0.0, sheet.plant.flow_unit)}", part_words(run, sheet.plant.flow_unit)]
    label(root, text_x, row.top + 81.0, fitted(", ".join(filter(None, about)), OUT - text_x, SMALL), colour=MUTED)


def _parts(root: ET.Element, run: Run, readout: Readout, row: Row) -> None:
    """The signs along a branch, evenly, and the letters of its findings before its outlet."""
    end = OUT - 20.0 - 24.0 * len(readout.letters)
    parts = parts_of(run)
    first = row.x + 40.0
    step = min(46.0, (end - first) / max(len(parts), 1))
    for place, part in enumerate(parts):
        draw_part(root, part, first + place * step, row.pipe)
    x = end
    for letter in readout.letters:
        x = draw_letter(root, x, row.pipe, letter) + 4.0


def _inner(root: ET.Element, sheet: _Sheet, row: Row) -> None:
    run, readout = sheet.plant.runs[row.run], sheet.readouts.runs[row.run]
    text_x = row.x + TEXT_IN + 2.0
    middle = row.top + row.height / 2
    parts = parts_of(run)
    for place, part in enumerate(parts):
        draw_part(root, part, row.x, middle + (place - (len(parts) - 1) / 2) * PART_HEIGHT, upright=True)
    x = OUT - text_width(readout.flow, 13.0, bold=True) - 10.0
    for letter in reversed(readout.letters):
        x -= 24.0
        draw_letter(root, x, row.top + 21.0, letter)
    label(root, text_x, row.top + 25.0, fitted(f"{run.name}, to {run.end}", x - text_x, 13.0), size=13.0)
    label(root, OUT, row.top + 25.0, readout.flow, size=13.0, bold=True, anchor="end")
    aside = text_width(readout.aside, SMALL) + 8.0
    about = ", ".join(
        text for text in (bore_words(run, sheet.plant.flow_unit), part_words(run, sheet.plant.flow_unit)) if text
    )
    label(root, text_x, row.top + 40.0, fitted(about, OUT - text_x - aside, SMALL), colour=MUTED)
    label(root, OUT, row.top + 40.0, readout.aside, colour=MUTED, anchor="end")


def bore_words(run: Run, unit: str = "L/h") -> str:
    """The bores of a run in order, by the keeper's unit: "3/4 in sch 40 (20.9 mm)", "40.9, then 26.6 mm bore"."""
    pipes = [element for element in run.path if isinstance(element, Pipe)]
    bores = [bore for bore, _ in itertools.groupby(show_bore(pipe.bore_m, unit) for pipe in pipes)]
    labels = {pipe.label for pipe in pipes}
    if not bores:
        return "bore as before"
    if len(labels) == 1 and not pipes[0].label.startswith(show_bore(pipes[0].bore_m)):
        return f"{labels.pop()} ({bores[0]})"
    return ", then ".join([*(bore.split()[0] for bore in bores[:-1]), bores[-1]]) + " bore"


def part_words(run: Run, unit: str = "L/h") -> str:
    """Valves, devices and the meter of a run in words, in order; bores by the keeper's unit."""
    said = [_part_words(element, unit) for element in run.path]
    return ", ".join([text for text in said if text] + ([f"meter {run.meter}"] if run.meter is not None else []))


def _part_words(element: object, unit: str) -> str:  # noqa: PLR0911 - one way out for each sort of element
    match element:
        case Valve(kind=kind, closed_deg=0.0):
            return f"{kind.value} open"
        case Valve(kind=kind, closed_deg=closed) if closed >= 90.0:  # noqa: PLR2004 - a quarter turn
            return f"{kind.value} shut"
        case Valve(kind=kind, closed_deg=closed):
            return f"{kind.value} {100.0 - closed / 0.9:.0f}{words.SPACE}% open"
        case CheckValve(kind=kind):
            return kind.value
        case Device(name=name) | MediaBed(name=name):
            return name
        case Barb(bore_m=bore):
            return f"barb {show_bore(bore, unit)}"
        case _:
            return ""


_SIGNS = (
    ("valve", "valve; filled: shut"),
    ("check", "check valve, one way"),
    ("device", "reactor, steriliser, filter"),
    ("meter", "flow meter"),
)
_MARKS = (
    (Mark.FITS, "within its target"),
    (Mark.LOW, "below its target"),
    (Mark.HIGH, "above its target"),
    (Mark.NO_TARGET, "no target set"),
)


def schematic_key(*, prefix: str, measured: bool) -> str:
    """What the signs mean, as one `<svg>` element; `measured` for a schematic of readings."""
    last = (Mark.UNKNOWN, "no reading or no meter") if measured else (Mark.FITS, "outline: not sure")
    marks = [*_MARKS, last]
    height = KEY_ROW * len(marks) + 4.0
    said = "; ".join(text for _, text in (*_SIGNS, *marks))
    root = _picture(prefix, "Signs of the schematic", f"Signs: {said}.", (0.0, height))
    for place, (part, text) in enumerate(_SIGNS):
        y = KEY_ROW * (place + 0.5) + 2.0
        draw_part(root, part, 16.0, y)
        label(root, 34.0, y + 4.0, text)
    y = KEY_ROW * (len(_SIGNS) + 0.5) + 2.0
    if measured:
        draw_letter(root, 6.5, y, "A")
        label(root, 34.0, y + 4.0, "open finding A")
    else:
        draw_outlet(root, 22.0, y)
        label(root, 34.0, y + 4.0, "outlet")
    for place, (mark, text) in enumerate(marks):
        y = KEY_ROW * (place + 0.5) + 2.0
        draw_mark(root, mark, 206.0, y, sure=measured or place < len(_MARKS))
        label(root, 222.0, y + 4.0, text)
    return ET.tostring(root, encoding="unicode")
