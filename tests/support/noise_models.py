"""Small noise models, series drawn from them, and their covariance written out whole."""

import numpy as np

from analysis.detection.noise import CREEP_SD, OFFSET_SD, NoiseModel
from analysis.detection.whitener import Innovation, predict, start, update
from analysis.frames import Floats


def model_of(meters: int = 2, *, commons: int = 1, wander_sd: float = 0.01, white_sd: float = 0.003) -> NoiseModel:
    """A model whose meters and common parts all differ."""
    number = np.arange(1, meters + 1, dtype=float)
    return NoiseModel(
        white_sd=white_sd * (1.0 + 0.1 * number),
        wander_sd=wander_sd * (1.0 + 0.2 * number),
        wander_tau_h=6.0 + 4.0 * number,
        common_signature=np.outer(0.5 + 0.5 * number, np.arange(1, commons + 1, dtype=float)),
        common_sd=np.full(commons, 0.004),
        common_tau_h=10.0 + 5.0 * np.arange(commons, dtype=np.float64),
        common_jump_sd=np.zeros(commons),
    )


def dense_covariance(model: NoiseModel, hours: int) -> Floats:
    """[T * M, T * M] covariance of all readings, hour by hour and within it meter by meter.

    Each part from its textbook formula: an AR(1) has sd^2 exp(-lag / tau), a random walk the steps that two hours
    share, white noise nothing but its variance.
    """
    hour = np.arange(1, hours + 1)
    lag = np.abs(hour[:, None] - hour[None, :])
    meters = model.meters
    walk = OFFSET_SD**2 + CREEP_SD**2 * np.minimum(hour[:, None], hour[None, :])
    total = np.zeros((hours, meters, hours, meters))
    for meter in range(meters):
        wander = model.wander_sd[meter] ** 2 * np.exp(-lag / model.wander_tau_h[meter])
        total[:, meter, :, meter] = walk + wander + np.eye(hours) * model.white_sd[meter] ** 2
    for common in range(len(model.common_sd)):
        shared = model.common_sd[common] ** 2 * np.exp(-lag / model.common_tau_h[common])
        pattern = model.common_signature[:, common]
        total += shared[:, None, :, None] * pattern[None, :, None, None] * pattern[None, None, None, :]
    whole: Floats = total.reshape(hours * meters, hours * meters)
    return whole


def series_of(model: NoiseModel, hours: int, random: np.random.Generator, *, offset_sd: float = 0.0) -> Floats:
    """[T, M] healthy readings: a state drawn from before any reading, then hour by hour."""
    memory = model.memory
    state = np.sqrt(model.stationary_var) * random.standard_normal(model.states)
    state[: model.meters] = offset_sd * random.standard_normal(model.meters)
    readings = np.empty((hours, model.meters))
    for hour in range(hours):
        state = memory * state + np.sqrt(model.fresh_var) * random.standard_normal(model.states)
        readings[hour] = model.view @ state + model.white_sd * random.standard_normal(model.meters)
    return readings


def innovations_of(model: NoiseModel, readings: Floats) -> list[Innovation]:
    """The filter's surprises over whole hours."""
    state = start(model)
    found = []
    for reading in readings:
        state, innovation = update(model, predict(model, state), reading, np.ones(model.meters))
        found.append(innovation)
    return found
