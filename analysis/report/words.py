"""What the report says: numbers in the keeper's unit, local time, plain sentences."""

import math
from collections.abc import Mapping
from zoneinfo import ZoneInfo

from analysis.assessment import Candidate, FaultKind, MediaLife, Status, SupplyPart
from analysis.events import Event, EventKind
from analysis.report.period import Span, local
from analysis.wording import NO_GAUGES, Gauges, instrument, or_motor, place
from config.plant import Meter, Target
from config.units import show_flow

MINUS = "\N{MINUS SIGN}"
SPACE = "\N{NO-BREAK SPACE}"
NAME_CHARACTERS = 60
UNSURE = 1e-6
FEW_POINTS = 1

# Own tables, not strftime: its names follow the locale of the process.
DAY_NAMES = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
MONTH_NAMES = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")

# NAMUR NE 107 (2017-04-10): the signals' names are the standard's, the explanations are our own.
STATUS_MEANING = {
    Status.FAILURE: "The signal cannot be used. What it shows is not what flows; see to it first.",
    Status.FUNCTION_CHECK: "The signal is not valid for the time being, because of work or a pause.",
    Status.OUT_OF_SPECIFICATION: "It works, but outside what it was commissioned for: the flow is off, or in doubt.",
    Status.MAINTENANCE_REQUIRED: "It still does its job, and will not for long: plan the work.",
    Status.GOOD: "Nothing speaks against it.",
}
STATUS_SIGN = {
    Status.FAILURE: "\N{MULTIPLICATION X}",
    Status.FUNCTION_CHECK: "\N{BLACK DOWN-POINTING TRIANGLE}",
    Status.OUT_OF_SPECIFICATION: "\N{BLACK UP-POINTING TRIANGLE}",
    Status.MAINTENANCE_REQUIRED: "\N{BLACK DIAMOND}",
    Status.GOOD: "\N{CHECK MARK}",
}
# The order in which statuses are seen to; NE 107 leaves it to the user, this is the usual one of vendors' manuals.
STATUS_ORDER = (
    Status.FAILURE,
    Status.FUNCTION_CHECK,
    Status.OUT_OF_SPECIFICATION,
    Status.MAINTENANCE_REQUIRED,
    Status.GOOD,
)

# Words for probabilities; a scale of our own, always shown with its number.
SURENESS = ((0.95, "almost certain"), (0.8, "very likely"), (0.6, "likely"), (0.3, "possible"), (0.1, "less likely"))

MAINTENANCE_WORDS = {
    "media_changed": "media changed",
    "pump_cleaned": "pump cleaned",
    "valve_set": "valve set",
    "meter_cleaned": "meter cleaned",
}


def clean(text: str) -> str:
    """A user's text without control characters (each becomes U+FFFD), which neither HTML nor SVG can hold."""
    return "".join(
        char if char.isprintable() or not _is_control(char) else "\N{REPLACEMENT CHARACTER}" for char in text
    )


def _is_control(char: str) -> bool:
    return ord(char) < 0x20 or 0x7F <= ord(char) < 0xA0 or 0xD800 <= ord(char) < 0xE000 or ord(char) in (0xFFFE, 0xFFFF)  # noqa: PLR2004 - Unicode's blocks C0, C1, surrogates, non-characters


def isolated(name: str) -> str:
    """A user's name inside a sentence, fenced by Unicode isolates so that its writing direction stays its own.

    A name of more than NAME_CHARACTERS is cut.
    """
    return f"\N{FIRST STRONG ISOLATE}{shortened(name, NAME_CHARACTERS)}\N{POP DIRECTIONAL ISOLATE}"


def shortened(text: str, length: int) -> str:
    """At most `length` characters, the cut marked."""
    tidy = clean(text)
    return tidy if len(tidy) <= length else tidy[: length - 1] + "\N{HORIZONTAL ELLIPSIS}"


def flow(flow_m3s: float, unit: str) -> str:
    """A flow in the keeper's unit, or "no reading"."""
    return "no reading" if math.isnan(flow_m3s) else show_flow(flow_m3s, unit)


def target(bounds: Target | None, unit: str) -> str:
    """A target in the keeper's unit, or "none set"."""
    if bounds is None or (bounds.low_m3s is None and bounds.high_m3s is None):
        return "none set"
    if bounds.high_m3s is None:
        return f"at least {show_flow(bounds.low_m3s or 0.0, unit)}"
    if bounds.low_m3s is None:
        return f"at most {show_flow(bounds.high_m3s, unit)}"
    return f"{show_flow(bounds.low_m3s, unit).removesuffix(unit).strip()} to {show_flow(bounds.high_m3s, unit)}"


def percent(value: float) -> str:
    """A share in whole per cent, never rounded to 0 or 100 from either side; "unknown" for nan."""
    if math.isnan(value):
        return "unknown"
    whole = round(value)
    if whole == 100 and value < 100:  # noqa: PLR2004 - per cent
        return f"over 99{SPACE}%"
    if whole == 0 and value > 0:
        return f"under 1{SPACE}%"
    return f"{whole}{SPACE}%"


def ratio(value: float, whole: float) -> str:
    """A value as whole per cent of another, rounded; "unknown" where there is nothing to compare with."""
    if not (math.isfinite(value) and whole > 0):
        return "unknown"
    return f"{100 * value / whole:.0f}{SPACE}%"


def change(value: float) -> str:
    """A change in per cent with its sign and one decimal; "unknown" for nan."""
    return "unknown" if math.isnan(value) else f"{signed(value)}{SPACE}%"


def signed(value: float) -> str:
    """A number with its sign and one decimal, without a unit; "unknown" for nan."""
    if math.isnan(value):
        return "unknown"
    digits = f"{abs(value):.1f}"
    if float(digits) == 0:
        return "0"
    return f"{MINUS if value < 0 else '+'}{digits}"


def sureness(probability: float) -> str:
    """A probability in words and number: "likely (73 %)"; nothing inferred is ever quite certain."""
    word = next((word for least, word in SURENESS if probability >= least), "unlikely")
    return f"{word} ({percent(100 * min(max(probability, UNSURE), 1 - UNSURE))})"


def lost(value: float | None) -> str:
    """Flow that a filling of media cost by its end: "18 %", "none", or that nobody saw it."""
    if value is None:
        return "not seen"
    return percent(value) if value >= 1 else "none"


def useful(life: MediaLife) -> str:
    """How long a filling kept its branch within target: "41 days"; nothing of one whose beginning nobody saw."""
    if life.useful_days is None or not life.whole:
        return ""
    return f"{life.useful_days:.0f}{SPACE}days"


def moment(at_s: float, zone: ZoneInfo) -> str:
    """Local day and time: "Tue 3 Nov 2026, 14:00"."""
    at = local(at_s, zone)
    return f"{day(at_s, zone)}, {at.hour:02d}:{at.minute:02d}"


def day(at_s: float, zone: ZoneInfo) -> str:
    """Local day: "Tue 3 Nov 2026"."""
    at = local(at_s, zone)
    return f"{DAY_NAMES[at.weekday()]} {at.day} {MONTH_NAMES[at.month - 1]} {at.year}"


def short_day(at_s: float, zone: ZoneInfo) -> str:
    """Local day without weekday and year: "3 Nov"."""
    at = local(at_s, zone)
    return f"{at.day} {MONTH_NAMES[at.month - 1]}"


def span(stretch: Span, zone: ZoneInfo) -> str:
    """The label of a table's row: "3 Nov", "2 to 8 Nov" or "Nov 2026"."""
    first, last = local(stretch.start_s, zone), local(stretch.end_s - 1, zone)
    if stretch.unit == "month":
        return f"{MONTH_NAMES[first.month - 1]} {first.year}"
    if first.date() == last.date():
        return short_day(stretch.start_s, zone)
    start = f"{first.day}" if first.month == last.month else short_day(stretch.start_s, zone)
    return f"{start} to {short_day(stretch.end_s - 1, zone)}"


def cause(candidate: Candidate, gauges: Gauges = NO_GAUGES) -> str:
    """What a candidate says, in plain words: "carbon lets less water through (flow -23 %)"."""
    size = change(candidate.flow_change_percent)
    who = isolated(candidate.subject or "")
    match candidate.kind:
        case FaultKind.RESTRICTION:
            return f"{who} is restricted (its flow {size})"
        case FaultKind.OPENING:
            return f"{who} is more open than before (its flow {size})"
        case FaultKind.SUPPLY:
            if candidate.part is not None:
                return f"{place(candidate.kind, None, part=candidate.part)} (whole flow {size})"
            return f"the supply has changed: pump, intake or trunk (whole flow {size})"
        case FaultKind.METER:
            return f"the {instrument(candidate.subject, gauges)} {who} reads wrong{or_motor(candidate.subject, gauges)} (its reading {size})"


_CHANGED: Mapping[str, str] = {
    SupplyPart.IMPELLER: "a worn or fouled impeller",
    SupplyPart.INTAKE: "a changed intake or trunk",
    SupplyPart.SPEED: "another pump speed",
}


def fault(name: str, gauges: Gauges = NO_GAUGES) -> str:
    """A fault by the name that the isolability gives it, in plain words: "restriction:carbon" is "carbon restricted"."""
    kind, _, subject = name.partition(":")
    who = isolated(subject)
    return {
        FaultKind.RESTRICTION: f"{who} restricted",
        FaultKind.OPENING: f"{who} more open than before",
        FaultKind.SUPPLY: _CHANGED.get(subject, "a changed supply"),
        FaultKind.METER: f"{instrument(subject, gauges)} {who} reading wrong{or_motor(subject, gauges)}",
    }[FaultKind(kind)]


def event(entry: Event) -> str:
    """A journal entry in plain words: "media changed", "pump speed set to 80 %"."""
    value = clean(entry.value)
    match entry.kind:
        case EventKind.PUMP_SPEED:
            return f"pump speed set to {value} %"
        case EventKind.FEED_PAUSE:
            return f"feed pause of {value} min"
        case EventKind.MAINTENANCE:
            return MAINTENANCE_WORDS.get(value, value)
        case EventKind.CALIBRATION:
            return f"calibrated to {value} pulses per litre"


def k_factor(meter: Meter, calibrated: str | None) -> str:
    """The K-factor in force: the plant file's, or what a calibration in the journal put in its place."""
    if calibrated is not None:
        return f"{clean(calibrated)} pulses/L, from the journal"
    factors = [factor for _, factor in meter.k_points]
    if len(factors) <= FEW_POINTS:
        return f"{factors[0]:g} pulses/L"
    return f"{min(factors):g} to {max(factors):g} pulses/L, a table of {len(factors)} points"
