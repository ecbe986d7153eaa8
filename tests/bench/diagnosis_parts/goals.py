"""What the diagnosis must reach, beside what it reaches and what the oracle does on the same scenarios."""

from collections.abc import Sequence
from dataclasses import dataclass

from tests.bench.diagnosis_parts import score
from tests.bench.diagnosis_parts.figures import Figure, share
from tests.bench.diagnosis_parts.trial import LEADS_H, Trial

# False alarms a branch-year at the most, and share of the faults found at the least, by profile.
BY_PROFILE = {"standard": (0.1, 0.98), "hard": (0.2, 0.90)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Goal:
    """One figure to reach: from `least` to `most`, where these are given."""

    name: str
    ours: Figure
    oracle: Figure | None = None
    least: float | None = None
    most: float | None = None

    @property
    def reached(self) -> bool | None:
        """Whether the figure is within its goal; None without a case."""
        value = self.ours.value
        if value is None:
            return None
        return (self.least is None or value >= self.least) and (self.most is None or value <= self.most)

    @property
    def wanted(self) -> str:
        """The goal in words."""
        if self.least is not None and self.most is not None:
            return f"{self.least:g} to {self.most:g}"
        return f"at least {self.least:g}" if self.least is not None else f"at most {self.most:g}"


def goals(trials: Sequence[Trial], profile: str) -> tuple[Goal, ...]:
    """All goals of a profile."""
    false_alarms, found = BY_PROFILE[profile]
    ours, oracle = (score.finding(trials, score.WATCHERS[name]) for name in ("ours", "oracle"))
    now, day, later = (score.naming(trials, score.ours_named(hours)) for hours in (0, 24, 72))
    best_now, best_day, best_later = (score.naming(trials, score.oracle_named(hours)) for hours in (0, 24, 72))
    near, far, all_leads = (score.forecasting(trials, leads) for leads in ([72], [168], LEADS_H))
    by_kind = [
        score.finding([trial for trial in trials if trial.kind == kind], score.our_delay).found
        for kind in score.kinds_in(trials)
    ]
    worst_kind = min(by_kind, key=lambda figure: figure.value if figure.value is not None else 1.0, default=ours.found)
    return (
        Goal(name="false alarms a branch-year", ours=score.false_alarms(trials, score.ours), most=false_alarms),
        Goal(name="alarms after what is journalled", ours=_after_journal(trials), most=0.0),
        Goal(name="faults found", ours=ours.found, oracle=oracle.found, least=found),
        Goal(name="found of the worst kind", ours=worst_kind, least=0.9),
        Goal(name="delay over bound", ours=ours.over_bound, oracle=oracle.over_bound, most=1.3),
        Goal(name="lost at detection, %", ours=ours.loss_percent, oracle=oracle.loss_percent, most=4.0),
        Goal(name="right place, +24 h", ours=day.place, oracle=best_day.place, least=0.95),
        Goal(name="kind and place, +72 h", ours=later.kind_and_place, oracle=best_later.kind_and_place, least=0.82),
        Goal(name="90 % set covers", ours=now.set_covers, oracle=best_now.set_covers, least=0.88, most=0.95),
        Goal(name="90 % set's size", ours=now.set_size, oracle=best_now.set_size, most=2.0),
        Goal(name="log loss", ours=now.log_loss, oracle=best_now.log_loss, most=0.6),
        Goal(name="forecast error at 72 h, h", ours=near.error_h, oracle=near.least_h, most=12.0),
        Goal(name="forecast error at 168 h, h", ours=far.error_h, oracle=far.least_h, most=24.0),
        Goal(name="forecasts' 90 % covers", ours=all_leads.covers, least=0.86, most=0.94),
    )


def _after_journal(trials: Sequence[Trial]) -> Figure:
    """Alarms a logged change that followed within a week of it."""
    after = score.alarms_after_marks(trials)
    told = [after[mark] for mark in ("logged_speeds", "logged_work")]
    rang, there = sum(mark.rang for mark in told), sum(mark.of for mark in told)
    return share([True] * rang + [False] * (there - rang))


def goal_lines(found: Sequence[Goal]) -> list[str]:
    """The goals as lines for people."""
    lines = [f"{'what it must reach':<34}{'wanted':<16}{'ours (90 % interval)':<26}{'oracle':<10}"]
    for goal in found:
        mark = {True: "", False: "short of it", None: ""}[goal.reached]
        oracle = "" if goal.oracle is None or goal.oracle.value is None else f"{goal.oracle.value:.2f}"
        lines.append(f"{goal.name:<34}{goal.wanted:<16}{goal.ours.text():<26}{oracle:<10}{mark}".rstrip())
    return lines
