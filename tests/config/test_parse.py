"""A plant file's records, and the faults of single values in it."""

import re
from typing import Any

import pytest

from config.parse import parse_plant
from config.plant import (
    Barb,
    Broker,
    CheckValve,
    CheckValveKind,
    Device,
    Fitting,
    FittingKind,
    FixedK,
    MediaBed,
    MqttSource,
    Pipe,
    Pump,
    Reducer,
    SerialPort,
    SerialSource,
    Target,
    Valve,
    ValveKind,
    Water,
)
from config.settings import AlarmSettings, ReportSettings, Settings, StoreSettings
from tests.support.plant_files import REEF, changed, faults_of

PLANT = parse_plant(REEF, file="reef.toml").plant
L_H = 1e-3 / 3600


def near(value: float) -> Any:
    """A number to be met to twelve digits: units are multiplied on the way."""
    return pytest.approx(value, rel=1e-12)


def test_the_plain_tables() -> None:
    """Name, units, water and pump in SI."""
    assert (PLANT.name, PLANT.flow_unit, PLANT.timezone) == ("Slate cove", "L/h", "Europe/Lisbon")
    assert PLANT.water == Water(temperature_c=25.0, salinity_g_per_kg=35.0)
    assert PLANT.pump == Pump(
        curve=((0.0, 4.2), (near(5000 * L_H), 3.1), (near(9000 * L_H), 0.5)),
        speed=near(0.9),
        check_valve=True,
    )


def test_an_inner_run() -> None:
    """It ends at a node, and its path keeps the order of the file."""
    riser = PLANT.runs[0]

    assert (riser.name, riser.start, riser.end, riser.outlet_m) == ("riser", "pump", "tee", None)
    assert riser.path == (
        Fitting(kind=FittingKind.ENTRANCE_ROUNDED),
        Pipe(
            label="1-1/2 in sch 40",
            bore_m=near(0.040894),
            length_m=near(0.6096),
            roughness_m=1.5e-6,
            nominal_in=1.5,
        ),
        Fitting(kind=FittingKind.ELBOW_90_LONG, count=2),
    )


def test_a_branch_by_bores() -> None:
    """Outlet height, outlet under water, reducer, check valve."""
    display = PLANT.runs[1]

    assert (display.outlet_m, display.submerged, display.is_branch) == (1.2, True, True)
    assert display.path[0] == Fitting(kind=FittingKind.TEE_RUN)
    assert display.path[1] == Pipe(label="35.0 mm bore pipe", bore_m=near(0.035), length_m=2.0, roughness_m=near(2e-6))
    assert display.path[2] == Reducer(gradual=True)
    assert display.path[4:] == (CheckValve(kind=CheckValveKind.SWING), Fitting(kind=FittingKind.EXIT))


def test_a_branch_with_every_other_element() -> None:
    """60 % open is a handle turned by 36 degrees, 75 % open a gate down by a quarter."""
    carbon = PLANT.runs[2]

    assert carbon.path[2:] == (
        Fitting(kind=FittingKind.UNION, count=2),
        Fitting(kind=FittingKind.COUPLING),
        Valve(kind=ValveKind.BALL, closed_deg=near(36.0)),
        Valve(kind=ValveKind.GATE, closed_deg=22.5),
        Barb(bore_m=0.008),
        Pipe(label="12.7 mm hose", bore_m=near(0.0127), length_m=1.0, roughness_m=1e-5),
        FixedK(k=3.5),
        Device(
            name="carbon reactor",
            loss=((near(150 * L_H), 0.15), (near(300 * L_H), 0.45)),
        ),
        MediaBed(name="bed", bore_m=near(0.09), depth_m=0.25, grain_m=0.001, porosity=0.4),
    )
    assert carbon.target == Target(low_m3s=near(220 * L_H), high_m3s=near(420 * L_H))
    assert (carbon.media, carbon.meter, carbon.submerged) == ("granular carbon", "M2", False)


def test_a_ball_valve_by_the_turn_of_its_handle() -> None:
    """30 deg is the turn from fully open itself."""
    plant = parse_plant(changed('{ ball_valve = "60 %" }', '{ ball_valve = "30 deg" }'), file="f").plant

    assert plant.runs[2].path[4] == Valve(kind=ValveKind.BALL, closed_deg=30.0)


def test_meters_and_where_they_are_read() -> None:
    """A constant K-factor and a table of them; a serial channel and a topic."""
    first, second = PLANT.meters

    assert (first.k_points, first.counter_bits, first.source) == (
        ((0.0, 30.0),),
        16,
        SerialSource(port="bench", channel=1),
    )
    assert second.k_points == ((near(100 * L_H), 440.0), (near(400 * L_H), 452.5))
    assert second.counter_bits == 32
    assert second.source == MqttSource(broker="shed", topic="rack/2", pulses="/pulses", uptime="/uptime_s")


def test_ports_and_brokers() -> None:
    """A broker with TLS has the port of MQTT over TLS unless the file says another (IANA: 8883)."""
    assert PLANT.serial_ports == (SerialPort(name="bench", port="/dev/ttyUSB0", baud=38400),)
    assert PLANT.brokers == (
        Broker(name="shed", host="broker.lan", port=8883, tls=True, user="rack", password_file="/etc/rack/password"),  # noqa: S106 - the name of a file
    )
    assert parse_plant(changed("tls = true\n", ""), file="f").plant.brokers[0].port == 1883


def test_settings_have_defaults_that_need_no_writing() -> None:
    """And each can be set."""
    text = (
        REEF
        + "[alarms]\nfalse_alarms_per_branch_year = 1\n[store]\nminutes_kept_days = 30\n"
        + "quarantine_kept_lines = 5\n[report]\ntrend_days = 7\n[notify]\n[page]\n"
    )

    assert parse_plant(REEF, file="f").settings == Settings()
    assert parse_plant(text, file="f").settings == Settings(
        alarms=AlarmSettings(false_alarms_per_branch_year=1.0),
        store=StoreSettings(minutes_kept_days=30, quarantine_kept_lines=5),
        report=ReportSettings(trend_days=7),
    )


@pytest.mark.parametrize(
    "text",
    [
        pytest.param(REEF.replace("\n", "\r\n"), id="CRLF"),
        pytest.param("\ufeff" + REEF, id="byte order mark"),
        pytest.param(
            changed('curve = [["0 L/h", "4.2 m"], ["5000 L/h", "3.1 m"], ', 'curve = [["0 gph", "9 ft"], '),
            id="two points",
        ),
        pytest.param(changed('[water]\ntemperature = "25 degC"\nsalinity = "35 g/kg"\n', ""), id="no water"),
        pytest.param(changed('loss = [["150 L/h", ', 'loss = [["0 L/h", "0 m"], ["150 L/h", '), id="loss from zero"),
        pytest.param(changed('{ ball_valve = "60 %" }', '{ ball_valve = "0 %" }'), id="a shut valve"),
        pytest.param(changed("porosity = 0.4", 'porosity = "40 %"'), id="porosity in per cent"),
        pytest.param(changed('outlet = "20 cm"', 'outlet = "-10 cm"'), id="an outlet below the sump's level"),
        pytest.param(changed('meter = "M2"\n\n', "\n"), id="a meter on no run"),
        pytest.param(changed('source = { serial = "bench", channel = 1 }\n', ""), id="a meter without a source"),
        pytest.param(changed('name = "Slate cove"', 'name = "</script> $x$ سمكة 🐠"'), id="a name of all sorts"),
    ],
)
def test_these_are_sound(text: str) -> None:
    """What may be written otherwise, or left out."""
    assert len(parse_plant(text, file="reef.toml").plant.runs) == 3


FAULTS = [
    # plant, water, pump
    ('flow_unit = "L/h"', 'flow_unit = "gallons"', "plant: flow_unit", "write one of gal/h"),
    ('timezone = "Europe/Lisbon"', 'timezone = "Europe/Lisboa"', "plant: timezone", "did you mean 'Europe/Lisbon'"),
    ('timezone = "Europe/Lisbon"', 'timezone = "../../etc/passwd"', "plant: timezone", "is not a time zone"),
    ('name = "Slate cove"', 'nam = "Slate cove"', "plant: nam", "did you mean 'name'"),
    ('name = "Slate cove"', 'name = " "', "plant: name", "1 to 80 characters"),
    ('name = "Slate cove"', 'name = "a\\nb"', "plant: name", "no line breaks"),
    ('temperature = "25 degC"', 'temperature = "25 m"', "water: temperature", "a temperature is wanted"),
    ('temperature = "25 degC"', 'temperature = "77 degC"', "water: temperature", "at most 60 degC"),
    ('salinity = "35 g/kg"', "salinity = 35", "water: salinity", "35 has no unit"),
    ('"3.1 m"]', '"4.2 m"]', "pump: curve", "point 2: the head of a pump must fall"),
    ('["9000 L/h", "0.5 m"]', '["5000 L/h", "0.5 m"]', "pump: curve", "point 3: the flow must rise"),
    ('["9000 L/h", "0.5 m"]', '["9000 L/h"]', "pump: curve", "point 3 is not a pair"),
    ('["9000 L/h", "0.5 m"]', '["9000", "0,5 m"]', "pump: curve", "point 3: '9000' has no unit"),
    (
        '["9000 L/h", "0.5 m"]',
        '["9000 m3/h", "0.5 m"]',
        "pump: curve",
        "point 3: '9000 m3/h' must be at most 1080 m3/h",
    ),
    ('["0 L/h", "4.2 m"]', '["0 L/h", "420 m"]', "pump: curve", "at most 100 m"),
    (', ["5000 L/h", "3.1 m"], ["9000 L/h", "0.5 m"]', "", "pump: curve", "two points or more"),
    ('["0 L/h", "4.2 m"], ', "", "pump: curve", "only if the first is the head at no flow"),
    ('speed = "90 %"', 'speed = "0 %"', "pump: speed", "more than 0 %"),
    ('speed = "90 %"', 'speed = "151 %"', "pump: speed", "at most 150 %"),
    ('speed = "90 %"', "speed = 90", "pump: speed", "90 has no unit"),
    ("check_valve = true", 'check_valve = "yes"', "pump: check_valve", "write true or false"),
    # runs and their paths
    ('{ entrance = "rounded" }', '{ entrance = "round" }', "run riser: path[1]: entrance", "did you mean 'rounded'"),
    ('{ entrance = "rounded" }', "7", "run riser: path[1]", 'like { elbow = "90" }'),
    ('{ entrance = "rounded" }', '{ entrence = "rounded" }', "run riser: path[1]", "did you mean 'entrance'"),
    ('{ entrance = "rounded" }', "{ wibble = 1 }", "run riser: path[1]", "needs one of these keys"),
    ('"1-1/2 in sch 40"', '"1-1/2 in sch 41"', "run riser: path[2]: pipe", "schedules 40 and 80"),
    (', length = "24 in"', "", "run riser: path[2]: length", 'missing: write length = "40 cm"'),
    ('length = "24 in"', 'lenght = "24 in"', "run riser: path[2]: lenght", "did you mean 'length'"),
    ('length = "24 in"', 'length = "24 psi"', "run riser: path[2]: length", "unit of a pressure"),
    ('"0.15 m"], ["300', '"2 kPa"], ["300', "run carbon: path[10]: loss", "1 kPa is about 0.1 m of water"),
    ('length = "24 in"', 'length = "-24 in"', "run riser: path[2]: length", "at least 0 in"),
    ('"90 long", count = 2', '"90 long", count = 0', "run riser: path[3]: count", "at least 1"),
    ('"90 long", count = 2', '"90 long", count = 1.5', "run riser: path[3]: count", "whole number"),
    ('"90 long", count = 2', "90", "run riser: path[3]: elbow", '90 is not known here: write one of "90"'),
    ('bore = "35 mm"', 'bore = "0 mm"', "run display: path[2]: bore", "more than 0 mm"),
    ('{ bore = "26.6 mm"', '{ bore = "35 mm"', "run display: path", "no change of bore"),
    ("{ exit = true }", "{ exit = false }", "run display: path[6]: exit", "write true, or take the element out"),
    (
        '{ barb = "8 mm" }',
        '{ barb = "8 mm", hose = "1 in", length = "1 m" }',
        "run carbon: path[7]: barb",
        "two elements in one table",
    ),
    ('{ ball_valve = "60 %" }', '{ ball_valve = "110 %" }', "run carbon: path[5]: ball_valve", "at most 100 %"),
    (
        '{ ball_valve = "60 %" }',
        '{ ball_valve = "half" }',
        "run carbon: path[5]: ball_valve",
        "by the turn of its handle",
    ),
    ('{ ball_valve = "60 %" }', '{ ball_valve = "95 deg" }', "run carbon: path[5]: ball_valve", "at most 90 deg"),
    ('{ gate_valve = "75 %" }', '{ gate_valve = "30 deg" }', "run carbon: path[6]: gate_valve", "set by its opening"),
    ("{ K = 3.5 }", "{ K = -1 }", "run carbon: path[9]: K", "at least 0"),
    ("{ K = 3.5 }", "{ K = nan }", "run carbon: path[9]: K", "finite"),
    ("{ K = 3.5 }", '{ K = "3.5" }', "run carbon: path[9]: K", "a number without quotes"),
    ('"0.45 m"]]', '"0.15 m"]]', "run carbon: path[10]: loss", "point 2: the loss must rise"),
    ('["300 L/h", "0.45 m"]', '["150 L/h", "0.45 m"]', "run carbon: path[10]: loss", "point 2: the flow must rise"),
    (
        '["150 L/h", "0.15 m"], ["300 L/h", "0.45 m"]',
        '["0 L/h", "0 m"]',
        "run carbon: path[10]: loss",
        "one point with flow",
    ),
    (
        '"carbon reactor", loss = [["150 L/h", "0.15 m"], ["300 L/h", "0.45 m"]]',
        '"c"',
        "run carbon: path[10]",
        "either `loss`",
    ),
    ("porosity = 0.4", "porosity = 1.4", "run carbon: path[11]: bed: porosity", "between 0 and 1"),
    ('grain = "1 mm"', 'grain = "1 m"', "run carbon: path[11]: bed: grain", "at most 0.6 m"),
    ('grain = "1 mm"', 'grain = "90 mm"', "run carbon: path[11]: bed", "smaller than the vessel"),
    ('low = "220 L/h"', 'low = "520 L/h"', "run carbon: target", "`low` is more than `high`"),
    ('{ low = "220 L/h", high = "420 L/h" }', "{ }", "run carbon: target", "`low`, `high` or both"),
    ('target = { low = "220 L/h"', 'target = { lo = "220 L/h"', "run carbon: target: lo", "did you mean 'low'"),
    # meters, ports, brokers, settings
    ("pulses_per_litre = 30", 'pulses_per_litre = "30"', "meter M1: pulses_per_litre", "without quotes"),
    ("pulses_per_litre = 30", "pulses_per_litre = -3", "meter M1: pulses_per_litre", "between 0 and 1,000,000"),
    ("pulses_per_litre = 30\n", "", "meter M1: pulses_per_litre", "missing: write pulses_per_litre = 450"),
    ('["400 L/h", 452.5]', '["100 L/h", 452.5]', "meter M2: pulses_per_litre", "point 2: the flow must rise"),
    ("counter_bits = 16", "counter_bits = 24", "meter M1: counter_bits", "write 16 or 32"),
    ("channel = 1", "channel = 0", "meter M1: source: channel", "at least 1"),
    (", channel = 1", "", "meter M1: source: channel", "missing"),
    ('{ serial = "bench", channel = 1 }', "{ usb = 1 }", "meter M1: source", "a source needs one of these keys"),
    ('topic = "rack/2"', 'topic = "rack/+"', "meter M2: source: topic", "wildcard"),
    ('pulses = "/pulses"', 'pulses = "pulses"', "meter M2: source: pulses", "JSON Pointer"),
    ('port = "/dev/ttyUSB0"', 'port = "/dev/ttyUSB0"\nbaud = "9600"', "serial bench: baud", "whole number"),
    ('port = "/dev/ttyUSB0"', "", "serial bench: port", "missing"),
    ('user = "rack"', 'user = "rack"\npassword = "x"', "mqtt shed: password", "secrets never stand in the plant file"),
    ('user = "rack"\n', "", "mqtt shed", "a password without `user`"),
    ('user = "rack"', 'user = "rack"\npassword_credential = "p"', "mqtt shed", "not both"),
    ("tls = true", 'ca_file = "/etc/ca.pem"', "mqtt shed", "without TLS"),
    ("tls = true", "port = 70000", "mqtt shed: port", "at most 65535"),
    ("[water]", "[wather]", "wather", "did you mean 'water'"),
    ("[water]", "[store]\nminutes_kept_days = 0\n[water]", "store: minutes_kept_days", "at least 1"),
    ("[water]", "[notify]\nmail = 1\n[water]", "notify: mail", "no keys yet"),
    (
        "[water]",
        "[alarms]\nfalse_alarms_per_branch_year = 0\n[water]",
        "alarms: false_alarms_per_branch_year",
        "more than 0",
    ),
]


@pytest.mark.parametrize(("old", "new", "where", "what"), FAULTS, ids=[f"{fault[2]}: {fault[3]}" for fault in FAULTS])
def test_a_fault_says_where_and_what_to_write(old: str, new: str, where: str, what: str) -> None:
    """One wrong thing, one fault, at its key, on its line."""
    text = changed(old, new)
    (fault,) = faults_of(text)

    assert fault.where == where
    assert what in fault.what
    key = re.sub(r"\[\d+\]$", "", fault.where.rpartition(": ")[2])
    line = text.splitlines()[fault.line - 1]
    assert key in line or (new and new[:20] in line) or "missing" in fault.what or line.startswith("[[")


def test_the_line_is_that_of_the_key() -> None:
    """Lists over many lines do not shift it."""
    text = changed('{ barb = "8 mm" }', '{ barb = "8 kg" }')
    (fault,) = faults_of(text)

    assert text.splitlines()[fault.line - 1].strip() == '{ barb = "8 kg" },'
    assert fault.pointer == "/run/2/path/6/barb"


def test_pointers_escape_what_rfc_6901_escapes() -> None:
    """Source: RFC 6901, section 3: ~ is written ~0, / is written ~1."""
    (fault,) = faults_of(changed("[water]", '[water]\n"a/b~c" = 1'))

    assert fault.pointer == "/water/a~1b~0c"


def test_all_faults_come_at_once_in_the_order_of_the_file() -> None:
    """Shape, values, tree and names across tables together."""
    text = REEF.replace('"25 degC"', '"25"').replace('from = "tee"\noutlet = "20 cm"', 'from = "te"\noutlet = "20 kg"')
    text = text.replace("counter_bits = 16", "counter_bits = 8").replace('serial = "bench"', 'serial = "beach"')
    faults = faults_of(text)

    assert [fault.where for fault in faults] == [
        "water: temperature",
        "run carbon: from",
        "run carbon: outlet",
        "meter M1: counter_bits",
        "meter M1: source: serial",
    ]
    assert [fault.line for fault in faults] == sorted(fault.line for fault in faults)


def test_the_text_of_the_error_has_one_line_a_fault() -> None:
    """`file:line: where: what`, as editors and terminals make links of."""
    text = changed('length = "24 in"', 'length = "24 inc"')
    (fault,) = faults_of(text)
    with pytest.raises(Exception, match=re.escape(f"reef.toml:{fault.line}: run riser: path[2]: length: '24 inc'")):
        parse_plant(text, file="reef.toml")


@pytest.mark.parametrize(
    ("text", "line", "what"),
    [
        ("[plant]\nname = 12 mm", 2, "a quantity stands in quotes"),
        ("[plant]\nname = lagoon", 2, "text stands in quotes"),
        ('a = "1/2" sch 40"', 1, "inside quotes write in for inches"),
        ('a = "C:\\pump"', 1, "write a backslash twice"),
        ("a = { b = 1,\nc = 2 }", 1, "stands on one line"),
        ("a = 1\na = 2", 2, "Cannot overwrite"),
        ("[[[[", 1, "not TOML"),
        ('a = """x\n\n', 3, "Unterminated"),
        ("x = " + "[" * 100_000, 0, "nested"),
        ("x = " + "9" * 5000, 0, "thousands of digits"),
    ],
    ids=range(10),
)
def test_what_is_not_toml_is_one_fault_with_its_line(text: str, line: int, what: str) -> None:
    """And what the keeper may have meant."""
    (fault,) = faults_of(text)

    assert (fault.line, fault.where) == (line, "plant file")
    assert what in fault.what


def test_an_empty_file_says_which_tables_to_write() -> None:
    """The three that there is no plant without."""
    assert [fault.what for fault in faults_of("")] == [
        "missing: write a [plant] table",
        "missing: write a [pump] table",
        "missing: write a [[run]] table",
    ]


@pytest.mark.parametrize(
    ("text", "what"),
    [("plant = 3", "write it as [plant]"), ("run = 3", "write it as [[run]]"), ("[run]", "write it as [[run]]")],
)
def test_tables_of_the_wrong_kind(text: str, what: str) -> None:
    """A table where a list of tables should be, and so on."""
    assert any(what in fault.what for fault in faults_of(text))
