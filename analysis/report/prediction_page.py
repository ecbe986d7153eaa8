"""A prediction as one HTML page that needs nothing else, in the style of the report."""

from collections.abc import Callable

import jinja2
from markupsafe import Markup

from analysis.hydraulics.network import AS_BUILT, STANDARD, Conditions, Constants
from analysis.prediction import Prediction, Verdict
from analysis.report import words
from analysis.report.head_line import head_line_figure, head_lines
from analysis.report.palette import css_variables
from analysis.report.pump_chart import PumpChart, pump_chart
from analysis.report.pump_figure import pump_figure, share_figure
from analysis.report.readouts import predicted_readouts, range_words, verdict_words
from analysis.report.schematic import schematic, schematic_key
from config.plant import Plant
from config.units import show_flow, show_head, show_velocity


def prediction_page(
    plant: Plant, prediction: Prediction, *, conditions: Conditions = AS_BUILT, constants: Constants = STANDARD
) -> str:
    """The page; the same input gives the same bytes.

    Args:
        plant: as built.
        prediction: of it, under `conditions`.
        conditions: how it runs, one case.
        constants: what the prediction was worked with.

    Raises:
        NoSolution: there is no operating point at one of the speeds that the page shows.
    """
    environment = jinja2.Environment(
        autoescape=True,
        loader=jinja2.PackageLoader("analysis.report"),
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
    environment.filters.update(_filters(plant))
    chart = pump_chart(plant, conditions=conditions, constants=constants)
    branches = [run for run in prediction.runs if run.is_branch]
    judged = [run for run in branches if run.verdict is not Verdict.NO_TARGET]
    page = environment.get_template("prediction.html.j2").render(
        plant=plant,
        prediction=prediction,
        unit=plant.flow_unit,
        branches=branches,
        inner=[run for run in prediction.runs if not run.is_branch],
        judged=judged,
        on_target=sum(run.verdict is Verdict.ON_TARGET for run in judged),
        off=[run for run in judged if run.verdict is not Verdict.ON_TARGET],
        notes=[(run.name, note) for run in prediction.runs for note in run.warnings],
        chart=chart,
        at_speeds=_at_speeds(plant, chart),
        costs={run.name: [cost for cost in prediction.costs if cost.branch == run.name] for run in branches},
        verdict_words=verdict_words,
        light=Markup(css_variables(dark=False)),  # noqa: S704 - made of the palette alone
        dark=Markup(css_variables(dark=True)),  # noqa: S704 - made of the palette alone
        **_pictures(plant, prediction, chart),
    )
    return page + "\n"


def _filters(plant: Plant) -> dict[str, Callable[..., str]]:
    """How the template words values, in the plant's unit."""
    unit = plant.flow_unit
    return {
        "flow": lambda value: show_flow(value, unit),
        "bare": lambda value: show_flow(value, unit).removesuffix(unit).rstrip().replace("-", words.MINUS),
        "range": lambda run: range_words(run, unit).removesuffix(unit).rstrip(),
        "target": lambda value: words.target(value, unit).removesuffix(unit).rstrip(),
        "head": lambda value: show_head(value, unit),
        "velocity": lambda value: show_velocity(value, unit),
        "change": words.change,
        "percent": lambda share: f"{100 * share:.0f}{words.SPACE}%",
        "clean": words.clean,
        "brief": lambda value: words.shortened(value, words.NAME_CHARACTERS),
    }


def _pictures(plant: Plant, prediction: Prediction, chart: PumpChart) -> dict[str, object]:
    """Every picture of the page; what a keeper wrote is escaped where each is drawn."""
    unit = plant.flow_unit
    branches = [run for run in prediction.runs if run.is_branch]
    lines = head_lines(plant, prediction)
    drawn = [
        (line, Markup(head_line_figure(line, unit, f"head{place}")))  # noqa: S704 - escaped where written
        for place, line in enumerate(lines)
    ]
    strips = schematic(plant, predicted_readouts(plant, prediction), prefix="plan", title="The manifold and its flows")
    shares = share_figure([run.name for run in branches], [run.flow_m3s for run in branches], unit, "shares")
    return {
        "strips": [Markup(strip) for strip in strips],  # noqa: S704 - escaped where written
        "key": Markup(schematic_key(prefix="key", measured=False)),  # noqa: S704 - of fixed words
        "pump_svg": Markup(pump_figure(chart, unit, "pump", title="Pump and manifold")),  # noqa: S704 - escaped where written
        "share_svg": Markup(shares),  # noqa: S704 - escaped where written
        "shared_lines": [pair for pair in drawn if not pair[0].is_branch],
        "branch_lines": [pair for pair in drawn if pair[0].is_branch],
    }


def _at_speeds(plant: Plant, chart: PumpChart) -> list[tuple[str, list[float]]]:
    """Every branch with its flow at each speed of the chart."""
    return [
        (run.name, [float(point.run_flow_m3s[index]) for point in chart.speeds])
        for index, run in enumerate(plant.runs)
        if run.is_branch
    ]
