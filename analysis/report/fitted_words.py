"""What a fit determines, in words: a figure's name, its interval, what the meters cannot tell apart."""

from collections.abc import Iterator, Sequence

from analysis.fitted import FigureKind, FittedFigure, pairs_together

CATALOGUE_KEPT = "the meters do not tell: catalogue kept"


def called(kind: FigureKind, subject: str) -> str:
    """A fitted figure as a keeper calls it; `subject` is the branch or the meter, and not used for the pump."""
    match kind:
        case FigureKind.RESISTANCE:
            return f"losses of {subject}"
        case FigureKind.HEAD:
            return "head of the pump"
        case FigureKind.READING:
            return f"reading of {subject}"


def factor_range(interval: tuple[float, float]) -> str:
    """An interval of a factor."""
    return f"{interval[0]:.2f} to {interval[1]:.2f}"


def pair_sentences(figures: Sequence[FittedFigure]) -> Iterator[str]:
    """Figures that the meters can hardly tell apart, a sentence a pair, and what would tell them."""
    pairs = pairs_together(tuple(figures))
    for one, other in pairs:
        how = "up and down together" if one.correlation > 0 else "against each other"
        yield (
            f"The {called(one.kind, one.subject)} and the {called(other.kind, other.subject)} move {how} "
            f"({one.correlation:+.2f}): these meters can hardly tell them apart."
        )
    if pairs:
        yield "A meter calibrated with a bucket, or one more meter, would tell more."
