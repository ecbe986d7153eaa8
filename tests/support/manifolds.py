"""Small invented plants for the tests of the hydraulics."""

from config.plant import Element, FixedK, Pipe, Plant, Pump, Run, Water

LPH_M3S = 1.0 / 3.6e6


def pipe(bore_m: float, length_m: float = 1.0, *, nominal_in: float | None = None) -> Pipe:
    """A plastic pipe."""
    return Pipe(label="pipe", bore_m=bore_m, length_m=length_m, roughness_m=1.5e-6, nominal_in=nominal_in)


def plant_of(*runs: Run, pump: Pump | None = None) -> Plant:
    """A plant with a pump of 4.6 m and 11.8 m3/h."""
    curve = ((0.0, 4.6), (6000.0 * LPH_M3S, 3.4), (11000.0 * LPH_M3S, 0.6))
    return Plant(name="rig", water=Water(), pump=pump or Pump(curve=curve), runs=runs)


def riser(*path: Element) -> Run:
    """The run from the pump to the node "tee"."""
    return Run(name="riser", start="pump", end="tee", path=path or (pipe(0.040894, 0.6), FixedK(k=1.2)))


def branch(name: str, *path: Element, outlet_m: float = 0.2, submerged: bool = False, start: str = "tee") -> Run:
    """A run to an outlet."""
    path = path or (pipe(0.0158), FixedK(k=20.0))
    return Run(name=name, start=start, outlet_m=outlet_m, submerged=submerged, path=path)


def display(outlet_m: float = 1.5, *, submerged: bool = True) -> Run:
    """The return to the display."""
    return branch("return", pipe(0.035052, 2.2), FixedK(k=3.7), outlet_m=outlet_m, submerged=submerged)
