"""What a fit determines: every figure with what the meters say of it, what the catalogue says, and what it moves with.

A fit of more figures than meters still gives each a value, for the catalogue fills in what the readings leave open. So
each figure says how much of what is known of it comes from the meters, and which other one these cannot tell it from.
"""

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from analysis.frames import Floats

NINETY_PERCENT = 1.645  # half of a 90 % interval of a normal spread, in standard deviations
TOGETHER = 0.8  # from this correlation on, two thirds of what is open in one figure is open in both


class FigureKind(StrEnum):
    """What is fitted."""

    RESISTANCE = "resistance"
    HEAD = "head"
    READING = "reading"


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedFigure:
    """One figure of a fit, as a factor on what the plant file says.

    Attributes:
        kind: a branch's resistance, the pump's head, or a meter's reading over the true flow.
        subject: the branch or the meter; "" for the pump.
        log_middle, log_sd: most probable log of the factor, and its standard deviation given readings and catalogue.
        prior_log_sd: standard deviation of the catalogue alone, about a factor of 1.
        partner_kind, partner_subject: the figure that it moves with most. correlation: of the two, -1..1.
    """

    kind: FigureKind
    subject: str
    log_middle: float
    log_sd: float
    prior_log_sd: float
    partner_kind: FigureKind
    partner_subject: str
    correlation: float

    @property
    def factor(self) -> float:
        """Most probable factor."""
        return math.exp(self.log_middle)

    @property
    def interval(self) -> tuple[float, float]:
        """90 % interval of the factor."""
        half = NINETY_PERCENT * self.log_sd
        return math.exp(self.log_middle - half), math.exp(self.log_middle + half)

    @property
    def prior_interval(self) -> tuple[float, float]:
        """90 % interval that the catalogue alone leaves."""
        half = NINETY_PERCENT * self.prior_log_sd
        return math.exp(-half), math.exp(half)

    @property
    def share_from_meters(self) -> float:
        """How much of all that is known of it (precision, one over variance) the meters brought, 0..1."""
        return max(0.0, 1.0 - (self.log_sd / self.prior_log_sd) ** 2)

    @property
    def moves_together(self) -> bool:
        """Whether the meters can hardly tell it from its partner."""
        return abs(self.correlation) >= TOGETHER


def fitted_figures(
    names: tuple[tuple[FigureKind, str], ...], middle: Floats, covariance: Floats, prior_sd: Floats
) -> tuple[FittedFigure, ...]:
    """Every figure of a fit of normal spread.

    Args:
        names: K kinds and subjects, K >= 2.
        middle: [K] most probable logs.
        covariance: [K, K] of them, given readings and catalogue.
        prior_sd: [K] standard deviations of the catalogue alone.

    Raises:
        ValueError: shapes that do not fit.

    Source: share of the meters by the precisions of a normal prior and posterior (Gelman and others, Bayesian Data
    Analysis, 3rd edition, 2013, section 2.5); from memory.
    """
    sd = np.sqrt(np.diag(covariance))
    correlation = covariance / np.outer(sd, sd)
    others = np.abs(correlation) - 2.0 * np.eye(len(names))
    partner = np.argmax(others, axis=1)
    return tuple(
        FittedFigure(
            kind=kind,
            subject=subject,
            log_middle=float(middle[place]),
            log_sd=float(sd[place]),
            prior_log_sd=float(prior_sd[place]),
            partner_kind=names[int(partner[place])][0],
            partner_subject=names[int(partner[place])][1],
            correlation=float(correlation[place, partner[place]]),
        )
        for place, (kind, subject) in enumerate(names)
    )


def pairs_together(figures: tuple[FittedFigure, ...]) -> tuple[tuple[FittedFigure, FittedFigure], ...]:
    """Pairs of figures that these meters can hardly tell apart, each pair once, in the order of the figures."""
    by_name = {(figure.kind, figure.subject): figure for figure in figures}
    found: dict[frozenset[tuple[FigureKind, str]], tuple[FittedFigure, FittedFigure]] = {}
    for figure in figures:
        if figure.moves_together:
            partner = by_name[figure.partner_kind, figure.partner_subject]
            found.setdefault(
                frozenset({(figure.kind, figure.subject), (partner.kind, partner.subject)}), (figure, partner)
            )
    return tuple(found.values())
