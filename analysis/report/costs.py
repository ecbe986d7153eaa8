"""What costs most head in a run."""

from dataclasses import dataclass

from analysis.prediction import PredictedRun

SHOWN = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    """One element: what it takes, m, and its share of the run's losses, 0..1."""

    name: str
    head_loss_m: float
    share: float


def costliest(run: PredictedRun) -> tuple[Cost, ...]:
    """The three elements that cost most, the costliest first; none without flow."""
    total = sum(abs(loss.head_loss_m) for loss in run.losses)
    if total == 0.0:
        return ()
    costly = sorted(run.losses, key=lambda loss: -abs(loss.head_loss_m))[:SHOWN]
    return tuple(
        Cost(name=loss.label, head_loss_m=loss.head_loss_m, share=abs(loss.head_loss_m) / total) for loss in costly
    )
