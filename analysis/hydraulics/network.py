"""The one door to the hydraulics: compile a plant, say how it runs, solve, and see where the head goes."""

from analysis.hydraulics.circuit import Network, compile_network
from analysis.hydraulics.conditions import AS_BUILT, Conditions
from analysis.hydraulics.element_heads import ElementHead, losses_by_element
from analysis.hydraulics.elements import STANDARD, Constants, TeeLaw
from analysis.hydraulics.solving import Solution, solve, solve_one

__all__ = [
    "AS_BUILT",
    "STANDARD",
    "Conditions",
    "Constants",
    "ElementHead",
    "Network",
    "Solution",
    "TeeLaw",
    "compile_network",
    "losses_by_element",
    "solve",
    "solve_one",
]
