"""A raised change: what was said of it, and what it is judged by."""

from dataclasses import dataclass

from analysis.detection.track import Track
from analysis.detection.verdict import Verdict
from analysis.detection.whitener import FilterState

# Hours after which an open change counts as the new normal.
SETTLE_H = 120


@dataclass(slots=True, kw_only=True, eq=False)
class Change:
    """A raised change.

    Attributes:
        raised_h: hour that raised it; cleared_h: hour that saw it gone, None while it lasts.
        noted: verdicts in order, the first at raised_h. latest: the last trusted verdict.
        before: the healthy filter just before the onset; before_h its hour.
        track: its own judgement. beside: changes already settled when it was raised.
        settled_h: hour from which on the front looks beside it, None while it is young. frozen: a later change disturbs it, no new verdicts.
    """

    raised_h: int
    cleared_h: int | None = None
    noted: list[Verdict]
    latest: Verdict
    before: FilterState
    before_h: int
    track: Track
    beside: tuple["Change", ...]
    settled_h: int | None = None
    frozen: bool = False
    recovered_for_h: int = 0
    faded_for_h: int = 0

    @property
    def settled_as(self) -> Verdict:
        """What it was taken for once it had settled."""
        return next(verdict for verdict in reversed(self.noted) if verdict.hour <= self.judged_until_h)

    @property
    def open(self) -> bool:
        """Whether it lasts."""
        return self.cleared_h is None

    @property
    def settled(self) -> bool:
        """Whether the front looks beside it."""
        return self.settled_h is not None

    @property
    def judged_until_h(self) -> int:
        """The last hour whose readings it keeps from telling what is healthy."""
        if self.cleared_h is not None:
            return self.cleared_h
        return self.raised_h + SETTLE_H if self.settled_h is None else self.settled_h
