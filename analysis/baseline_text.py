"""A baseline as text for the store, and back; what earlier versions wrote is read too."""

import json
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import numpy as np

from analysis.baseline import Baseline, FittedBranch, FittedGauge, Joined, LeftOut, MeterLeftOut
from analysis.detection.noise import NoiseModel
from analysis.fitted import FigureKind, FittedFigure
from analysis.signatures import COMMON_JUMP_SD
from config.plant import GaugeKind


def to_json(baseline: Baseline) -> str:
    """The baseline as text for the store; numbers keep every digit."""

    def plain(value: object) -> object:
        if isinstance(value, np.ndarray):
            return value.tolist()
        raise TypeError(f"{type(value)} has no place in a baseline")

    return json.dumps(asdict(baseline), default=plain)


def from_json(text: str) -> Baseline:
    """The baseline that `to_json` wrote."""
    body: Mapping[str, Any] = json.loads(text)
    told = {"common_jump_sd": COMMON_JUMP_SD} | body["noise"]  # an earlier version knew of no jumps
    noise = {name: np.asarray(value, float) for name, value in told.items()}
    return Baseline(
        from_s=body["from_s"],
        to_s=body["to_s"],
        meters=tuple(body["meters"]),
        flow_m3s=np.asarray(body["flow_m3s"], float),
        branches=tuple(FittedBranch(**branch) for branch in body["branches"]),
        head_factor=body["head_factor"],
        head_log_sd=body["head_log_sd"],
        speed=body["speed"],
        gain=np.asarray(body["gain"], float),
        noise=NoiseModel(**noise),
        figures=tuple(_figure(figure) for figure in body.get("figures", ())),
        gauges=tuple(FittedGauge(**_gauge(gauge)) for gauge in body.get("gauges", ())),
        left_out=tuple(LeftOut(**_gauge(gauge)) for gauge in body.get("left_out", ())),
        meters_left_out=tuple(MeterLeftOut(**meter) for meter in body.get("meters_left_out", ())),
        joined=tuple(Joined(**meter) for meter in body.get("joined", ())),
        usual_hz=None if body.get("usual_hz") is None else np.asarray(body["usual_hz"], float),
    )


def _gauge(body: Mapping[str, Any]) -> dict[str, Any]:
    """A gauge's values; an earlier version knew of pressures alone."""
    told = {"shown" if key == "pressure_pa" else key: value for key, value in body.items()}
    return told | {"reads": GaugeKind(told.get("reads", GaugeKind.PRESSURE))}


def _figure(body: Mapping[str, Any]) -> FittedFigure:
    kinds = {key: FigureKind(body[key]) for key in ("kind", "partner_kind")}
    return FittedFigure(**{**body, **kinds})
