"""From the database to an assessment."""

import contextlib
from dataclasses import replace
from pathlib import Path
from typing import NoReturn

import numpy as np
import pytest

from config.errors import InputMissing, StoreError
from config.load import load_plant
from config.plant import Target
from config.settings import PlantFile
from daemon.assessing import assess_stored, commission_stored, placed_meters, plant_digest
from daemon.store.baselines import latest_baseline
from daemon.store.memories import read_memories
from daemon.store.opening import open_reader
from tests.support.simulated_log import loaded, log_of, run
from tests.support.simulated_rack import FIGURES, GAUGE, PLANT, POWER, SPEED_LINE, Truth, hours_of, plant_file
from tests.support.simulated_stories import at_s, told

PLANT_RECORD = plant_file().plant


@pytest.fixture
def rack(tmp_path: Path) -> PlantFile:
    """The rack with eighteen healthy days in its database."""
    return load_plant(loaded(tmp_path, told("healthy").frame))


def db_of(rack: PlantFile) -> Path:
    """The database beside the plant file."""
    return Path(rack.path).with_suffix(".db")


def test_digest_goes_by_the_water() -> None:
    """A longer pipe, another pump speed, another K-factor: another plant."""
    changed = [
        PLANT.replace('length = "90 cm"', 'length = "91 cm"'),
        PLANT.replace('speed = "100 %"', 'speed = "99 %"'),
        PLANT.replace("pulses_per_litre = 60", "pulses_per_litre = 61"),
        PLANT.replace('outlet = "85 cm"', 'outlet = "86 cm"'),
    ]

    digests = {plant_digest(plant_file(text).plant) for text in (PLANT, *changed)}

    assert len(digests) == 1 + len(changed)


def test_digest_does_not_go_by_names_targets_and_ports() -> None:
    """What does not touch the water is no other plant."""
    runs = tuple(replace(one, target=Target(low_m3s=1e-5)) for one in PLANT_RECORD.runs)
    other = replace(PLANT_RECORD, name="another", flow_unit="gal/h", timezone="UTC", runs=runs)

    assert plant_digest(other) == plant_digest(PLANT_RECORD)


def test_digest_does_not_go_by_units() -> None:
    """70 cm are 0.70 m, and 700 mm."""
    texts = [PLANT.replace('"70 cm"', length) for length in ('"70 cm"', '"0.70 m"', '"700 mm"')]

    assert len({plant_digest(plant_file(text).plant) for text in texts}) == 1


def test_meters_without_a_run_tell_nothing_of_the_manifold() -> None:
    """A meter in the top-up line, say, is not commissioned."""
    text = PLANT + '[[meter]]\nname = "M9"\npulses_per_litre = 450\n'

    assert placed_meters(plant_file(text).plant) == ("M1", "M2", "M3", "M4")


def test_the_last_commissioning_counts(rack: PlantFile) -> None:
    """Commissioned twice: the second is what later hours are judged by."""
    for days in (4, 8):
        commission_stored(rack, db_of(rack), from_s=None, to_s=at_s(24 * days), made_s=at_s(24 * 20))
    with contextlib.closing(open_reader(db_of(rack))) as connection:
        row = latest_baseline(connection)

    assert row is not None
    assert row.to_ms == at_s(24 * 8) * 1000
    assert row.plant_digest == plant_digest(rack.plant)


def test_a_failed_commissioning_leaves_the_last_one(rack: PlantFile) -> None:
    """Nothing is half written."""
    commission_stored(rack, db_of(rack), from_s=None, to_s=None, made_s=at_s(500))
    with pytest.raises(InputMissing):
        commission_stored(rack, db_of(rack), from_s=None, to_s=at_s(10), made_s=at_s(600))
    with contextlib.closing(open_reader(db_of(rack))) as connection:
        row = latest_baseline(connection)

    assert row is not None
    assert row.made_ms == at_s(500) * 1000


def test_speed_of_the_commissioning_is_the_journals(rack: PlantFile, tmp_path: Path) -> None:
    """The last entry before its end; later ones do not count."""
    journal = tmp_path / "events.csv"
    lines = ["2026-08-01T00:00:00Z,pump_speed,pump,80", "2026-09-01T00:00:00Z,pump_speed,pump,95",
             "2026-09-17T00:00:00Z,pump_speed,pump,70"]  # fmt: skip
    journal.write_text("\n".join(["time_utc,kind,target,value", *lines, ""]), encoding="utf-8")
    assert run("load", rack.path, tmp_path / "gully.csv.gz", "--events", journal).exit_code == 0

    baseline = commission_stored(rack, db_of(rack), from_s=None, to_s=None, made_s=at_s(500))

    assert baseline.speed == 0.95


def test_a_calibration_within_the_healthy_days_counts_for_all_of_them(rack: PlantFile) -> None:
    """The meter was the same before its bucket test: nothing wanders by it, and nothing is found on either side."""
    plain = commission_stored(rack, db_of(rack), from_s=None, to_s=None, made_s=at_s(500))
    at = f"{np.datetime64(int(at_s(80.5)), 's')}Z"
    assert run("journal", rack.path, "calibration", "M3", "30", "--at", at).exit_code == 0

    baseline = commission_stored(rack, db_of(rack), from_s=None, to_s=None, made_s=at_s(600))
    known = assess_stored(rack, db_of(rack), until_s=None).assessment

    assert baseline.flow_m3s == pytest.approx(plain.flow_m3s * [1, 1, 24 / 30, 1], rel=1e-3)
    assert baseline.noise.white_sd == pytest.approx(plain.noise.white_sd, rel=0.05)
    assert known.findings == ()
    assert known.flow_m3s[70:100, 2] / known.expected_m3s[70:100, 2] == pytest.approx(np.ones(30), abs=0.05)


def test_assessed_up_to_the_last_reading(rack: PlantFile) -> None:
    """Or to an earlier time; a later one does not pretend to more."""
    commission_stored(rack, db_of(rack), from_s=None, to_s=None, made_s=at_s(500))
    last = assess_stored(rack, db_of(rack), until_s=None).assessment.now_s

    assert last == at_s(24 * 18)
    assert assess_stored(rack, db_of(rack), until_s=at_s(300)).assessment.now_s == at_s(300)
    assert assess_stored(rack, db_of(rack), until_s=at_s(1e5)).assessment.now_s == last


def test_no_database(tmp_path: Path) -> None:
    """The path is named, and nothing is created."""
    rack, missing = plant_file(), tmp_path / "none.db"

    for act in (
        lambda: assess_stored(rack, missing, until_s=None),
        lambda: commission_stored(rack, missing, from_s=None, to_s=None, made_s=0.0),
    ):
        with pytest.raises(InputMissing, match=r"none\.db"):
            act()
    assert not missing.exists()


def test_only_hours_at_the_last_speed_count(tmp_path: Path) -> None:
    """The pump ran at 90 % for more than half of the healthy days: the fit is that of the other hours."""
    slow = Truth(speed=np.where(np.arange(24 * 8) < 100, 0.9, 1.0))
    rack = load_plant(loaded(tmp_path, hours_of(plant_file(), days=8, seed=5, truth=slow)))
    journal = tmp_path / "journal.csv"
    journal.write_text(
        "time_utc,kind,target,value\n2026-08-31T00:00:00Z,pump_speed,pump,90\n2026-09-05T04:00:00Z,pump_speed,pump,100\n",
        encoding="utf-8",
    )
    assert run("load", rack.path, "--events", journal).exit_code == 0

    found = commission_stored(rack, db_of(rack), from_s=None, to_s=None, made_s=at_s(500))

    assert found.speed == 1.0
    assert found.flow_m3s == pytest.approx(told("healthy").baseline.flow_m3s, rel=0.02)
    assert (found.noise.wander_sd < 0.02).all()


def test_too_few_hours_at_the_last_speed(tmp_path: Path) -> None:
    """The speed was changed a day before the end: the journal is named as the reason."""
    rack = load_plant(loaded(tmp_path, hours_of(plant_file(), days=8, seed=5)))
    assert run("journal", rack.path, "pump_speed", "pump", "95", "--at", "2026-09-07T12:00Z").exit_code == 0

    with pytest.raises(InputMissing, match=r"another speed than 95 % in 156 of these 168 hours"):
        commission_stored(rack, db_of(rack), from_s=None, to_s=None, made_s=at_s(500))


def test_readings_too_far_apart_are_called_that(tmp_path: Path) -> None:
    """A reading an hour gives no flow; it is not said that there are no readings."""
    plant, log = tmp_path / "gully.toml", tmp_path / "sparse.csv"
    plant.write_text(PLANT, encoding="utf-8")
    lines = [line for line in log_of(told("healthy").frame).splitlines() if line[14:16] in ("00", "")]
    log.write_text("\n".join(["time_utc,meter,pulses", *lines, ""]), encoding="utf-8")
    assert run("load", plant, log).exit_code == 0

    with pytest.raises(InputMissing, match="10 minutes apart, or 35"):
        commission_stored(load_plant(plant), plant.with_suffix(".db"), from_s=None, to_s=None, made_s=at_s(500))


def test_an_assessment_goes_on_from_the_one_before(rack: PlantFile) -> None:
    """The second judges only the hours that are new, and says the same."""
    run("commission", rack.path)
    judged: list[int] = []

    first = assess_stored(rack, db_of(rack), until_s=None, tell=lambda done, _: judged.append(done)).assessment
    walked = len(judged)
    second = assess_stored(rack, db_of(rack), until_s=None, tell=lambda done, _: judged.append(done)).assessment

    assert walked > 200
    assert len(judged) == walked
    assert second.findings == first.findings
    assert second.meter_states == first.meter_states


def test_a_database_that_cannot_be_written_is_judged_all_the_same(
    rack: PlantFile, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A card that turned read-only: nothing is kept, everything is said."""
    run("commission", rack.path)

    def refused(path: object, **_: bool) -> NoReturn:
        raise StoreError(f"{path}: the database cannot be written")

    monkeypatch.setattr("daemon.assessing.second_writer", refused)
    known = assess_stored(rack, db_of(rack), until_s=None).assessment

    assert known.now_s == at_s(24 * 18)
    with contextlib.closing(open_reader(db_of(rack))) as connection:
        assert read_memories(connection) == ()


def test_a_plant_without_gauges_is_called_as_before_there_were_any() -> None:
    """So that a plant commissioned by an earlier version need not be commissioned again; with one, it is another plant."""
    gauged = plant_file(PLANT + GAUGE).plant

    assert plant_digest(PLANT_RECORD) == "19bdc8c377b6a648"
    assert plant_digest(gauged) == "e90b5ec987d28642"
    lifted = replace(gauged, gauges=(replace(gauged.gauges[0], height_m=0.3),))
    assert plant_digest(lifted) != plant_digest(gauged)


def test_what_the_plant_file_says_of_power_makes_another_plant() -> None:
    """Figures of the pump's power, or a gauge of it: both change what is said of faults."""
    texts = (PLANT, PLANT + POWER, PLANT.replace(SPEED_LINE, FIGURES), PLANT.replace(SPEED_LINE, FIGURES) + POWER)

    assert len({plant_digest(plant_file(text).plant) for text in texts}) == len(texts)


def test_a_gauge_is_commissioned_and_assessed_from_the_database(tmp_path: Path) -> None:
    """Loaded from a file: its usual pressure, and its state in the assessment, as they were drawn."""
    frame = hours_of(plant_file(PLANT + GAUGE), days=10, seed=5)
    assert frame.gauges is not None
    rack = load_plant(loaded(tmp_path, frame, text=PLANT + GAUGE))
    shown = frame.gauges.shown[:, 0]

    (gauge,) = commission_stored(rack, db_of(rack), from_s=None, to_s=None, made_s=0.0).gauges
    (state,) = assess_stored(rack, db_of(rack), until_s=None).assessment.gauge_states

    assert gauge.shown == pytest.approx(np.median(shown[1 : 7 * 24]), rel=2e-4)
    assert state.commissioned == gauge.shown
    assert state.shown == pytest.approx(np.mean(shown[-24:]), rel=2e-3)
