"""A step of the pump's speed: where the journal has one, which minutes count, and how well meters see it.

The keeper lowers the speed for some minutes and sets it back. What is read is the log of each meter's flow during the
step over its flow just before and after, so that its K-factor and most of its wander fall out.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.detection.noise import NoiseModel
from analysis.events import Event, EventKind
from analysis.frames import HOUR_S, Floats

MINUTE_S = 60.0
# Lengths of a step; common practice, no source: shorter, and the water has not settled; longer is another way to run.
LEAST_S, MOST_S = 3 * MINUTE_S, 60 * MINUTE_S
SETTLING_S = 60.0  # after a change of speed nothing is read for so long
AHEAD_S = 30.0  # nor so long before one, since a keeper's clock is not the logger's
BESIDE_S = 15 * MINUTE_S  # read before and after
LEAST_CHANGE = 0.03  # of speed, fraction
SAME_SPEED = 0.01
LEAST_PULSES = 10.0  # in any window that is read; common practice, no source
# Variance of a difference of two counts that are whole numbers, of water that comes at any time: twice 1/12.
COUNT_VAR = 1.0 / 6.0
PIECE_S, FEWEST_FREE = 120.0, 6
POINTS = 12  # of time in a window that stand for all of it


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeedStep:
    """Speed set to `during` at `begin_s` and back to `before` at `end_s` (fractions; UTC epoch seconds).

    `from_s`, `to_s`: when the speed was changed before and after that, as far as known; no window reaches beyond.
    """

    begin_s: float
    end_s: float
    before: float
    during: float
    from_s: float
    to_s: float

    @property
    def windows_s(self) -> tuple[tuple[float, float], ...]:
        """Before, during and after: what is read, without the water's settling; UTC epoch seconds."""
        earlier = max(self.begin_s - BESIDE_S, self.from_s + SETTLING_S)
        later = min(self.end_s + SETTLING_S + BESIDE_S, self.to_s - AHEAD_S)
        return (
            (earlier, self.begin_s - AHEAD_S),
            (self.begin_s + SETTLING_S, self.end_s - AHEAD_S),
            (self.end_s + SETTLING_S, later),
        )

    def is_like(self, before: float, during: float) -> bool:
        """Whether it is a step between these speeds."""
        return abs(self.before - before) <= SAME_SPEED and abs(self.during - during) <= SAME_SPEED


@dataclass(frozen=True, slots=True, kw_only=True)
class Steps:
    """What a journal holds: `found` in order of time, and `refused`, what looked like a step and why it is none."""

    found: tuple[SpeedStep, ...]
    refused: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Counts:
    """What was counted before, during and after.

    Attributes:
        pulses, seconds: [3, M] and the seconds behind them. flow_m3s: [3, M]; nan unknown.
        minute_sd: [M] scatter of a minute's log flow within the windows; nan, or None, where it is not known.
    """

    pulses: Floats
    seconds: Floats
    flow_m3s: Floats
    minute_sd: Floats | None = None

    @property
    def weights(self) -> Floats:
        """[3, M] of the windows' logs in what is read; nan where a meter has too little before or during."""
        enough = (self.pulses >= LEAST_PULSES) & np.isfinite(self.flow_m3s) & (self.flow_m3s > 0)
        after = np.where(enough[2], 0.5, 0.0)
        weights = np.stack([after - 1.0, np.ones_like(after), -after])
        return np.where(enough[0] & enough[1], weights, np.nan)

    @property
    def log_ratio(self) -> Floats:
        """[M] log of the flow during over the mean before and after; nan where it cannot be told."""
        with np.errstate(divide="ignore", invalid="ignore"):
            logs = np.log(self.flow_m3s)
        weights = self.weights
        ratio: Floats = np.where(
            np.isnan(weights[0]), np.nan, np.sum(np.where(weights == 0, 0.0, weights * logs), axis=0)
        )
        return ratio


def steps_in(events: Sequence[Event], written: float, now_s: float) -> Steps:
    """Steps that were over at a time.

    Args:
        events: the journal; what is later than `now_s` is not used.
        written: speed before the first entry, fraction.
        now_s: UTC epoch seconds.
    """
    changes = _changes(events, written, now_s)
    found: list[SpeedStep] = []
    refused: list[str] = []
    free = 1
    for place in range(1, len(changes) - 1):
        (from_s, before), (begin_s, during), (end_s, after) = changes[place - 1 : place + 2]
        if place < free or abs(after - before) > SAME_SPEED or abs(during / before - 1.0) < LEAST_CHANGE:
            continue
        minutes = (end_s - begin_s) / MINUTE_S
        to_s = changes[place + 2][0] if place + 2 < len(changes) else now_s + AHEAD_S
        step = SpeedStep(begin_s=begin_s, end_s=end_s, before=before, during=during, from_s=from_s, to_s=to_s)
        if LEAST_S <= end_s - begin_s <= MOST_S:
            found.append(step)
            free = place + 2  # the change that ended one step does not begin another
        else:
            short = end_s - begin_s < LEAST_S
            refused.append(
                f"the change to {100 * during:.4g} % lasted {minutes:.3g} minutes, which is too "
                + (f"short: {LEAST_S / MINUTE_S:.0f} are the least" if short else "long to be a step")
            )
    return Steps(found=tuple(found), refused=tuple(refused))


def _changes(events: Sequence[Event], written: float, now_s: float) -> list[tuple[float, float]]:
    """When the speed changed and to what, the speed of the plant file first; entries that change nothing are no changes."""
    changes = [(-np.inf, written)]
    for event in sorted(events, key=lambda entry: entry.at_s):
        speed = float(event.value) / 100.0 if event.kind is EventKind.PUMP_SPEED else changes[-1][1]
        if event.at_s <= now_s and speed != changes[-1][1]:
            changes.append((event.at_s, speed))
    return changes


def pieces_of(step: SpeedStep) -> tuple[tuple[int, float, float], ...]:
    """The windows in whole pieces of two minutes by the clock: number of the window, from, to (UTC epoch seconds)."""
    return tuple(
        (number, at_s, at_s + PIECE_S)
        for number, (start, end) in enumerate(step.windows_s)
        for at_s in np.arange(np.ceil(start / PIECE_S) * PIECE_S, end - PIECE_S + 0.5, PIECE_S).tolist()
    )


def minute_sd_of(windows: Sequence[int], pulses: Floats, seconds: Floats) -> Floats:
    """[M] scatter of a minute's log flow, about the mean of its window; nan where fewer than six pieces tell.

    Args:
        windows: P numbers of the windows of the pieces.
        pulses: [P, M] counted in them.
        seconds: [P, M] the time behind that.
    """
    told = (pulses > 0) & (seconds > 0)
    logs = np.where(told, np.log(np.where(told, pulses, 1.0) / np.where(told, seconds, 1.0)), np.nan)
    squares, free = np.zeros(pulses.shape[1]), np.zeros(pulses.shape[1])
    for number in set(windows):
        own = logs[np.array(windows) == number]
        known = np.isfinite(own)
        count = known.sum(axis=0)
        mean = np.sum(np.where(known, own, 0.0), axis=0) / np.maximum(count, 1)
        squares += np.sum(np.where(known, own - mean, 0.0) ** 2, axis=0)
        free += np.maximum(count - 1, 0)
    length_s = np.sum(np.where(told, seconds, 0.0), axis=0) / np.maximum(told.sum(axis=0), 1)
    return np.where(free >= FEWEST_FREE, np.sqrt(squares / np.maximum(free, 1) * length_s / MINUTE_S), np.nan)


def noise_of_counts(noise: NoiseModel, step: SpeedStep, counts: Counts) -> Floats:
    """[M, M] variance of what is read, from the meters' noise and their pulses' resolution alone; inf where unread.

    White noise is the commissioned one, or what the minutes of the step show if that is more; it goes down with the
    time that is read; a wander is what it does from one window to the next; a count is
    a whole number.
    """
    weights = np.nan_to_num(counts.weights)
    at_h = np.array([np.linspace(start, end, POINTS) for start, end in step.windows_s]) / HOUR_S
    apart_h = np.abs(at_h[:, None, :, None] - at_h[None, :, None, :])
    hourly = noise.white_sd**2 * HOUR_S
    if counts.minute_sd is not None:
        hourly = np.fmax(hourly, counts.minute_sd**2 * MINUTE_S)
    white = hourly / np.maximum(counts.seconds, 1.0)
    whole = COUNT_VAR / np.maximum(counts.pulses, 1.0) ** 2
    own = np.sum(weights**2 * (white + whole), axis=0)
    kept = np.exp(-apart_h[..., None] / noise.wander_tau_h).mean(axis=(2, 3))
    own += noise.wander_sd**2 * np.einsum("im,ijm,jm->m", weights, kept, weights)
    own[np.isnan(counts.weights[1])] = np.inf
    total = np.diag(own)
    for part, signature in enumerate(noise.common_signature.T):
        seen = weights * signature
        kept = np.exp(-apart_h / noise.common_tau_h[part]).mean(axis=(2, 3))
        total = total + noise.common_sd[part] ** 2 * np.einsum("im,ij,jn->mn", seen, kept, seen)
    return total
