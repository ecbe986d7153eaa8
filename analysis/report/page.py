"""The report as one HTML page that needs nothing else: no script, no font, no address outside."""

import math
from collections.abc import Callable, Sequence

import jinja2
from markupsafe import Markup

from analysis.assessment import Assessment
from analysis.baseline import Baseline
from analysis.events import Event
from analysis.report import drift_words, words
from analysis.report.canvas import LABEL_CHARACTERS
from analysis.report.content import Content, Rejected, Verdict, gather
from analysis.report.evidence import evidence_figure
from analysis.report.figures import completeness_figure, trend_figure
from analysis.report.fitted_figure import fitted_figure
from analysis.report.fitted_words import CATALOGUE_KEPT, called, factor_range
from analysis.report.gauge_figure import gauge_figure, gauge_sentence
from analysis.report.palette import css_variables
from analysis.report.pump_figure import pump_figure
from analysis.report.readouts import measured_readouts
from analysis.report.schematic import schematic, schematic_key
from analysis.report.trends import Trend, turning_points
from analysis.wording import NEXT_TO_NOTHING_PERCENT
from config.plant import Plant
from config.settings import PlantFile

JOURNAL_ROWS = 80


def render_page(  # noqa: PLR0913 - what is known, from as many sources
    plant_file: PlantFile,
    assessment: Assessment,
    events: Sequence[Event],
    rejected: Sequence[Rejected],
    *,
    week: str | None = None,
    baseline: Baseline | None = None,
) -> str:
    """The report of a plant as one self-contained HTML page; the same input gives the same bytes.

    Args:
        plant_file: the plant; its flow unit, time zone and `[report] trend_days` decide what is shown.
        assessment: what is known, at its `now_s`.
        events: the journal, in any order.
        rejected: input that was refused, counted.
        week: ISO week ("2026-W47") in the plant's time zone; None for the last `trend_days`.
        baseline: the plant as commissioned, for the picture of its pump; None leaves that out.

    Raises:
        ValueError: `week` names no ISO week.
        InputMissing: there are no readings in the week.
    """
    return page_of(gather(plant_file, assessment, events, rejected, week=week, baseline=baseline))


def page_of(content: Content) -> str:
    """The page of a content that has been gathered already."""
    environment = jinja2.Environment(
        autoescape=True,
        loader=jinja2.PackageLoader("analysis.report"),
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
    environment.filters.update(_filters(content))
    page = environment.get_template(
        "page.html.j2"
    ).render(
        content=content,
        plant=content.plant,
        period=content.period,
        unit=content.plant.flow_unit,
        trends=[(trend, _trend_svg(content, trend, f"trend{place}")) for place, trend in enumerate(content.trends)],
        whole_svg=_trend_svg(content, content.whole, "whole") if content.whole else None,
        gauges=[
            (trend, Markup(gauge_figure(trend, content.period, f"gauge{place}")))  # noqa: S704 - escaped where written
            for place, trend in enumerate(content.gauges)
        ],
        gauge_sentence=gauge_sentence,
        evidence_svgs=_evidence_svgs(content),
        strips=_schematic_svgs(content),
        key=Markup(schematic_key(prefix="key", measured=True)),  # noqa: S704 - of fixed words
        commissioned_svg=_commissioned_svg(content),
        fitted_svg=_fitted_svg(content),
        turning_points=turning_points,
        completeness_svg=_completeness_svg(content),
        journal=content.journal[-JOURNAL_ROWS:],
        pause_minutes=_minutes(content.pauses),
        runs=_run_names(content.plant),
        next_to_nothing=NEXT_TO_NOTHING_PERCENT,
        within=sum(line.verdict is Verdict.WITHIN for line in content.branches),
        judged=sum(line.verdict in (Verdict.WITHIN, Verdict.BELOW, Verdict.ABOVE) for line in content.branches),
        signs=words.STATUS_SIGN,
        meanings=words.STATUS_MEANING,
        order=words.STATUS_ORDER,
        k_factor=words.k_factor,
        catalogue_kept=CATALOGUE_KEPT,
        light=Markup(css_variables(dark=False)),  # noqa: S704 - made of the palette alone
        dark=Markup(css_variables(dark=True)),  # noqa: S704 - made of the palette alone
    )
    return page + "\n"


def _filters(content: Content) -> dict[str, Callable[..., str]]:
    """How the template words values, in the plant's unit and time zone."""
    unit, zone = content.plant.flow_unit, content.period.zone
    return {
        "flow": lambda value: words.flow(value, unit),
        "bare": lambda value: words.flow(value, unit).removesuffix(unit).rstrip(),
        "target": lambda value: words.target(value, unit),
        "percent": words.percent,
        "change": words.change,
        "signed": words.signed,
        "sureness": words.sureness,
        "moment": lambda value: words.moment(value, zone),
        "day": lambda value: words.day(value, zone),
        "span": lambda value: words.span(value, zone),
        "cause": lambda candidate: words.cause(candidate, content.plant.gauge_kinds),
        "fault": lambda name: words.fault(name, content.plant.gauge_kinds),
        "event": words.event,
        "clean": words.clean,
        "brief": lambda value: words.shortened(value, words.NAME_CHARACTERS),
        "ratio": words.ratio,
        "lost": words.lost,
        "useful": words.useful,
        "range": factor_range,
        "partner": lambda figure: called(figure.partner_kind, figure.partner_subject),
        "going": drift_words.brief,
        "going_interval": drift_words.interval,
        "gauge_drift": lambda trend: drift_words.sentence(trend.drift, trend.last_day, None, zone, what="value"),
        "drift": lambda trend: drift_words.sentence(trend.drift, trend.last_day_m3s, trend.target, zone),
    }


def _trend_svg(content: Content, trend: Trend, prefix: str) -> Markup:
    return Markup(trend_figure(trend, content.period, content.plant.flow_unit, prefix))  # noqa: S704 - escaped where written


def _evidence_svgs(content: Content) -> dict[str, Markup]:
    """A picture for each finding that has evidence, by letter."""
    names = _meter_names(content.plant)
    return {
        known.letter: Markup(  # noqa: S704 - escaped where written
            evidence_figure(
                known.finding.evidence,
                [names.get(row.meter, row.meter) for row in known.finding.evidence],
                f"evidence{place}",
                known.letter,
            )
        )
        for place, known in enumerate(content.findings)
        if known.finding.evidence
    }


def _schematic_svgs(content: Content) -> list[Markup]:
    """The manifold with the flows of the last day, in strips."""
    title = "The manifold and its measured flows"
    drawn = schematic(content.plant, measured_readouts(content), prefix="plan", title=title)
    return [Markup(strip) for strip in drawn]  # noqa: S704 - escaped where written


def _commissioned_svg(content: Content) -> Markup | None:
    if content.commissioned is None:
        return None
    title = "Pump and manifold as commissioned"
    return Markup(pump_figure(content.commissioned, content.plant.flow_unit, "commissioned", title=title))  # noqa: S704 - escaped where written


def _fitted_svg(content: Content) -> Markup | None:
    if not content.fitted:
        return None
    names = [line.name for line in content.fitted]
    return Markup(fitted_figure([line.figure for line in content.fitted], names, "fitted"))  # noqa: S704 - escaped where written


def _completeness_svg(content: Content) -> Markup | None:
    if not content.hours.meters:
        return None
    names = _meter_names(content.plant)
    labels = [names.get(meter, meter) for meter in content.hours.meters]
    return Markup(completeness_figure(content.hours, labels, content.period, "completeness"))  # noqa: S704 - escaped where written


def _run_names(plant: Plant) -> dict[str, str]:
    """The run that each meter sits on, by the meter's name."""
    return {run.meter: run.name for run in plant.runs if run.meter is not None}


def _meter_names(plant: Plant) -> dict[str, str]:
    """What to call a meter in a picture: its run first, for that is what the keeper thinks of."""
    return {
        meter: f"{run} ({meter})" if len(f"{run} ({meter})") <= LABEL_CHARACTERS else run
        for meter, run in _run_names(plant).items()
    }


def _minutes(pauses: Sequence[Event]) -> str:
    """All feed pauses together; a value that is no number is left out of the sum and said so."""
    lengths = [float(pause.value) for pause in pauses if pause.value.replace(".", "", 1).isdecimal()]
    unread = len(pauses) - len(lengths)
    return f"{math.fsum(lengths):g} min together" + (f", {unread} of unknown length" if unread else "")
