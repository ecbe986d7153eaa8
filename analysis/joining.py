"""A meter that is commissioned after the others: it joins them, and what they were commissioned with stays."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from analysis.baseline import LEAST_HOURS, Baseline, Joined
from analysis.commissioning import Usual, commission, fit_plant
from analysis.events import Event
from analysis.frames import Floats, HourFrame
from config.errors import InputMissing
from config.plant import Plant


def join(  # noqa: PLR0913, PLR0917 - what commissioning takes, and what it is to be joined to
    plant: Plant, baseline: Baseline, frame: HourFrame, flow_m3s: Floats, name: str, events: Sequence[Event] = ()
) -> Baseline:
    """A baseline with one meter more.

    What the meter shows and how it wanders is learned from these hours, the rest of the noise is kept; the network is
    fitted anew to what all usually show.

    Args:
        plant: as built.
        baseline: of the others.
        frame: healthy hours, at the commissioned speed, of the baseline's meters and of this one.
        flow_m3s: [T, M] their flow, nan in hours that do not count.
        name: of the meter.
        events: the journal.

    Raises:
        InputMissing: too few hours of it, or no flow.
    """
    late = commission(plant, frame, flow_m3s, speed=baseline.speed)
    if name not in late.meters:
        (lacking,) = (meter for meter in late.meters_left_out if meter.name == name)
        raise InputMissing(
            f"{name}: {lacking.hours} hours with a reading in this time, and {LEAST_HOURS} with flow are needed. "
            "Load more readings, or give a longer time with --from and --to"
        )
    place = late.meters.index(name)
    fresh_hz, known_hz = late.pulses_hz(plant.meters)[place], baseline.pulses_hz(plant.meters, events)
    order = tuple(meter.name for meter in plant.meters if meter.name in {*baseline.meters, name})
    usual = Usual(
        meters=order,
        flow_m3s=_with(baseline.meters, baseline.flow_m3s, order, late.flow_m3s[place]),
        pulses_hz=_with(baseline.meters, known_hz, order, fresh_hz),
        gauges=baseline.gauge_names,
        shown=np.array([gauge.shown for gauge in baseline.gauges]),
    )
    found = fit_plant(plant, usual, speed=baseline.speed, from_s=baseline.from_s, to_s=baseline.to_s)
    known, fresh = baseline.noise, late.noise
    own = {
        key: _with(baseline.readings, getattr(known, key), found.readings, getattr(fresh, key)[place])
        for key in ("white_sd", "wander_sd", "wander_tau_h")
    }
    noise = replace(known, common_signature=found.noise.common_signature, **own)
    return replace(
        found,
        noise=noise,
        left_out=baseline.left_out,
        meters_left_out=tuple(meter for meter in baseline.meters_left_out if meter.name != name),
        joined=(*baseline.joined, Joined(name=name, from_s=frame.start_s, to_s=frame.end_s)),
    )


def _with(names: tuple[str, ...], values: Floats, order: tuple[str, ...], new: float) -> Floats:
    """Values of some names and one that is new, in another order."""
    known = dict(zip(names, values.tolist(), strict=True))
    return np.array([known.get(name, float(new)) for name in order])
