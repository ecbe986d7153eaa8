"""Gauges in a plant file: what is read, and what is told of those that cannot be."""

import tomllib

import jsonschema
import pytest

from config.gauge_units import PRESSURE_UNITS
from config.outline import gauge_place, notes
from config.parse import parse_plant
from config.plant import Gauge, GaugeKind, MqttValue, SerialSource
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


POWER = '\n[[gauge]]\nname = "mains"\nreads = "power"\nunit = "W"\n'


def test_a_gauge_of_power_is_read() -> None:
    """It needs no run; what the pump draws at full speed comes with the pump."""
    figures = 'check_valve = true\npower = [["0 L/h", "30 W"], ["9000 L/h", "0.055 kW"]]\n'
    plant = parse_plant(REEF.replace("check_valve = true\n", figures) + GAUGE + POWER, file="reef.toml").plant

    assert plant.gauges[1] == Gauge(name="mains", run=None, height_m=0.0, unit="W", reads=GaugeKind.POWER)
    assert plant.pump.power[0] == (0.0, 30.0)
    assert plant.pump.power[1] == pytest.approx((9000 / 3.6e6, 55.0))
    assert gauge_place(plant.gauges[1]) == "power that the pump draws, from files in W"
    assert parse_plant(REEF, file="reef.toml").plant.pump.power == ()


@pytest.mark.parametrize(
    ("points", "what"),
    [
        ('[["0 L/h", "30 W"], ["0 L/h", "40 W"]]', "point 2: the flow must rise"),
        ('[["0 L/h", "30"]]', "point 1: "),
        ('[["0 L/h", "0 W"]]', "point 1: "),
        ('"30 W"', "a list of pairs is wanted"),
        ("[]", "a list of pairs is wanted"),
    ],
)
def test_figures_of_power_that_cannot_be(points: str, what: str) -> None:
    """Told at their key."""
    (fault,) = faults_of(REEF.replace("check_valve = true\n", f"check_valve = true\npower = {points}\n"))

    assert fault.where == "pump: power"
    assert what in fault.what


@pytest.mark.parametrize(
    ("text", "where", "what"),
    [
        (GAUGE.replace('"riser"', '"risr"'), "gauge header: run", "there is no run 'risr', did you mean 'riser'?"),
        (GAUGE.replace('"riser"', '"carbon"'), "gauge header: run", "ends at an outlet"),
        (GAUGE.replace('"header"', '"M1"'), "gauge M1: name", "a meter is called 'M1'"),
        (GAUGE + GAUGE, "gauge header: name", "another gauge is called 'header'"),
        (GAUGE.replace('"pressure"', '"level"'), "gauge header: reads", "pressure"),
        (GAUGE.replace('"kPa"', '"mmHg"'), "gauge header: unit", '"kPa"'),
        (GAUGE.replace('unit = "kPa"\n', ""), "gauge header: unit", "missing"),
        (GAUGE + "height = 2\n", "gauge header: height", "unit"),
        (GAUGE.replace('"kPa"', '"W"'), "gauge header: unit", '"W" is no unit of pressure: write one of "Pa", "kPa"'),
        (GAUGE.replace('run = "riser"\n', ""), "gauge header: run", "name the inner run"),
        (POWER.replace('"W"', '"kPa"'), "gauge mains: unit", '"kPa" is no unit of power: write one of "W", "kW"'),
        (POWER + 'run = "riser"\n', "gauge mains: run", "take this line out"),
        (POWER + 'height = "1 m"\n', "gauge mains: height", "take this line out"),
        (POWER + POWER.replace("mains", "plug"), "gauge plug: reads", "gauge 'mains' reads the pump's power already"),
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

    jsonschema.validate(tomllib.loads(REEF + GAUGE + POWER), schema)

    for wrong in (
        POWER.replace('"W"', '"Pa"'),
        POWER + 'run = "riser"\n',
        GAUGE.replace('run = "riser"\n', ""),
        GAUGE.replace('"pressure"', '"power"'),
        GAUGE.replace('"kPa"', '"mmHg"'),
        GAUGE + "depth = 2\n",
    ):
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(tomllib.loads(REEF + wrong), schema)


PORT = '\n[[serial]]\nname = "desk"\nport = "/dev/ttyX"\n[[mqtt]]\nname = "loft"\nhost = "h"\n'


def test_a_gauge_may_have_a_source() -> None:
    """A channel of values of a port, or a topic with a pointer; the port that it uses is of use."""
    text = (
        REEF
        + PORT
        + GAUGE
        + 'source = { serial = "desk", channel = 3 }\n'
        + POWER
        + 'source = { mqtt = "loft", topic = "rack/power", value = "/W" }\n'
    )
    plant = parse_plant(text, file="reef.toml").plant

    assert plant.gauges[0].source == SerialSource(port="desk", channel=3)
    assert plant.gauges[1].source == MqttValue(broker="loft", topic="rack/power", value="/W")
    assert [gauge_place(gauge) for gauge in plant.gauges] == [
        "pressure at the end of riser, from serial port desk, channel 3, in kPa",
        "power that the pump draws, from broker loft, topic rack/power, in W",
    ]
    assert not any("desk" in note or "loft" in note for note in notes(plant))
    jsonschema.validate(tomllib.loads(text), plant_schema())


@pytest.mark.parametrize(
    ("source", "where", "what"),
    [
        ('{ serial = "dsk", channel = 3 }', "gauge mains: source: serial", "there is no serial port 'dsk'"),
        ('{ serial = "desk" }', "gauge mains: source: channel", "missing"),
        ('{ mqtt = "loft", topic = "rack/+" }', "gauge mains: source: topic", "wildcard"),
        ('{ mqtt = "loft", topic = "rack", pulses = "/W" }', "gauge mains: source: pulses", "unknown key"),
        ('{ mqtt = "loft", topic = "rack", value = "W" }', "gauge mains: source: value", "JSON Pointer"),
        ('{ file = "loft" }', "gauge mains: source", "needs one of these keys"),
        ('{ serial = "desk", channel = 1 }', "gauge mains: source", "gauge 'header' is fed from the same channel"),
    ],
)
def test_sources_that_cannot_be(source: str, where: str, what: str) -> None:
    """Where, and what to write instead."""
    other = GAUGE + 'source = { serial = "desk", channel = 1 }\n'
    told = [(fault.where, fault.what) for fault in faults_of(REEF + PORT + other + POWER + f"source = {source}\n")]

    assert any(place == where and what in words for place, words in told), told
