"""Gauges in a plant file: what is read, and what is told of those that cannot be."""

import tomllib

import jsonschema
import pytest

from config.parse import parse_plant
from config.plant import Gauge
from config.pressures import PRESSURE_UNITS
from config.schema import plant_schema
from config.units import FOOT_M, INCH_M
from tests.support.plant_files import REEF, faults_of

GAUGE = '\n[[gauge]]\nname = "header"\nreads = "pressure"\nrun = "riser"\nunit = "kPa"\n'


def test_a_gauge_is_read() -> None:
    """At the sump's level where nothing is said, and no plant has one without a table."""
    assert parse_plant(REEF, file="reef.toml").plant.gauges == ()
    assert parse_plant(REEF + GAUGE, file="reef.toml").plant.gauges == (
        Gauge(name="header", run="riser", height_m=0.0, unit="kPa"),
    )
    raised = parse_plant(REEF + GAUGE + 'height = "2 ft"\n', file="reef.toml").plant
    assert raised.gauges[0].height_m == pytest.approx(2 * FOOT_M)
    assert raised.gauge_names == ("header",)


@pytest.mark.parametrize(
    ("text", "where", "what"),
    [
        (GAUGE.replace('"riser"', '"risr"'), "gauge header: run", "there is no run 'risr', did you mean 'riser'?"),
        (GAUGE.replace('"riser"', '"carbon"'), "gauge header: run", "ends at an outlet"),
        (GAUGE.replace('"header"', '"M1"'), "gauge M1: name", "a meter is called 'M1'"),
        (GAUGE + GAUGE, "gauge header: name", "another gauge is called 'header'"),
        (GAUGE.replace('"pressure"', '"power"'), "gauge header: reads", "pressure"),
        (GAUGE.replace('"kPa"', '"mmHg"'), "gauge header: unit", '"kPa"'),
        (GAUGE.replace('unit = "kPa"\n', ""), "gauge header: unit", "missing"),
        (GAUGE + "height = 2\n", "gauge header: height", "unit"),
    ],
)
def test_what_cannot_be_is_told(text: str, where: str, what: str) -> None:
    """Where, and what to write instead."""
    told = [(fault.where, fault.what) for fault in faults_of(REEF + text)]

    assert any(place == where and what in words for place, words in told), told


def test_units_of_pressure() -> None:
    """NIST SP 811, appendix B.8, from memory: 1 psi is 6.894757 kPa, 1 bar 100 kPa, a conventional inch of water 249.0889 Pa."""
    assert PRESSURE_UNITS["psi"] == pytest.approx(6894.757, abs=5e-4)
    assert PRESSURE_UNITS["m"] * INCH_M == pytest.approx(249.0889, abs=5e-5)
    assert PRESSURE_UNITS["bar"] == 100 * PRESSURE_UNITS["kPa"] == 1e5 * PRESSURE_UNITS["Pa"]


def test_the_schema_knows_gauges() -> None:
    """What the program reads it accepts, what the program refuses it does not."""
    schema = plant_schema()
    jsonschema.validate(tomllib.loads(REEF + GAUGE), schema)

    for wrong in (GAUGE.replace('"pressure"', '"power"'), GAUGE.replace('"kPa"', '"mmHg"'), GAUGE + "depth = 2\n"):
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(tomllib.loads(REEF + wrong), schema)
