"""Darcy friction factor: laminar, transition and turbulent, with its slope for Newton's method."""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from analysis.frames import Floats

LAMINAR_BELOW_RE = 2000.0
TURBULENT_ABOVE_RE = 4000.0
LOG_SCALE = float(2.0 / np.log(10.0))
"""1/sqrt(f) = -2 log10(...) = -LOG_SCALE ln(...)."""
COLEBROOK_REACH = 2.51 * LOG_SCALE
"""Over Re, times the reduced root: the smooth part of Colebrook's logarithm."""


class FrictionLaw(StrEnum):
    """Which formula stands for fully turbulent flow."""

    COLEBROOK = "Colebrook"
    SWAMEE_JAIN = "Swamee-Jain"


def friction_factor(
    reynolds: float | Floats, relative_roughness: float | Floats, *, law: FrictionLaw = FrictionLaw.COLEBROOK
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
        """The curve of pipes with this [...] roughness over bore.

        Args:
            relative_roughness: [...] roughness over bore.
            law: the turbulent formula.
        """
        scaled = relative_roughness / 3.7
        at_end, slope_at_end = _turbulent(np.full_like(scaled, TURBULENT_ABOVE_RE), scaled, law)
        return cls(law=law, scaled_roughness=scaled, cubic=_transition_cubic(at_end, slope_at_end))

    def at(self, reynolds: Floats) -> tuple[Floats, Floats]:
        """Friction factor and d ln f / d ln Re of Reynolds numbers in the shape that the pipes broadcast to.

        Args:
            reynolds: [...] > 0.

        Returns:
            Both in that shape, without a unit.
        """
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
    reach = COLEBROOK_REACH / reynolds
    root = colebrook_start(reach, scaled_roughness)
    half_power = colebrook_step(root, reach, scaled_roughness)
    return (1.0 / (LOG_SCALE * root)) ** 2, 2.0 * half_power - 2.0


def colebrook_start(reach: Floats, scaled_roughness: Floats) -> Floats:
    """Reduced root of the friction factor by Serghides' explicit form (Chemical Engineering, 5 March 1984).

    Within 0.003 % of Colebrook's equation over the range of plastic pipe.

    Args:
        reach: [...] COLEBROOK_REACH / Re.
        scaled_roughness: [...] roughness / (3.7 bore).

    Returns:
        [...] r = 1 / (LOG_SCALE sqrt(f)).
    """
    first = -np.log(scaled_roughness + (12.0 / COLEBROOK_REACH) * reach)
    second = -np.log(scaled_roughness + first * reach)
    third = -np.log(scaled_roughness + second * reach)
    root: Floats = first - (second - first) ** 2 / (third - 2.0 * second + first)
    return root


def colebrook_step(root: Floats, reach: Floats, scaled_roughness: Floats, spare: Floats | None = None) -> Floats:
    """One Newton step on Colebrook's equation, r + ln(s + r reach) = 0, in the place of `root` (and of `reach`).

    An error e of the root, as a share of it, becomes less than e^2 / 2; a positive root stays positive.

    Args:
        root: [...] reduced root r; improved in place.
        reach: [...] COLEBROOK_REACH / Re; overwritten by what is returned.
        scaled_roughness: [...] s, roughness / (3.7 bore).
        spare: [...] an array to work in.

    Returns:
        [...] half of d ln(f Re^2) / d ln Re: 1 where friction is fully rough, less where it is smoother.

    Source: Colebrook, Journal of the Institution of Civil Engineers 11 (1939) 133-156.
    """
    inner = np.multiply(root, reach, out=spare)
    inner += scaled_roughness
    reach += inner
    half_power = np.divide(inner, reach, out=reach)
    np.log(inner, out=inner)
    inner += root
    inner *= half_power
    root -= inner
    return half_power


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
