"""Everything that goes wrong in the scenarios, with its label: what a right answer says, from when, until when."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from analysis.assessment import FaultKind
from analysis.events import Event, EventKind
from analysis.frames import Floats
from tests.bench.diagnosis_parts.engine import Conditions, Engine, usual
from tests.bench.diagnosis_parts.life import DAY_H, at_s, autoregression
from tests.bench.diagnosis_parts.manifold import Manifold

Answer = tuple[FaultKind, str | None]
VISCOSITY_M2S = 9.4e-7
LATEST_SHARE = 0.6  # of the days after commissioning, in which a fault may begin
ROOM_H = 8 * DAY_H
TRUNK_AT_ONCE = 0.3
# The trunk now and then comes at once.
GROWING = frozenset({"slow_clog", "unlogged_cure", "impeller", "trunk", "meter_drift"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """A fault, or what only looks like one.

    Attributes:
        kind: by the name in KINDS. answer: what is right to say; None where nothing is wrong.
        onset_h: first hour touched; end_h: first hour cured, None for never.
        pump_factor, riser_k, branch_k: as in `Conditions`. speed: [T] factor that nobody wrote down.
        reading: [T, M] factor on what the meters show.
        events: what the keeper wrote down of it.
    """

    kind: str
    answer: Answer | None = None
    onset_h: int | None = None
    end_h: int | None = None
    pump_factor: Floats
    riser_k: Floats
    branch_k: Floats
    speed: Floats
    reading: Floats
    events: tuple[Event, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """What a fault is drawn on: the plant as built in its engine, its metered runs, the record's hours."""

    random: np.random.Generator
    engine: Engine
    built: Manifold
    metered: tuple[str, ...]
    hours: int
    healthy_h: int

    def branches_to_fault(self, *, media_only: bool) -> list[int]:
        """Places of the branches a fault may sit on: metered ones nine times in ten, with media if asked and there."""
        places = range(len(self.built.branches))
        media = [place for place in places if self.built.branches[place].media]
        pool = media if media_only and media else list(places)
        seen = [place for place in pool if self.built.branches[place].name in self.metered]
        unseen = [place for place in pool if place not in seen]
        if not seen or (unseen and self.random.random() < 0.1):
            return unseen
        return seen

    def pick(self, *, media_only: bool) -> int:
        """One of them."""
        return int(self.random.choice(self.branches_to_fault(media_only=media_only)))

    def meter(self) -> int:
        """A meter."""
        return int(self.random.integers(len(self.metered)))

    def onset(self) -> int:
        """A first hour, from half a day after commissioning on, with some days left to run."""
        first = self.healthy_h + 12
        last = first + int(LATEST_SHARE * (self.hours - ROOM_H - first))
        return int(self.random.integers(first, max(last, first + 1)))

    def ramp(self, onset_h: int, days: tuple[float, float]) -> Floats:
        """[T] 0 before the onset, 1 from some days later on, evenly or quickening; it ends within the record."""
        room = (self.hours - onset_h) / DAY_H - 1.0
        over_h = DAY_H * self.random.uniform(min(days[0], room), min(days[1], room))
        grown = np.clip((np.arange(self.hours) - onset_h + 1.0) / over_h, 0.0, 1.0)
        return np.asarray(grown ** self.random.uniform(0.9, 2.0), dtype=np.float64)

    def step(self, onset_h: int) -> Floats:
        """[T] 0 before the onset and 1 from it on."""
        return (np.arange(self.hours) >= onset_h).astype(np.float64)

    def sized(self, trial: Callable[[float], Conditions], place: int | None, log_change: float, most: float) -> float:
        """The amount up to `most` that changes a branch's flow (or the total) by so much, by halving."""
        before = _seen(self.engine.flows_m3s(trial(0.0)), place)
        low, high = 0.0, most
        for _ in range(40):
            middle = 0.5 * (low + high)
            change = np.log(_seen(self.engine.flows_m3s(trial(middle)), place) / before)
            low, high = (middle, high) if abs(change) < abs(log_change) else (low, middle)
        return 0.5 * (low + high)

    def branch_k(self, place: int, log_change: float) -> float:
        """K that changes a branch's flow by so much; a valve gives no more than nearly all of the branch's K."""
        own = self.built.branches[place].pipe.k

        def trial(amount: float) -> Conditions:
            asked = self._usual()
            asked.branch_k[0, place] = own * (np.expm1(amount) if log_change < 0 else -amount)
            return asked

        amount = self.sized(trial, place, log_change, 12.0 if log_change < 0 else 0.95)
        return float(trial(amount).branch_k[0, place])

    def riser_k(self, log_change: float) -> float:
        """K on the riser that changes the total by so much."""

        def trial(amount: float) -> Conditions:
            asked = self._usual()
            asked.riser_k[0] = np.expm1(amount)
            return asked

        return float(np.expm1(self.sized(trial, None, log_change, 9.0)))

    def _usual(self) -> Conditions:
        return usual(1, len(self.built.branches), viscosity_m2s=VISCOSITY_M2S)

    def nothing(self, kind: str) -> Fault:
        """All as built, under a kind's name: what the faults are made from."""
        one = np.ones(self.hours)
        return Fault(
            kind=kind,
            pump_factor=one,
            riser_k=np.zeros(self.hours),
            branch_k=np.zeros((self.hours, len(self.built.branches))),
            speed=one,
            reading=np.ones((self.hours, len(self.metered))),
        )


def _seen(flow_m3s: Floats, place: int | None) -> float:
    return float(flow_m3s[0].sum() if place is None else flow_m3s[0, place])


def _on_branch(bench: Bench, place: int, k: Floats) -> Floats:
    branch_k = np.zeros((bench.hours, len(bench.built.branches)))
    branch_k[:, place] = k
    return branch_k


def _loss(bench: Bench, low: float, high: float) -> float:
    """Log change of a flow that loses so large a share."""
    return float(np.log1p(-bench.random.uniform(low, high)))


def _healthy(bench: Bench) -> Fault:
    return bench.nothing("healthy")


def _logged_speed(bench: Bench) -> Fault:
    """The journal's speeds make it; the fault itself is nothing."""
    return bench.nothing("logged_speed")


def _logged_media(bench: Bench) -> Fault:
    """New media, journalled, that pack a little looser or tighter."""
    onset, place = bench.onset(), bench.pick(media_only=True)
    k = bench.branch_k(place, float(bench.random.uniform(-0.06, 0.06)))
    event = _job(bench, place, onset)
    return replace(
        bench.nothing("logged_media"), branch_k=_on_branch(bench, place, k * bench.step(onset)), events=(event,)
    )


def _job(bench: Bench, place: int, hour: int) -> Event:
    name = bench.built.branches[place].name
    return Event(at_s=at_s(hour), kind=EventKind.MAINTENANCE, target=name, value="media_changed")


def _clog(bench: Bench, kind: str, *, cured: bool, logged: bool) -> Fault:
    onset, place = bench.onset(), bench.pick(media_only=True)
    grown = bench.ramp(onset, (6.0, 30.0))
    k = bench.branch_k(place, _loss(bench, 0.15, 0.60))
    end = None
    events: tuple[Event, ...] = ()
    if cured:
        full = int(np.argmax(grown >= 1.0))
        end = min(onset + int((full - onset) * bench.random.uniform(0.7, 1.1)), bench.hours - 72)
        grown = np.where(np.arange(bench.hours) >= end, 0.0, grown)
        events = (_job(bench, place, end),) if logged else ()
    answer = (FaultKind.RESTRICTION, bench.built.branches[place].name)
    branch_k = _on_branch(bench, place, k * grown)
    return replace(bench.nothing(kind), answer=answer, onset_h=onset, end_h=end, branch_k=branch_k, events=events)


def _slow_clog(bench: Bench) -> Fault:
    return _clog(bench, "slow_clog", cured=bench.random.random() < 0.3, logged=True)


def _unlogged_cure(bench: Bench) -> Fault:
    return _clog(bench, "unlogged_cure", cured=True, logged=False)


def _turned(bench: Bench, kind: str, log_change: float, *, media_only: bool) -> Fault:
    onset, place = bench.onset(), bench.pick(media_only=media_only)
    k = bench.branch_k(place, log_change)
    sort = FaultKind.RESTRICTION if log_change < 0 else FaultKind.OPENING
    answer = (sort, bench.built.branches[place].name)
    return replace(
        bench.nothing(kind), answer=answer, onset_h=onset, branch_k=_on_branch(bench, place, k * bench.step(onset))
    )


def _sudden_clog(bench: Bench) -> Fault:
    return _turned(bench, "sudden_clog", _loss(bench, 0.12, 0.60), media_only=True)


def _valve_shut(bench: Bench) -> Fault:
    return _turned(bench, "valve_shut", _loss(bench, 0.08, 0.45), media_only=False)


def _valve_open(bench: Bench) -> Fault:
    return _turned(bench, "valve_open", float(np.log1p(bench.random.uniform(0.06, 0.20))), media_only=False)


def _impeller(bench: Bench) -> Fault:
    onset = bench.onset()
    factor = 1.0 - bench.random.uniform(0.08, 0.25) * bench.ramp(onset, (12.0, 45.0))
    return replace(bench.nothing("impeller"), answer=(FaultKind.SUPPLY, None), onset_h=onset, pump_factor=factor)


def _trunk(bench: Bench) -> Fault:
    onset = bench.onset()
    grown = bench.step(onset) if bench.random.random() < TRUNK_AT_ONCE else bench.ramp(onset, (5.0, 28.0))
    k = bench.riser_k(_loss(bench, 0.08, 0.30))
    return replace(bench.nothing("trunk"), answer=(FaultKind.SUPPLY, None), onset_h=onset, riser_k=k * grown)


def _speed(bench: Bench) -> Fault:
    onset = bench.onset()
    ratio = bench.random.uniform(0.86, 0.96) if bench.random.random() < 0.6 else bench.random.uniform(1.03, 1.10)
    speed = 1.0 + (ratio - 1.0) * bench.step(onset)
    return replace(bench.nothing("speed"), answer=(FaultKind.SUPPLY, None), onset_h=onset, speed=speed)


def _on_meter(bench: Bench, kind: str, factor: Floats, *, onset: int, end: int | None = None) -> Fault:
    column = bench.meter()
    reading = np.ones((bench.hours, len(bench.metered)))
    reading[:, column] = factor
    answer = (FaultKind.METER, f"{bench.metered[column]} meter")
    return replace(bench.nothing(kind), answer=answer, onset_h=onset, end_h=end, reading=reading)


def _meter_drift(bench: Bench) -> Fault:
    onset = bench.onset()
    low = bench.random.random() < 0.8
    gain = bench.random.uniform(0.72, 0.92) if low else bench.random.uniform(1.08, 1.20)
    factor = 1.0 + (gain - 1.0) * bench.ramp(onset, (8.0, 40.0))
    return _on_meter(bench, "meter_drift", factor, onset=onset)


def _meter_stuck(bench: Bench) -> Fault:
    onset = bench.onset()
    return _on_meter(bench, "meter_stuck", 1.0 - bench.step(onset), onset=onset)


def _meter_noisy(bench: Bench) -> Fault:
    """Air for some hours to some days: it reads off on average and jumps from hour to hour."""
    onset = bench.onset()
    end = onset + int(bench.random.integers(6, 97))
    off = bench.random.uniform(-0.15, 0.25)
    jumps = autoregression(bench.random, bench.hours, sd=bench.random.uniform(0.08, 0.25), tau_h=0.5)
    burst = bench.step(onset) - bench.step(end)
    factor = np.where(burst > 0, np.clip(1.0 + off + jumps, 0.02, 3.0), 1.0)
    return _on_meter(bench, "meter_noisy", factor, onset=onset, end=end)


KINDS: dict[str, Callable[[Bench], Fault]] = {
    "healthy": _healthy,
    "logged_speed": _logged_speed,
    "logged_media": _logged_media,
    "slow_clog": _slow_clog,
    "sudden_clog": _sudden_clog,
    "impeller": _impeller,
    "trunk": _trunk,
    "valve_shut": _valve_shut,
    "valve_open": _valve_open,
    "speed": _speed,
    "meter_drift": _meter_drift,
    "meter_stuck": _meter_stuck,
    "meter_noisy": _meter_noisy,
    "unlogged_cure": _unlogged_cure,
}
# How often each kind comes in twenty scenarios.
OFTEN = {"healthy": 4, "slow_clog": 3, "impeller": 2} | dict.fromkeys(
    ("logged_speed", "logged_media", "sudden_clog", "trunk", "valve_shut", "valve_open", "speed"), 1
)
OFTEN |= dict.fromkeys(("meter_drift", "meter_stuck", "meter_noisy", "unlogged_cure"), 1)

# What is right to say of each kind, and how often it comes at once (else it grows).
SORTS: dict[str, tuple[FaultKind, float]] = {
    "slow_clog": (FaultKind.RESTRICTION, 0.0),
    "unlogged_cure": (FaultKind.RESTRICTION, 0.0),
    "sudden_clog": (FaultKind.RESTRICTION, 1.0),
    "valve_shut": (FaultKind.RESTRICTION, 1.0),
    "valve_open": (FaultKind.OPENING, 1.0),
    "impeller": (FaultKind.SUPPLY, 0.0),
    "trunk": (FaultKind.SUPPLY, TRUNK_AT_ONCE),
    "speed": (FaultKind.SUPPLY, 1.0),
    "meter_drift": (FaultKind.METER, 0.0),
    "meter_stuck": (FaultKind.METER, 1.0),
    "meter_noisy": (FaultKind.METER, 1.0),
}


def kind_of(seed: int, number: int) -> str:
    """The kind of a scenario: every twenty hold all of them, in an order of their own."""
    block = [kind for kind, count in OFTEN.items() for _ in range(count)]
    order = np.random.default_rng([seed, 1, number // len(block)]).permutation(len(block))
    return block[int(order[number % len(block)])]
