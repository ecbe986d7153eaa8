"""What the watch knows, as bytes: so that an hour is an hour's work, and a restart changes nothing.

A memory is no more than a shortcut. It names the hours and the settings that it came from by a digest; where any of
them has changed since, a late line in an old hour or a new limit, it does not fit, and the hours are walked again.
"""

import hashlib
import json
import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, is_dataclass
from typing import Any

import numpy as np

from analysis.detection.bank import empty
from analysis.detection.change import Change
from analysis.detection.noise import NoiseModel
from analysis.detection.regimes import Regime
from analysis.detection.track import Track
from analysis.detection.verdict import Verdict
from analysis.detection.watch import Watch
from analysis.detection.whitener import FilterState
from analysis.frames import Floats

VERSION = 5
"""Goes up with every change to what the watch makes of its readings."""
KEEP_H = 48
"""A new memory is worth keeping once it holds this many hours more: at 20 meters it is over a megabyte, and an hour that
is walked again takes milliseconds."""

Arrays = dict[str, np.ndarray[Any, Any]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Memory:
    """A watch that has taken in the hours up to one.

    Attributes:
        hour: the last hour taken in, counted from the frame's start.
        digest: names the readings, the noise, the faults and the settings that it came from.
        body: the rest.
    """

    hour: int
    digest: str
    body: bytes


def digest_of(watch: Watch, readings: Floats, shares: Floats, hour: int) -> str:
    """Name what a watch would have taken in up to an hour.

    Args:
        watch: for its noise, faults, limit and journalled work.
        readings: [T, M] as fed to it.
        shares: [T, M] likewise.
        hour: the last hour taken in.
    """
    told = [touch for touch in watch.touches if touch.hour <= hour]
    lessons = watch.lessons
    taught = () if lessons is None else (lessons.from_h, lessons.commissioned_h, *_learned(lessons.usual))
    numbers = (
        *taught,
        *(number for regime in watch.regimes if regime.from_h <= hour for number in _numbers(regime)),
        *((touch.hour, touch.sd, touch.anew, *touch.pattern) for touch in told),
        readings[: hour + 1],
        shares[: hour + 1],
    )
    names = watch.hypotheses.names
    named = hashlib.sha256(repr((VERSION, watch.threshold, watch.judge_from_h, names)).encode())
    for number in numbers:
        named.update(np.ascontiguousarray(number, dtype=np.float64).tobytes())
    return named.hexdigest()


def _numbers(regime: Regime) -> tuple[int | Floats, ...]:
    """What makes a regime."""
    hypotheses = regime.hypotheses
    doubt = () if hypotheses.doubt is None else (hypotheses.doubt,)
    return (regime.from_h, *_learned(regime.model), hypotheses.patterns, hypotheses.size, hypotheses.log_prior, *doubt)


def _learned(model: NoiseModel) -> tuple[Floats, ...]:
    """All of a noise model."""
    return tuple(getattr(model, field.name) for field in fields(model))


def memory_of(watch: Watch, readings: Floats, shares: Floats) -> Memory:
    """What a watch knows after its last hour; `readings`, `shares` [T, M] as fed to it."""
    arrays: Arrays = {"odds": np.asarray(watch.log_odds[-1])}
    if watch.lesson is not None:
        _pack("lesson", watch.lesson, arrays)
    unsettled = [number for number, change in enumerate(watch.changes) if change.track is watch.front]
    if not unsettled:
        _pack("front", watch.front, arrays)
    for field in fields(FilterState):
        arrays[f"past.{field.name}"] = np.array([getattr(state, field.name) for _, state in watch.past])
    for number, change in enumerate(watch.changes):
        _pack(f"change{number}.before", change.before, arrays)
        if change.open and not change.frozen:  # else nobody will judge it again
            _pack(f"change{number}.track", change.track, arrays)
        for index, verdict in enumerate((*change.noted, change.latest)):
            _pack(f"change{number}.verdict{index}", verdict, arrays)
    arrays["explained"] = np.array(list(watch.explained.values()))
    head = {
        "explained": list(watch.explained),
        "past": [hour for hour, _ in watch.past],
        "front": unsettled[0] if unsettled else None,
        "lessons_taken": watch.lessons_taken,
        "changes": [_head(change, watch.changes) for change in watch.changes],
    }
    return Memory(hour=watch.hour, digest=digest_of(watch, readings, shares, watch.hour), body=_bytes(head, arrays))


def _bytes(head: dict[str, Any], arrays: Arrays) -> bytes:
    """A line of JSON that says what follows, and the numbers one behind the other."""
    told = {name: (array.dtype.str, array.shape) for name, array in arrays.items()}
    line = json.dumps({"head": head, "arrays": told}).encode() + b"\n"
    return line + b"".join(np.ascontiguousarray(array).tobytes() for array in arrays.values())


def _parts(body: bytes) -> tuple[dict[str, Any], Arrays]:
    """What `_bytes` put together."""
    line, _, rest = body.partition(b"\n")
    told = json.loads(line)
    arrays: Arrays = {}
    at = 0
    for name, (kind, shape) in told["arrays"].items():
        array = np.frombuffer(rest, dtype=kind, count=math.prod(shape), offset=at).reshape(shape)
        arrays[name], at = array.copy(), at + array.nbytes
    return told["head"], arrays


def recall(watch: Watch, memories: Sequence[Memory], readings: Floats, shares: Floats) -> Memory | None:
    """Give a watch that has taken in nothing the newest memory that fits.

    Args:
        watch: to be filled.
        memories: in any order.
        readings: [T, M] that it is to be fed.
        shares: [T, M] likewise.

    Returns:
        The memory, None if none fits.
    """
    for memory in sorted(memories, key=lambda known: -known.hour):
        if memory.hour < len(readings) and memory.digest == digest_of(watch, readings, shares, memory.hour):
            _fill(watch, memory, readings, shares)
            return memory
    return None


def _fill(watch: Watch, memory: Memory, readings: Floats, shares: Floats) -> None:
    head, arrays = _parts(memory.body)
    taken = head["lessons_taken"]
    changes: list[Change] = []
    for number, told in enumerate(head["changes"]):
        changes.append(_change(watch, f"change{number}", told, arrays, changes))
    followed = head["front"]
    front = _unpacked(Track, "front", arrays, model=watch.model) if followed is None else changes[followed].track
    watch.restore(
        readings=list(readings[: memory.hour + 1]),
        shares=list(shares[: memory.hour + 1]),
        lesson=_unpacked(NoiseModel, "lesson", arrays) if taken else None,
        lessons_taken=taken,
        odds=float(arrays["odds"]),
        changes=changes,
        front=front,
        explained=dict(zip(head["explained"], arrays["explained"], strict=True)),
        past=[(hour, FilterState(*state)) for hour, *state in zip(head["past"], *_past(arrays), strict=True)],
    )


def _past(arrays: Arrays) -> list[np.ndarray[Any, Any]]:
    """The fields of the filters of the past, all hours each."""
    return [arrays[f"past.{field.name}"] for field in fields(FilterState)]


_PLAIN = ("raised_h", "cleared_h", "before_h", "settled_h", "frozen", "recovered_for_h", "faded_for_h")


def _head(change: Change, changes: Sequence[Change]) -> dict[str, Any]:
    return {
        **{name: getattr(change, name) for name in _PLAIN},
        "beside": [changes.index(other) for other in change.beside],
        "noted": len(change.noted),
    }


def _change(watch: Watch, name: str, told: dict[str, Any], arrays: Arrays, known: Sequence[Change]) -> Change:
    """A change from its plain values and arrays; those beside it come before it."""
    verdicts = [_unpacked(Verdict, f"{name}.verdict{index}", arrays) for index in range(told["noted"] + 1)]
    before = _unpacked(FilterState, f"{name}.before", arrays)
    goes_on = f"{name}.track.old_odds" in arrays
    track = _unpacked(Track, f"{name}.track", arrays, model=watch.model) if goes_on else None
    return Change(
        noted=verdicts[:-1],
        latest=verdicts[-1],
        before=before,
        track=track or Track(watch.model, before, empty(watch.model)),
        beside=tuple(known[index] for index in told["beside"]),
        **{plain: told[plain] for plain in _PLAIN},
    )


def _pack(name: str, record: Any, arrays: Arrays) -> None:
    """The numbers of a record, and of the records in it, by dotted names; the noise model is not repeated."""
    for field in fields(record):
        value = getattr(record, field.name)
        if field.name == "model" or value is None:
            continue
        if is_dataclass(value):
            _pack(f"{name}.{field.name}", value, arrays)
        else:
            plain = sorted(value) if isinstance(value, frozenset) else value
            arrays[f"{name}.{field.name}"] = np.asarray(plain)


def _unpacked(kind: type[Any], name: str, arrays: Arrays, **given: object) -> Any:
    """A record of a kind from the numbers of `_pack`; `given` are fields that are known already."""
    values = dict(given)
    for field in fields(kind):
        if field.name in given:
            continue
        if isinstance(field.type, type) and is_dataclass(field.type):
            values[field.name] = _unpacked(field.type, f"{name}.{field.name}", arrays)
            continue
        stored = arrays.get(f"{name}.{field.name}")
        if stored is None:
            values[field.name] = None
        elif field.type == frozenset[int]:
            values[field.name] = frozenset(int(number) for number in stored.tolist())
        elif stored.ndim == 0:
            values[field.name] = stored.item()
        else:
            values[field.name] = stored
    return kind(**values)
