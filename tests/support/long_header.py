"""An invented manifold: a long header with a metered branch at every tee, as many as are wanted; and what flows in it."""

from collections.abc import Sequence

import numpy as np

from analysis.frames import Floats
from analysis.hydraulics.network import Conditions, compile_network, solve
from config.settings import PlantFile

PULSES_PER_LITRE = 60.0
HEAD = """\
[plant]
name = "Shoal loft"
timezone = "UTC"
[pump]
curve = [["0 L/h", "6 m"], ["9000 L/h", "4.5 m"], ["18000 L/h", "0.8 m"]]
speed = "100 %"
[[run]]
name = "riser"
from = "pump"
to = "tee 0"
path = [{ pipe = "2 in sch 40", length = "80 cm" }, { elbow = "90", count = 2 }]
"""
BRANCH = """\
[[run]]
name = "branch {number}"
from = "tee {number}"
outlet = "{outlet_cm} cm"
path = [{{ tee = "branch" }}, {{ pipe = "3/4 in sch 40", length = "1.2 m" }}, {{ K = {k} }}]
meter = "M{number}"
[[meter]]
name = "M{number}"
pulses_per_litre = {pulses}
{source}"""
HEADER = """\
[[run]]
name = "header {number}"
from = "tee {before}"
to = "tee {number}"
path = [{{ tee = "run" }}, {{ pipe = "1-1/2 in sch 40", length = "20 cm" }}]
"""


def plant_text(meters: int, sources: Sequence[str] = ()) -> str:
    """A header with a metered branch at every tee; the meters by number, M0 first, with their live sources, if any."""
    parts = [HEAD]
    for number in range(meters):
        if number:
            parts.append(HEADER.format(number=number, before=number - 1))
        outlet_cm, k = 10 + 90 * number // meters, 20 + 5 * (number % 5)
        source = f"source = {{ {sources[number]} }}\n" if sources else ""
        parts.append(BRANCH.format(number=number, outlet_cm=outlet_cm, k=k, pulses=PULSES_PER_LITRE, source=source))
    return "".join(parts)


def minute_flows(plant: PlantFile, days: int) -> Floats:
    """[T, M] litres a minute: the pump wanders by the hour, each meter by a little noise; seeded."""
    random = np.random.default_rng(1)
    network = compile_network(plant.plant)
    speed = 1.0 + 0.0015 * random.normal(size=days * 24)
    hourly = solve(network, Conditions(speed=speed)).flow_m3s[:, network.end < 0] * 60_000.0
    flow = np.repeat(hourly, 60, axis=0)
    noisy: Floats = flow * (1.0 + 0.002 * random.normal(size=flow.shape))
    return noisy
