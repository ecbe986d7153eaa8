"""Darcy friction factor: laminar, transition and turbulent, with its slope for Newton's method."""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from analysis.frames import Floats

LAMINAR_BELOW_RE = 2000.0
TURBULENT_ABOVE_RE = 4000.0
_PER_DECADE = 2.0 / np.log(10.0)


class FrictionLaw(StrEnum):
    """Which formula stands for fully turbulent flow."""

    SERGHIDES = "Serghides"
    SWAMEE_JAIN = "Swamee-Jain"


def friction_factor(
    reynolds: float | Floats, relative_roughness: float | Floats, *, law: FrictionLaw = FrictionLaw.SERGHIDES
) -> Floats:
    """Darcy friction factor over the whole range of flow.

    64/Re up to Re 2000 (Hagen-Poiseuille), the law above 4000, and between them the cubic in Re that meets both ends
    in value and slope (Dunlop 1991, as in EPANET's hydcoeffs.c); that range is uncertain by some 30 % whatever the
    formula.

    Args:
        reynolds: [...] Reynolds number, > 0.
        relative_roughness: [...] roughness over bore.
        law: the turbulent formula.

    Returns:
        [...] friction factor.
    """
    number, roughness = np.broadcast_arrays(
        np.asarray(reynolds, np.float64), np.asarray(relative_roughness, np.float64)
    )
    factor, _ = FrictionCurve.of(roughness.reshape(-1), law=law).at(number.reshape(-1))
    return factor.reshape(number.shape)


@dataclass(frozen=True, slots=True, kw_only=True)
class FrictionCurve:
    """Friction factor of pipes of given roughness, with what does not depend on flow worked out once.

    Attributes:
        law: the turbulent formula.
        scaled_roughness: [...] roughness / (3.7 bore).
        cubic: four [...] coefficients of the transition, by powers of Re/2000.
    """

    law: FrictionLaw
    scaled_roughness: Floats
    cubic: tuple[Floats, Floats, Floats, Floats]

    @classmethod
    def of(cls, relative_roughness: Floats, *, law: FrictionLaw) -> "FrictionCurve":
        """The curve of pipes with this [...] roughness over bore."""
        scaled = relative_roughness / 3.7
        at_end, slope_at_end = _turbulent(np.full_like(scaled, TURBULENT_ABOVE_RE), scaled, law)
        return cls(law=law, scaled_roughness=scaled, cubic=_transition_cubic(at_end, slope_at_end))

    def at(self, reynolds: Floats) -> tuple[Floats, Floats]:
        """Friction factor and d ln f / d ln Re of Reynolds numbers in the shape that the pipes broadcast to."""
        factor, slope = _turbulent(np.maximum(reynolds, TURBULENT_ABOVE_RE), self.scaled_roughness, self.law)
        if reynolds.size and reynolds.min() < TURBULENT_ABOVE_RE:
            factor, slope = self._below_turbulent(reynolds, factor, slope)
        return factor, slope

    def _below_turbulent(self, reynolds: Floats, factor: Floats, slope: Floats) -> tuple[Floats, Floats]:
        ratio = np.clip(reynolds / LAMINAR_BELOW_RE, 1.0, 2.0)
        c0, c1, c2, c3 = self.cubic
        cubic = c0 + ratio * (c1 + ratio * (c2 + ratio * c3))
        cubic_slope = ratio * (c1 + ratio * (2.0 * c2 + 3.0 * ratio * c3)) / cubic
        turbulent = reynolds >= TURBULENT_ABOVE_RE
        laminar = reynolds <= LAMINAR_BELOW_RE
        factor = np.where(turbulent, factor, np.where(laminar, 64.0 / reynolds, cubic))
        slope = np.where(turbulent, slope, np.where(laminar, -1.0, cubic_slope))
        return factor, slope


def _turbulent(reynolds: Floats, scaled_roughness: Floats, law: FrictionLaw) -> tuple[Floats, Floats]:
    if law is FrictionLaw.SWAMEE_JAIN:
        return _swamee_jain(reynolds, scaled_roughness)
    return _serghides(reynolds, scaled_roughness)


def _serghides(reynolds: Floats, scaled_roughness: Floats) -> tuple[Floats, Floats]:
    """Serghides' explicit form (Chemical Engineering, 5 March 1984), within 0.003 % of Colebrook here.

    The slope is that of Colebrook's implicit equation at this value, which costs no further logarithm.
    """
    inverse_re = 1.0 / reynolds
    first = _log_step(12.0 * inverse_re, scaled_roughness)
    inverse_re *= 2.51
    second = _log_step(first * inverse_re, scaled_roughness)
    bend = _log_step(second * inverse_re, scaled_roughness)
    second -= first
    bend -= first
    bend -= second
    bend -= second  # C - 2 B + A
    second *= second
    second /= bend
    root = np.subtract(first, second, out=first)  # 1 / sqrt(f) = A - (B - A)^2 / (C - 2 B + A)
    slope = np.multiply(root, inverse_re, out=second)
    slope += scaled_roughness
    slope += _PER_DECADE * inverse_re
    np.divide(inverse_re, slope, out=slope)
    slope *= -2.0 * _PER_DECADE
    factor = np.multiply(root, root, out=root)
    np.divide(1.0, factor, out=factor)
    return factor, slope


def _log_step(argument: Floats, scaled_roughness: Floats) -> Floats:
    """-2 log10(argument + roughness / 3.7 D), in the place of the argument: fresh arrays cost more than logarithms."""
    argument += scaled_roughness
    np.log(argument, out=argument)
    argument *= -_PER_DECADE
    return argument


def _swamee_jain(reynolds: Floats, scaled_roughness: Floats) -> tuple[Floats, Floats]:
    """Swamee and Jain (Journal of the Hydraulics Division, ASCE 102, 1976): within 1.9 % of Colebrook here."""
    smooth = 5.74 / reynolds**0.9
    argument = scaled_roughness + smooth
    logarithm = np.log(argument)
    factor = 0.25 * np.log(10.0) ** 2 / logarithm**2
    return factor, 1.8 * smooth / (argument * logarithm)


def _transition_cubic(at_end: Floats, slope_at_end: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Coefficients by powers of r = Re/2000 of the cubic through 64/Re at r = 1 and the turbulent law at r = 2.

    Dunlop's construction: value 0.032 and slope -0.032 at r = 1; value `at_end` and `slope_at_end` (d ln f / d ln Re)
    at r = 2.
    """
    both = 2.0 * at_end + slope_at_end * at_end  # 2 (f + df/dr) at r = 2, with df/dr = slope f / 2
    return (
        7.0 * at_end - both,
        0.128 - 17.0 * at_end + 2.5 * both,
        -0.128 + 13.0 * at_end - 2.0 * both,
        0.032 - 3.0 * at_end + 0.5 * both,
    )
