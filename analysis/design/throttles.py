"""The hand valves that branches are balanced with: which one it is, opening it, and the turn that costs a given K."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

from analysis.hydraulics.fittings import valve_k
from analysis.hydraulics.network import Network
from config.plant import Pipe, Plant, Run, Valve, ValveKind

MOST_DEG = 89.0  # any nearer shut, a hand valve holds no flow that can be set
_BISECTIONS = 60
_AS_OPEN = 1e-3  # a thousandth more than open is open


@dataclass(frozen=True, slots=True, kw_only=True)
class Throttle:
    """The valve that a branch is balanced with.

    Attributes:
        run: index of the run. name: of the run. place: of the valve in its path. kind: of the valve.
        bore_m: bore that it sits on, m. nominal_in: its nominal size, inches; None where the bore alone is known.
        open_s2_m5: what it costs fully open, h = c Q |Q|.
    """

    run: int
    name: str
    place: int
    kind: ValveKind
    bore_m: float
    nominal_in: float | None
    open_s2_m5: float

    def k(self, closed_deg: float) -> float:
        """K at so many degrees from open.

        Args:
            closed_deg: degrees from open, 0..90.

        Returns:
            K on the valve's own bore; infinite at 90.
        """
        return valve_k(self.kind, closed_deg=closed_deg, bore_m=self.bore_m, nominal_in=self.nominal_in)

    def turn_deg(self, added_s2_m5: float) -> float:
        """Turn from fully open, degrees, at which it costs this much more than open, h = c Q |Q|; by bisection.

        Where it would have to be all but shut, the turn is `MOST_DEG` and costs less.

        Args:
            added_s2_m5: loss beyond the open valve's, s2/m5.

        Returns:
            Degrees from open, 0..89.
        """
        if added_s2_m5 <= _AS_OPEN * self.open_s2_m5:
            return 0.0
        wanted = self.k(0.0) * (1.0 + added_s2_m5 / self.open_s2_m5)
        low, high = 0.0, MOST_DEG
        for _ in range(_BISECTIONS):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if self.k(middle) < wanted else (low, middle)
        return high


def throttle_place(run: Run) -> int | None:
    """Place of the valve that is most closed as built, the last of several alike; None for a run without a valve.

    Args:
        run: a branch.

    Returns:
        Index into its path, or None.
    """
    valves = [(element.closed_deg, place) for place, element in enumerate(run.path) if isinstance(element, Valve)]
    return max(valves)[1] if valves else None


def opened(plant: Plant, runs: frozenset[str]) -> Plant:
    """The plant with all hand valves of these runs fully open.

    Args:
        plant: as built.
        runs: names of the runs.
    """
    return replace(plant, runs=tuple(_opened(run) if run.name in runs else run for run in plant.runs))


def throttles_of(plant: Plant, network: Network, runs: frozenset[str]) -> tuple[Throttle, ...]:
    """The throttle of each of these runs that has a valve, in file order.

    Args:
        plant: as built.
        network: compiled from the plant with the valves of these runs open.
        runs: their names.
    """
    found = []
    for index, run in enumerate(plant.runs):
        place = throttle_place(run) if run.name in runs else None
        if place is not None:
            found.append(_throttle(run, index, place, network))
    return tuple(found)


def turned(plant: Plant, closed_deg: Mapping[Throttle, float]) -> Plant:
    """The plant with throttles turned to so many degrees from open.

    Args:
        plant: as built.
        closed_deg: degrees from open by throttle, 0..89.
    """
    runs = list(plant.runs)
    for throttle, angle_deg in closed_deg.items():
        run = runs[throttle.run]
        valve = Valve(kind=throttle.kind, closed_deg=angle_deg)
        runs[throttle.run] = replace(run, path=(*run.path[: throttle.place], valve, *run.path[throttle.place + 1 :]))
    return replace(plant, runs=tuple(runs))


def _throttle(run: Run, index: int, place: int, network: Network) -> Throttle:
    """The valve with the bore and loss that the network gives it."""
    valves = [element for element in run.path[: place + 1] if isinstance(element, Valve)]
    losses = [element for element in network.elements if element.run == index and element.kind == "valve"]
    loss = losses[len(valves) - 1]
    return Throttle(
        run=index,
        name=run.name,
        place=place,
        kind=valves[-1].kind,
        bore_m=loss.bore_m,
        nominal_in=_nominal_in(run, place, loss.bore_m),
        open_s2_m5=loss.loss.quadratic_s2_m5,
    )


def _nominal_in(run: Run, place: int, bore_m: float) -> float | None:
    """Nominal size of the pipe that gives the valve its bore."""
    before = [element for element in run.path[:place] if isinstance(element, Pipe)]
    after = [element for element in run.path[place:] if isinstance(element, Pipe)]
    near = [*before[-1:], *after[:1]]
    return next((pipe.nominal_in for pipe in near if pipe.bore_m == bore_m), None)


def _opened(run: Run) -> Run:
    path = tuple(replace(element, closed_deg=0.0) if isinstance(element, Valve) else element for element in run.path)
    return replace(run, path=path)
