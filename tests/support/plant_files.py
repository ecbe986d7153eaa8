"""A plant file for tests that change one thing in it, and what its faults look like."""

import pytest

from config.errors import Fault, PlantFileError
from config.parse import parse_plant

REEF = """\
[plant]
name = "Slate cove"
flow_unit = "L/h"
timezone = "Europe/Lisbon"

[water]
temperature = "25 degC"
salinity = "35 g/kg"

[pump]
curve = [["0 L/h", "4.2 m"], ["5000 L/h", "3.1 m"], ["9000 L/h", "0.5 m"]]
speed = "90 %"
check_valve = true

[[run]]
name = "riser"
from = "pump"
to = "tee"
path = [
  { entrance = "rounded" },
  { pipe = "1-1/2 in sch 40", length = "24 in" },
  { elbow = "90 long", count = 2 },
]

[[run]]
name = "display"
from = "tee"
outlet = "1.2 m"
submerged = true
path = [
  { tee = "run" },
  { bore = "35 mm", length = "2 m", roughness = "0.002 mm" },
  { reducer = "gradual" },
  { bore = "26.6 mm", length = "50 cm" },
  { check_valve = "swing" },
  { exit = true },
]
meter = "M1"

[[run]]
name = "carbon"
from = "tee"
outlet = "20 cm"
path = [
  { tee = "branch" },
  { pipe = "1/2 in sch 80", length = "40 cm" },
  { union = 2 },
  { coupling = 1 },
  { ball_valve = "60 %" },
  { gate_valve = "75 %" },
  { barb = "8 mm" },
  { hose = "12.7 mm", length = "1 m" },
  { K = 3.5 },
  { device = "carbon reactor", loss = [["150 L/h", "0.15 m"], ["300 L/h", "0.45 m"]] },
  { device = "bed", bed = { bore = "90 mm", depth = "25 cm", grain = "1 mm", porosity = 0.4 } },
]
media = "granular carbon"
target = { low = "220 L/h", high = "420 L/h" }
meter = "M2"

[[meter]]
name = "M1"
pulses_per_litre = 30
counter_bits = 16
source = { serial = "bench", channel = 1 }

[[meter]]
name = "M2"
pulses_per_litre = [["100 L/h", 440], ["400 L/h", 452.5]]
source = { mqtt = "shed", topic = "rack/2", pulses = "/pulses", uptime = "/uptime_s" }

[[serial]]
name = "bench"
port = "/dev/ttyUSB0"

[[mqtt]]
name = "shed"
host = "broker.lan"
tls = true
user = "rack"
password_file = "/etc/rack/password"
"""


def faults_of(text: str) -> tuple[Fault, ...]:
    """The faults of a plant file that has some."""
    with pytest.raises(PlantFileError) as caught:
        parse_plant(text, file="reef.toml")
    return caught.value.faults


def changed(old: str, new: str) -> str:
    """The plant file with one text in it exchanged."""
    assert REEF.count(old) == 1, f"{old!r} stands {REEF.count(old)} times in the plant file"
    return REEF.replace(old, new)
