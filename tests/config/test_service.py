"""The service's unit file: sound by systemd's own checks, and in step with the program."""

import configparser
import pathlib
import re
import shutil
import subprocess
import sys

import pytest

from config.errors import PlantFileError
from daemon import collector
from daemon.collector import STATUS_EVERY_S, STOP_S

TOP = pathlib.Path(__file__).parents[2]
UNIT = TOP / "config" / "clearbore.service"
PROGRAM = "/opt/clearbore/bin/clearbore"
MOST_EXPOSED = "20"
"""Of 100 points of `systemd-analyze security`, where a bare unit has 92 and 20 still counts as OK."""


@pytest.fixture
def installed(tmp_path: pathlib.Path) -> pathlib.Path:
    """The unit as installed: its program is one that is there."""
    if shutil.which("systemd-analyze") is None:
        pytest.skip("systemd-analyze is not installed (apt-get install systemd)")
    text = UNIT.read_text(encoding="utf-8")
    assert text.count(f"ExecStart={PROGRAM} ") == 1
    path = tmp_path / "clearbore.service"
    path.write_text(text.replace(PROGRAM, sys.executable), encoding="utf-8")
    return path


def service() -> configparser.SectionProxy:
    """The settings of [Service]; of those given twice the last."""
    unit = configparser.ConfigParser(strict=False, interpolation=None)
    unit.optionxform = str  # type: ignore[assignment,method-assign]
    unit.read_string(UNIT.read_text(encoding="utf-8"))
    return unit["Service"]


def test_systemd_finds_nothing_wrong(installed: pathlib.Path) -> None:
    """systemd-analyze verify (systemd's own reader of units): no unknown setting, no warning."""
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", str(installed)], capture_output=True, text=True, check=False
    )

    assert (done.returncode, done.stderr) == (0, "")


def test_it_is_shut_in(installed: pathlib.Path) -> None:
    """systemd-analyze security: exposed no more than what it calls OK."""
    command = ["systemd-analyze", "security", "--offline=yes", f"--threshold={MOST_EXPOSED}", "--no-pager"]
    done = subprocess.run([*command, str(installed)], capture_output=True, text=True, check=False)

    assert done.returncode == 0, done.stdout.splitlines()[-1]


def test_ports_that_come_later_are_not_shut_out() -> None:
    """A list of devices is resolved at the start: an adapter plugged in later would be refused for ever."""
    settings = service()

    assert [
        name for name in ("DeviceAllow", "DevicePolicy", "PrivateDevices", "ProtectClock") if name in settings
    ] == []
    assert settings["SupplementaryGroups"] == "dialout"


def test_a_spoilt_plant_file_is_not_tried_for_ever() -> None:
    """Its exit code is the one after which there is no new start; after any other there is, without end."""
    settings = service()

    assert settings["RestartPreventExitStatus"] == str(PlantFileError.exit_code)
    assert settings["Restart"] == "on-failure"
    assert "StartLimitIntervalSec=0" in UNIT.read_text(encoding="utf-8")


def test_the_watchdog_is_patient_enough() -> None:
    """The manager waits several signs of life, and at the end for the last tries to write."""
    settings = service()

    assert settings["Type"] == "notify"
    assert float(settings["WatchdogSec"]) >= 5 * STATUS_EVERY_S
    assert float(settings["TimeoutStopSec"]) >= 2 * STOP_S + collector.LAST_TRIES * (5 + collector.PAUSE_S)


def test_a_greedy_job_is_ended_alone() -> None:
    """Otherwise the service manager would stop the collector with it (systemd.service(5), OOMPolicy)."""
    assert service()["OOMPolicy"] == "continue"


def test_readme_installs_this_very_file() -> None:
    """With the paths that stand in it."""
    readme = (TOP / "README.md").read_text(encoding="utf-8")

    assert re.search(r"sudo install .*config/clearbore\.service /etc/systemd/system/", readme)
    assert "python3 -m venv /opt/clearbore" in readme
    assert service()["ExecStart"].split()[-1] in readme
