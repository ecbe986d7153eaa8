"""The one door: everything that the readings say about a plant, at a time."""

from collections.abc import Callable, Sequence

import numpy as np

from analysis.assessment import Assessment
from analysis.baseline import Baseline
from analysis.calibration import flow_of
from analysis.detection.memory import Memory
from analysis.events import Event
from analysis.findings import finding_of, recoveries_of, stops_of
from analysis.forecast import foretold, history_of, standing_of
from analysis.frames import HOUR_S, HourFrame
from analysis.isolability import isolability_of
from analysis.media_life import media_lives_of
from analysis.meter_states import gauge_states_of, meter_states_of, pump_state_of
from analysis.watching import watch_over
from config.settings import PlantFile


def assess(  # noqa: PLR0913 - the one door: the last two only spare and tell time
    plant_file: PlantFile,
    baseline: Baseline,
    frame: HourFrame,
    events: Sequence[Event],
    now_s: float,
    *,
    isolability: bool = True,
    memories: Sequence[Memory] = (),
    tell: Callable[[int, int], None] | None = None,
) -> Assessment:
    """Assess a plant.

    Args:
        plant_file: the plant and how it is watched.
        baseline: as commissioned.
        frame: hours of the baseline's meters, in its order, from the commissioning on.
        events: the journal; entries later than `now_s` are not used.
        now_s: time of the last reading, UTC epoch seconds; hours that later readings could still change are left out.
        isolability: whether to say which faults can be told apart, which hangs on the baseline alone.
        memories: of earlier assessments, so that their hours need not be walked again; they change nothing else.
        tell: is told how many hours are done, and of how many.
    """
    known = tuple(event for event in events if event.at_s <= now_s)
    watched = watch_over(
        plant_file.plant,
        alarms=plant_file.settings.alarms,
        baseline=baseline,
        frame=frame,
        flow_m3s=flow_of(frame, plant_file.plant.meters, known),
        events=known,
        now_s=now_s,
        memories=memories,
        tell=tell,
    )
    settled = watched.frame
    changes = watched.watch.changes
    findings = tuple(
        sorted(
            [*(finding_of(watched, change) for change in changes), *stops_of(watched, known)],
            key=lambda finding: (finding.raised_at_s, finding.id),
        )
    )
    pump_status, pump_reason = pump_state_of(findings)
    outlooks = [outlook for change in changes for outlook in history_of(watched, change)]
    lives = media_lives_of(watched, changes, known, foretold(outlooks))
    standing = (outlook for change in changes for outlook in standing_of(watched, change))
    return Assessment(
        now_s=int(now_s),
        findings=findings,
        forecasts=foretold(standing, lives),
        forecast_history=tuple(
            sorted(foretold(outlooks, lives), key=lambda forecast: (forecast.made_at_s, forecast.run))
        ),
        isolability=isolability_of(watched.signatures, baseline.noise) if isolability else (),
        recoveries=recoveries_of(watched, changes, known),
        media_lives=lives,
        meter_states=meter_states_of(watched, findings),
        pump_status=pump_status,
        pump_reason=pump_reason,
        meters=baseline.meters,
        hours_s=settled.start_s + HOUR_S * np.arange(settled.hours, dtype=float),
        flow_m3s=watched.flow_m3s,
        expected_m3s=baseline.flow_m3s * np.exp(watched.shift[: settled.hours, : len(baseline.meters)]),
        gauge_states=gauge_states_of(watched),
        gauge_shown=watched.shown,
        gauge_expected=np.array([gauge.shown for gauge in baseline.gauges])
        * np.exp(watched.shift[: settled.hours, len(baseline.meters) :]),
        not_commissioned=tuple(
            run.meter for run in plant_file.plant.runs if run.meter is not None and run.meter not in baseline.meters
        ),
        memory=watched.memory,
    )
