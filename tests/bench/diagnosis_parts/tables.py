"""The score as tables for people and as one JSON object."""

from collections.abc import Iterable, Sequence
from dataclasses import fields
from typing import Any

from analysis.assessment import FaultKind
from tests.bench.diagnosis_parts import score
from tests.bench.diagnosis_parts.faults import GROWING
from tests.bench.diagnosis_parts.figures import Figure
from tests.bench.diagnosis_parts.goals import goal_lines, goals
from tests.bench.diagnosis_parts.trial import LEADS_H, LOOKS_H, Named, Trial

CANDIDATES_SHOWN = 3


def plain(trials: Sequence[Trial], profile: str, wall_s: float) -> dict[str, Any]:
    """Every figure, for machines."""
    return {
        "scenarios": len(trials),
        "goals": {
            goal.name: {"ours": goal.ours.plain()["value"], "wanted": goal.wanted, "reached": goal.reached}
            for goal in goals(trials, profile)
        },
        "healthy_branch_years": round(score.branch_years(trials), 2),
        "false_alarms_per_branch_year": {
            "ours": score.false_alarms(trials, score.ours).plain(),
            "5 % rule": score.false_alarms(trials, lambda trial: trial.five_percent, reads_journal=False).plain(),
            "CUSUM": score.false_alarms(trials, lambda trial: trial.cusum, reads_journal=False).plain(),
        },
        "alarms_after": {
            mark: {"alarms": after.rang, "of": after.of, "by_chance": round(after.by_chance, 2)}
            for mark, after in score.alarms_after_marks(trials).items()
        },
        "finding": {name: _plain(score.finding(trials, delays)) for name, delays in score.WATCHERS.items()},
        "by_kind": {
            kind: {
                name: _plain(score.finding(_of_kind(trials, kind), delays)) for name, delays in score.WATCHERS.items()
            }
            for kind in score.kinds_in(trials)
        },
        "further_findings_a_fault": score.further_findings(trials).plain(),
        "naming": {
            f"+{look_h} h": {
                "ours": _plain(score.naming(trials, score.ours_named(look_h))),
                "oracle": _plain(score.naming(trials, score.oracle_named(look_h))),
            }
            for look_h in LOOKS_H
        },
        "forecasts": {f"{lead_h} h": _plain(score.forecasting(trials, [lead_h])) for lead_h in LEADS_H}
        | {"all": _plain(score.forecasting(trials, LEADS_H))},
        "machine": _machine(trials, wall_s),
    }


def people(trials: Sequence[Trial], profile: str, wall_s: float) -> str:
    """Every figure, for people."""
    lines = [*_false_alarm_lines(trials), "", *_kind_lines(trials), "", *_naming_lines(trials), ""]
    lines += [*_forecast_lines(trials), "", *goal_lines(goals(trials, profile)), ""]
    machine = _machine(trials, wall_s)
    lines.append(
        f"machine: {machine['wall_s']:.0f} s for {len(trials)} scenarios; CPU {machine['assess_s']:.0f} s assessing "
        f"({machine['assess_hour_ms']:.2f} ms an hour), {machine['commission_s']:.0f} s commissioning, "
        f"{machine['rest_s']:.0f} s scenarios, peers and oracle"
    )
    return "\n".join(lines) + "\n"


def worst(trials: Sequence[Trial], count: int) -> str:
    """The scenarios furthest from the oracle, missed faults and false alarms first, with what was said."""
    lines = [f"the {count} scenarios furthest from the oracle:"]
    for trial in sorted(trials, key=_behind, reverse=True)[:count]:
        lines += ["", *_story(trial)]
    return "\n".join(lines) + "\n"


def cases(trials: Sequence[Trial]) -> str:
    """Every fault beside the oracle, a line each: how long it took, what was lost by then, and what stood first."""
    head = f"{'':<5}{'fault':<16}{'bound h':>8}{'oracle h':>9}{'ours h':>8}{'oracle lost %':>14}{'ours lost %':>12}  first then, and 72 h on"
    return "\n".join([head, *(_case(trial) for trial in trials if trial.answer is not None)]) + "\n"


def forecast_cases(trials: Sequence[Trial]) -> str:
    """Every crossing at every lead, a line each: how late it was foretold, and how far off the best forecast would be."""
    head = f"{'':<5}{'fault':<16}{'branch':<14}{'hours ahead':>12}{'late h':>8}{'interval h':>16}{'least error h':>14}{'shape given':>12}"
    return "\n".join([head, *(_forecast_case(case) for case in score.foretellings(trials, LEADS_H))]) + "\n"


def _forecast_case(case: score.Foretelling) -> str:
    trial, least = case.trial, case.least
    interval = (
        "none"
        if case.told is None
        else " to ".join(f"{at_h - case.crossed_h:.0f}" for at_h in (case.told.low_h, case.told.high_h))
    )
    known, drawn = (None, None) if least is None else (least.power_known_h, least.power_drawn_h)
    return (
        f"{trial.number:<5}{trial.kind.replace('_', ' '):<16}{case.run:<14}{case.lead_h:>12}{_figure(case.late_h, 0):>8}"
        f"{interval:>16}{_figure(drawn, 0):>14}{_figure(known, 0):>12}"
    )


def _case(trial: Trial) -> str:
    oracle, ours = score.oracle_delay(trial), score.our_delay(trial)
    bound = None if trial.oracle is None else trial.oracle.bound_h
    said = [] if trial.found is None else [trial.found.named(after_h)[0][0] for after_h in (0, 72)]
    named = ", ".join("right" if answer == trial.answer else _words(answer) for answer in said)
    figures = (
        f"{_figure(None if bound is None else float(bound), 0):>8}{_figure(oracle, 0):>9}{_figure(ours, 1):>8}"
        f"{_figure(_lost(trial, oracle), 1):>14}{_figure(_lost(trial, ours), 1):>12}"
    )
    return f"{trial.number:<5}{trial.kind.replace('_', ' '):<16}{figures}  {named}"


def _lost(trial: Trial, delay_h: float | None) -> float | None:
    return None if delay_h is None or trial.kind in score.WITHOUT_LOSS else score.loss_percent(trial, delay_h)


def _figure(value: float | None, decimals: int) -> str:
    return "-" if value is None else f"{value:.{decimals}f}"


def _behind(trial: Trial) -> float:
    """Hours behind the oracle; a missed fault counts what is left of the record, a false alarm a week."""
    begin, end = trial.watched
    false = 168.0 * sum(begin <= at_h < end for at_h in score.ours(trial))
    if trial.oracle is None or trial.onset_h is None:
        return false
    sure = score.oracle_delay(trial)
    ours = score.our_delay(trial)
    if sure is None:
        return false
    return false + (trial.hours - trial.onset_h if ours is None else ours) - sure


def _story(trial: Trial) -> list[str]:
    lines = [f"{trial.number}: {trial.kind}, {trial.meters} meters, {trial.hours} h, watched from {trial.healthy_h} h"]
    if trial.answer is not None:
        bound = trial.oracle.bound_h if trial.oracle is not None else None
        lines.append(
            f"  truth: {_words(trial.answer)} from {trial.onset_h} h{f' to {trial.end_h} h' if trial.end_h else ''}; "
            f"bound {bound} h, oracle {_hours(score.oracle_delay(trial))}, ours {_hours(score.our_delay(trial))}, "
            f"5 % rule {_hours(score.rule_delay(trial))}"
        )
        if trial.oracle is not None:
            lines.append(f"  oracle, 72 h after our alarm or its own: {_list(trial.oracle.named[-1])}")
    for said in trial.findings:
        cleared = "" if said.cleared_h is None else f", cleared {said.cleared_h:.1f} h"
        false = trial.watched[0] <= said.at_h < trial.watched[1]
        lines.append(f"  {'FALSE ' if false else ''}raised {said.at_h:.1f} h{cleared}: {_list(said.named(0))}")
        lines.append(f"    72 h on: {_list(said.named(72))}")
    marks = {mark: hours for mark, hours in trial.marks.items() if hours and mark != "pauses"}
    return [*lines, f"  no faults: {marks}"] if marks else lines


def _hours(delay_h: float | None) -> str:
    return "never" if delay_h is None else f"{delay_h:.1f} h"


def _words(answer: tuple[FaultKind, str | None]) -> str:
    sort, subject = answer
    return sort.value if subject is None else f"{sort.value} of {subject}"


def _list(named: Named) -> str:
    return ", ".join(f"{_words(answer)} {100 * share:.0f} %" for answer, share in named[:CANDIDATES_SHOWN])


def _of_kind(trials: Iterable[Trial], kind: str) -> list[Trial]:
    return [trial for trial in trials if trial.kind == kind]


def _plain(record: Any) -> dict[str, Any]:
    return {field.name: getattr(record, field.name).plain() for field in fields(record)}


def _machine(trials: Sequence[Trial], wall_s: float) -> dict[str, float]:
    watched_h = sum(trial.hours for trial in trials)
    assess_s = sum(trial.assess_s for trial in trials)
    return {
        "wall_s": round(wall_s, 1),
        "assess_s": round(assess_s, 1),
        "assess_hour_ms": round(1e3 * assess_s / watched_h, 3),
        "commission_s": round(sum(trial.commission_s for trial in trials), 1),
        "rest_s": round(sum(trial.rest_s for trial in trials), 1),
    }


def _false_alarm_lines(trials: Sequence[Trial]) -> list[str]:
    by_rule = score.false_alarms(trials, lambda trial: trial.five_percent, reads_journal=False)
    by_cusum = score.false_alarms(trials, lambda trial: trial.cusum, reads_journal=False)
    lines = [
        f"{len(trials)} scenarios, {score.branch_years(trials):.1f} branch-years with nothing wrong; (90 % intervals)",
        f"false alarms a branch-year   ours {score.false_alarms(trials, score.ours).text()}",
        f"                             5 % rule {by_rule.text()}   CUSUM {by_cusum.text(1)}, until a journalled change",
    ]
    after = score.alarms_after_marks(trials)
    lines.append(
        "our alarms after "
        + ", ".join(
            f"{mark.replace('_', ' ')} {told.rang} of {told.of} (by chance {told.by_chance:.1f})"
            for mark, told in after.items()
        )
    )
    lines.append(f"further findings a fault     {score.further_findings(trials).text()}")
    return lines


def _kind_lines(trials: Sequence[Trial]) -> list[str]:
    names = list(score.WATCHERS)
    head = f"{'found, median h, h over bound, % lost':<38}" + "".join(f"{name:>26}" for name in names)
    lines = [head]
    rows = {kind: _of_kind(trials, kind) for kind in score.kinds_in(trials)}
    rows["all that grow"] = [trial for trial in trials if trial.kind in GROWING]
    rows["all that come at once"] = [trial for trial in trials if trial.kind not in GROWING]
    rows["all"] = list(trials)
    for kind, some in rows.items():
        faults = sum(trial.answer is not None for trial in some)
        cells = "".join(f"{_cell(score.finding(some, score.WATCHERS[name])):>26}" for name in names)
        lines.append(f"{kind.replace('_', ' ') + f' ({faults})':<38}{cells}")
    whole = score.finding(trials, score.our_delay)
    lines.append(
        f"ours: found {whole.found.text()}, delay {whole.delay_h.text(1)} h, over bound {whole.over_bound.text()}, "
        f"lost by then {whole.loss_percent.text(1)} %"
    )
    return lines


def _cell(found: score.Finding) -> str:
    return " ".join(
        [
            f"{_digits(found.found, 2):>5}",
            f"{_digits(found.delay_h, 0):>5}",
            f"{_digits(found.over_bound, 2):>6}",
            f"{_digits(found.loss_percent, 1):>5}",
        ]
    )


def _digits(figure: Figure, digits: int) -> str:
    return "-" if figure.value is None else f"{figure.value:.{digits}f}"


def _naming_lines(trials: Sequence[Trial]) -> list[str]:
    lines = [
        f"{'causes':<18}{'right place':>22}{'kind and place':>22}{'set covers':>22}{'set size':>22}{'log loss':>22}"
    ]
    for look_h in LOOKS_H:
        for name, named in (("ours", score.ours_named(look_h)), ("oracle", score.oracle_named(look_h))):
            found = score.naming(trials, named)
            cells = "".join(
                f"{figure.text():>22}"
                for figure in (found.place, found.kind_and_place, found.set_covers, found.set_size, found.log_loss)
            )
            lines.append(f"{f'{name}, +{look_h} h':<18}{cells}")
    return lines


def _forecast_lines(trials: Sequence[Trial]) -> list[str]:
    lines = [
        f"{'forecasts':<18}{'standing':>22}{'error h':>22}{'a tenth off by h':>22}{'90 % covers':>22}{'width h':>22}{'least error h':>22}{'its shape given':>22}"
    ]
    for name, leads in [*((f"{lead_h} h before", [lead_h]) for lead_h in LEADS_H), ("all", list(LEADS_H))]:
        found = score.forecasting(trials, leads)
        cells = "".join(
            f"{text:>22}"
            for text in (
                found.standing.text(),
                found.error_h.text(1),
                found.tenth_h.text(0),
                found.covers.text(),
                found.width_h.text(0),
                found.least_h.text(1),
                found.shape_known_h.text(1),
            )
        )
        lines.append(f"{name:<18}{cells}")
    return lines
