"""Reading a step of the pump's speed: what each cause of a finding says of it, and how much likelier it is now.

Prior times likelihood (Bayes' rule); the likelihood is normal in the logs of the ratios, with everything that is not
known in its covariance. Where the step was once made on the healthy plant, what is read is the difference to that one:
the pump's curve, the outlets' heights and the controller's setting then fall out.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.baseline import Baseline
from analysis.calibration import flow_of_rate
from analysis.events import Event
from analysis.factors import factors_at
from analysis.frames import Floats
from analysis.hydraulics.network import compile_network
from analysis.speed_step import Counts, SpeedStep, noise_of_counts
from analysis.step_causes import Cause, Found, StepForecast, covariance_against, covariance_of, forecast_step
from config.plant import Meter, Plant

# Evidence below these odds is none, and from the other on it decides: as in the table of isolability.
SPEAKS, DECIDES = 3.0, 20.0
SURE_SDS = 1.6449  # 90 % interval
# A branch that keeps less of its flow may stand or run backward, which a meter cannot tell from flow.
LEAST_KEPT = 0.15
POSSIBLE = 0.01
NOT_EXPLAINED_SDS = 3.09  # one in a thousand


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterReading:
    """What one meter showed of the step, and what the commissioned plant would have.

    Changes are per cent of the flow before; the interval is 90 % and holds the meter's noise and resolution only.
    `left_out`: why it does not count; "" where it does.
    """

    meter: str
    run: str
    change_percent: float
    low_percent: float
    high_percent: float
    healthy_percent: float
    left_out: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CauseReading:
    """A cause after the step.

    Attributes:
        prior, probability: before and after. odds_against: how much better the best cause explains the step; >= 1.
        change_percent: by meter, what it would have made the step show.
    """

    cause: Cause
    prior: float
    probability: float
    odds_against: float
    change_percent: Mapping[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class StepReading:
    """All that a step tells.

    Attributes:
        reference: the step of the healthy plant that it is compared with; None without one.
        causes: the likeliest first; none where no finding was open.
        tells: whether the step speaks against any cause at all.
        explained: whether the best cause (or the healthy plant, without causes) agrees with what the meters showed.
    """

    step: SpeedStep
    reference: SpeedStep | None
    meters: tuple[MeterReading, ...]
    causes: tuple[CauseReading, ...]
    tells: bool
    explained: bool

    @property
    def alike(self) -> tuple[CauseReading, ...]:
        """The causes that the step leaves standing: it speaks against none of them."""
        return tuple(cause for cause in self.causes if cause.odds_against < SPEAKS)


@dataclass(frozen=True, slots=True, kw_only=True)
class MadeStep:
    """A step and what was counted of it."""

    step: SpeedStep
    counts: Counts


def found_of(plant: Plant, baseline: Baseline) -> Found:
    """The plant as commissioned, for forecasts of steps."""
    network = compile_network(plant)
    return Found(
        network=network,
        state=baseline.state(network),
        head_log_sd=baseline.head_log_sd,
        meters=baseline.meters,
        column=tuple(
            network.run_index(run.name) for run in map(plant.run_of_meter, baseline.meters) if run is not None
        ),
    )


def counts_of(
    pulses: Floats,
    seconds: Floats,
    meters: Sequence[Meter],
    events: Sequence[Event],
    *,
    at_s: float,
) -> Counts:
    """Flows of the windows, by the K-factors in force at the step.

    Args:
        pulses: [3, M] counted before, during and after.
        seconds: [3, M] behind them.
        meters: the M meters in order.
        events: the journal, for calibrations.
        at_s: when the step began, UTC epoch seconds.
    """
    rate = np.divide(pulses, seconds, out=np.full_like(pulses, np.nan), where=seconds > 0)
    flow = np.stack(
        [flow_of_rate(rate[:, place], factors_at(meter, events, at_s)) for place, meter in enumerate(meters)], axis=1
    )
    return Counts(pulses=pulses, seconds=seconds, flow_m3s=flow)


def read_step(
    found: Found, baseline: Baseline, made: MadeStep, causes: Sequence[Cause], reference: MadeStep | None
) -> StepReading:
    """Weigh the causes of a finding by a step.

    Args:
        found: the plant as commissioned.
        baseline: the same, for the meters' noise.
        made: the step.
        causes: what the finding was put down to before the step; may be none.
        reference: an equal step of the healthy plant, if there is one.
    """
    step = made.step
    healthy = forecast_step(found, None, before=step.before, during=step.during)
    forecasts = [forecast_step(found, cause, before=step.before, during=step.during) for cause in causes]
    noise = noise_of_counts(baseline.meter_noise, step, made.counts)
    reasons = _left_out(found, made, reference, [healthy, *_possible(causes, forecasts)])
    used = np.array([not reason for reason in reasons])
    seen = made.counts.log_ratio
    if reference is not None:
        seen = seen - reference.counts.log_ratio
        noise = noise + noise_of_counts(baseline.meter_noise, reference.step, reference.counts)
    against = healthy if reference is not None else None
    fits = [_fit(forecast, seen, noise, used, against) for forecast in forecasts or [healthy]]
    weighed = _weighed(causes, forecasts, fits, found.meters)
    best = min((fit for fit in fits), key=lambda fit: -fit.log_likelihood)
    return StepReading(
        step=step,
        reference=None if reference is None else reference.step,
        meters=_meter_readings(
            found, made.counts, noise_of_counts(baseline.meter_noise, step, made.counts), healthy, reasons
        ),
        causes=weighed,
        tells=any(cause.odds_against >= SPEAKS for cause in weighed),
        explained=_agrees(best.distance, int(used.sum())),
    )


@dataclass(frozen=True, slots=True)
class _Fit:
    log_likelihood: float
    distance: float


def _possible(causes: Sequence[Cause], forecasts: Sequence[StepForecast]) -> list[StepForecast]:
    return [forecast for cause, forecast in zip(causes, forecasts, strict=True) if cause.probability >= POSSIBLE]


def _left_out(
    found: Found, made: MadeStep, reference: MadeStep | None, forecasts: Sequence[StepForecast]
) -> tuple[str, ...]:
    """[M] why a meter does not count."""
    least = np.min([forecast.share[list(found.column)] for forecast in forecasts], axis=0)
    unread = np.isnan(made.counts.log_ratio)
    unread_then = np.zeros_like(unread) if reference is None else np.isnan(reference.counts.log_ratio)
    texts = (
        (least < LEAST_KEPT, "its branch may stand still or run backward at this speed, which a meter cannot tell"),
        (unread, "too few pulses, or no readings, before or during the step"),
        (unread_then, "too few pulses in the step that this one is compared with"),
    )
    return tuple(next((text for mask, text in texts if mask[place]), "") for place in range(len(found.meters)))


def _fit(
    forecast: StepForecast, seen: Floats, noise: Floats, used: NDArray[np.bool_], healthy: StepForecast | None
) -> _Fit:
    """How well a forecast agrees with what was read; against a healthy step where that is known."""
    expected = forecast.log_ratio if healthy is None else forecast.log_ratio - healthy.log_ratio
    unknown = covariance_of(forecast) if healthy is None else covariance_against(forecast, healthy)
    if not used.any():
        return _Fit(0.0, 0.0)
    some = np.ix_(used, used)
    covariance = (unknown + noise)[some]
    left = (seen - expected)[used]
    distance = float(left @ np.linalg.solve(covariance, left))
    return _Fit(-0.5 * (distance + float(np.linalg.slogdet(covariance)[1])), distance)


def _weighed(
    causes: Sequence[Cause], forecasts: Sequence[StepForecast], fits: Sequence[_Fit], meters: tuple[str, ...]
) -> tuple[CauseReading, ...]:
    if not causes:
        return ()
    likely = np.array([fit.log_likelihood for fit in fits])
    weight = np.log([max(cause.probability, 1e-9) for cause in causes]) + likely
    probability = np.exp(weight - weight.max())
    probability /= probability.sum()
    readings = [
        CauseReading(
            cause=cause,
            prior=cause.probability,
            probability=float(share),
            odds_against=float(np.exp(min(likely.max() - own, 50.0))),
            change_percent=dict(zip(meters, _percents(forecast.log_ratio), strict=True)),
        )
        for cause, forecast, share, own in zip(causes, forecasts, probability, likely, strict=True)
    ]
    return tuple(sorted(readings, key=lambda reading: -reading.probability))


def _percents(logs: Floats) -> list[float]:
    return [float(value) for value in 100.0 * np.expm1(logs)]


def _meter_readings(
    found: Found, counts: Counts, noise: Floats, healthy: StepForecast, reasons: Sequence[str]
) -> tuple[MeterReading, ...]:
    sd = np.sqrt(np.diag(noise))
    middle = counts.log_ratio
    rows = zip(
        found.meters,
        found.column,
        _percents(middle),
        _percents(middle - SURE_SDS * sd),
        _percents(middle + SURE_SDS * sd),
        _percents(healthy.log_ratio),
        reasons,
        strict=True,
    )
    return tuple(
        MeterReading(
            meter=meter,
            run=found.network.runs[column],
            change_percent=change,
            low_percent=low,
            high_percent=high,
            healthy_percent=usual,
            left_out=reason,
        )
        for meter, column, change, low, high, usual, reason in rows
    )


def _agrees(distance: float, meters: int) -> bool:
    """Whether a chi-square of so many meters is not beyond one in a thousand (Wilson and Hilferty 1931, from memory)."""
    if meters == 0:
        return True
    scale = 2.0 / (9.0 * meters)
    return bool(((distance / meters) ** (1 / 3) - (1 - scale)) / scale**0.5 < NOT_EXPLAINED_SDS)
