"""Manifolds drawn at random: what the keeper would enter, and the plant that stands behind it.

Flows, lifts and losses are invented, in the range of home systems; nothing of them comes from a product. The plant as
built differs from the plant file: fittings and beds cost up to a fifth more or less, the pump is not quite its
leaflet's, outlets stand a finger higher or lower.
"""

from dataclasses import dataclass, replace

import numpy as np

from config.plant import Device, FixedK, Meter, Pipe, Plant, Pump, Run, Target, Water

GRAVITY_M_S2 = 9.80665
LPM = 1.0 / 60_000.0  # in m3/s
RISER = "riser"
ROUGHNESS_M = 1.5e-6
RETURN_SHARE = (0.40, 0.62)
TOTAL_LPM = (45.0, 170.0)
# name, share of the flow left over by the return, lift above the sump (0: the sump itself), share of the head that
# its device takes, media that clog in it, pulses a litre of its meter.
KINDS = (
    ("uv", (0.8, 1.6), (0.0, 0.0), 0.15, None, 20.0),
    ("scrubber", (0.6, 1.2), (0.6, 1.1), 0.25, "algae screen", 24.0),
    ("carbon", (0.25, 0.5), (0.1, 0.3), 0.35, "granular carbon", 60.0),
    ("phosphate", (0.2, 0.4), (0.1, 0.3), 0.35, "phosphate media", 60.0),
    ("calcium", (0.1, 0.2), (0.2, 0.5), 0.30, "calcium media", 90.0),
    ("lime", (0.1, 0.2), (0.3, 0.6), 0.20, None, 90.0),
    ("algae", (0.5, 1.0), (0.2, 0.5), 0.15, "macro-algae", 30.0),
    ("frag row", (0.8, 1.8), (0.7, 1.2), 0.0, None, 12.0),
)
RETURN_PULSES, RISER_PULSES = 6.0, 4.0
FEWEST, MOST = 3, 8
LEAST_BORE_M = 0.009


@dataclass(frozen=True, slots=True, kw_only=True)
class Pipework:
    """A pipe with all its minor losses `k` on its own bore."""

    bore_m: float
    length_m: float
    k: float

    def k_to_loss(self, flow_m3s: float) -> float:
        """Velocity head at a flow, m: what a K of 1 costs."""
        velocity = flow_m3s / (np.pi * self.bore_m**2 / 4.0)
        return float(velocity**2 / (2.0 * GRAVITY_M_S2))


@dataclass(frozen=True, slots=True, kw_only=True)
class Branch:
    """A branch.

    Attributes:
        tee: number of the tee that it hangs on. lift_m: outlet above the sump; 0 for the sump itself.
        bed: (a s/m2, b s2/m5) of its device, h = a Q + b Q^2; zeros for none.
        flow_m3s: what it was designed for. media: what can clog in it.
    """

    name: str
    tee: int
    lift_m: float
    pipe: Pipework
    bed: tuple[float, float]
    flow_m3s: float
    media: str | None
    pulses_per_litre: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Manifold:
    """A pump with its (m3/s, m) points, a riser to tee 0, equal headers from tee to tee, and branches."""

    pump: tuple[tuple[float, float], ...]
    riser: Pipework
    header: Pipework
    branches: tuple[Branch, ...]

    @property
    def tees(self) -> int:
        """Number of tees."""
        return self.branches[-1].tee + 1

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the branches."""
        return tuple(branch.name for branch in self.branches)


def draw_manifold(random: np.random.Generator) -> Manifold:
    """A manifold of 3 to 8 branches, every one throttled to about its flow."""
    count = int(random.integers(FEWEST, MOST + 1))
    total = float(random.uniform(*TOTAL_LPM)) * LPM
    picked = [KINDS[index] for index in random.permutation(len(KINDS))[: count - 1]]
    share = np.array([random.uniform(*kind[1]) for kind in picked])
    return_share = random.uniform(*RETURN_SHARE)
    flows = total * np.array([return_share, *((1.0 - return_share) * share / max(share.sum(), 2.0))])
    total = float(flows.sum())
    lift_m = float(random.uniform(1.1, 2.0))
    header_head_m = lift_m + float(random.uniform(0.35, 1.2))
    tee = np.concatenate([[0], np.cumsum(random.random(count - 1) < 0.7)])
    branches = [_branch(random, ("return", (), (lift_m, lift_m), 0.0, None, RETURN_PULSES), 0, flows[0], header_head_m)]
    branches += [
        _branch(random, kind, int(tee[place]), flows[place], header_head_m)
        for place, kind in enumerate(picked, start=1)
    ]
    riser = Pipework(bore_m=_bore(random, total), length_m=random.uniform(0.5, 1.5), k=random.uniform(1.5, 4.0))
    header = Pipework(bore_m=_bore(random, total), length_m=random.uniform(0.1, 0.3), k=random.uniform(0.2, 0.6))
    head_m = header_head_m + 1.3 * riser.k * riser.k_to_loss(total)
    pump = (
        (0.0, head_m * random.uniform(1.35, 1.6)),
        (total, head_m),
        (total * random.uniform(1.7, 1.95), head_m * random.uniform(0.1, 0.25)),
    )
    return Manifold(pump=pump, riser=riser, header=header, branches=tuple(branches))


def as_built(random: np.random.Generator, design: Manifold) -> Manifold:
    """The plant that really stands there."""

    def off(share: float) -> float:
        return float(random.uniform(1.0 - share, 1.0 + share))

    def laid(pipe: Pipework) -> Pipework:
        return Pipework(bore_m=pipe.bore_m * off(0.01), length_m=pipe.length_m * off(0.1), k=pipe.k * off(0.2))

    head, flow = off(0.05), off(0.05)
    branches = []
    for branch in design.branches:
        bed = off(0.2)
        lift_m = branch.lift_m + float(random.uniform(-0.03, 0.03)) if branch.lift_m > 0 else 0.0
        built = replace(branch, pipe=laid(branch.pipe), lift_m=lift_m, bed=(branch.bed[0] * bed, branch.bed[1] * bed))
        branches.append(built)
    return Manifold(
        pump=tuple((q * flow, h * head) for q, h in design.pump),
        riser=laid(design.riser),
        header=laid(design.header),
        branches=tuple(branches),
    )


def plant_of(design: Manifold, metered: tuple[str, ...], *, low_m3s: dict[str, float] | None = None) -> Plant:
    """The keeper's plant file as records; the meter of a run is named after it.

    Args:
        design: the manifold.
        metered: names of the runs with a meter.
        low_m3s: least flow that the keeper wants, by branch.
    """
    low = low_m3s or {}
    runs = [Run(name=RISER, start="pump", end="tee 0", path=_path(design.riser), meter=_meter(RISER, metered))]
    runs += [
        Run(name=f"header {tee}", start=f"tee {tee - 1}", end=f"tee {tee}", path=_path(design.header))
        for tee in range(1, design.tees)
    ]
    for branch in design.branches:
        target = Target(low_m3s=low[branch.name]) if branch.name in low else None
        run = Run(
            name=branch.name,
            start=f"tee {branch.tee}",
            outlet_m=branch.lift_m,
            path=(*_path(branch.pipe), *_device(branch)),
            media=branch.media,
            target=target,
            meter=_meter(branch.name, metered),
        )
        runs.append(run)
    pulses = {branch.name: branch.pulses_per_litre for branch in design.branches} | {RISER: RISER_PULSES}
    meters = tuple(Meter(name=f"{name} meter", k_points=((0.0, pulses[name]),)) for name in metered)
    return Plant(name="made-up rack", water=Water(), pump=Pump(curve=design.pump), runs=tuple(runs), meters=meters)


def _branch(
    random: np.random.Generator,
    kind: tuple[str, object, tuple[float, float], float, str | None, float],
    tee: int,
    flow_m3s: float,
    header_head_m: float,
) -> Branch:
    """A branch whose throttle and device together take the head that is there at its flow."""
    name, _, lift, bed_share, media, pulses = kind
    lift_m = float(random.uniform(*lift))
    head_m = header_head_m - lift_m
    bed_m = head_m * bed_share * float(random.uniform(0.6, 1.4))
    linear = bed_m * float(random.uniform(0.0, 0.7)) if media else 0.0
    bare = Pipework(bore_m=_bore(random, flow_m3s), length_m=float(random.uniform(0.8, 2.2)), k=0.0)
    pipe = replace(bare, k=max((head_m - bed_m) / bare.k_to_loss(flow_m3s), 2.0))
    bed = (linear / flow_m3s, (bed_m - linear) / flow_m3s**2)
    return Branch(
        name=name, tee=tee, lift_m=lift_m, pipe=pipe, bed=bed, flow_m3s=flow_m3s, media=media, pulses_per_litre=pulses
    )


def _bore(random: np.random.Generator, flow_m3s: float) -> float:
    """A bore in which the flow runs at some 0.7 to 1.6 m/s; hoses end at 9 mm."""
    return max(float(np.sqrt(4.0 * flow_m3s / (np.pi * random.uniform(0.7, 1.6)))), LEAST_BORE_M)


def _path(pipe: Pipework) -> tuple[Pipe, FixedK]:
    laid = Pipe(label="pipe", bore_m=pipe.bore_m, length_m=pipe.length_m, roughness_m=ROUGHNESS_M)
    return (laid, FixedK(k=pipe.k))


def _device(branch: Branch) -> tuple[Device, ...]:
    linear, quadratic = branch.bed
    if quadratic <= 0:
        return ()
    flows = (branch.flow_m3s, 0.5 * branch.flow_m3s)
    points = tuple((q, linear * q + quadratic * q**2) for q in sorted(flows))
    return (Device(name=f"{branch.name} device", loss=points),)


def _meter(run: str, metered: tuple[str, ...]) -> str | None:
    return f"{run} meter" if run in metered else None
