"""`clearbore demo`, as a keeper runs it."""

import os
import subprocess
import sys
from pathlib import Path

import psutil
import pytest

from daemon.demo_folder import MARK


def demo(cwd: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """Run the demo in a folder of its own, with a temporary folder of its own in which nothing may stay."""
    temporary = cwd.parent / "temporary"
    temporary.mkdir(exist_ok=True)
    return subprocess.run(
        [sys.executable, "-P", "-m", "daemon", "demo", *words],
        cwd=cwd,
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "TMPDIR": str(temporary)},
    )


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """The folder that the demo is started in."""
    folder = tmp_path / "home"
    folder.mkdir()
    return folder


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, subprocess.CompletedProcess[str]]:
    """One whole demo: where it ran and what it said."""
    folder = tmp_path_factory.mktemp("demo") / "home"
    folder.mkdir()
    return folder, demo(folder, "--seconds", "3")


def test_the_demo_ends_well_and_names_the_report(told: tuple[Path, subprocess.CompletedProcess[str]]) -> None:
    """It ends with 0 and the last part names a page that is there."""
    folder, done = told
    report = folder / "clearbore-demo" / "report.html"
    assert done.returncode == 0, done.stderr
    assert str(report) in done.stdout
    assert report.read_text().startswith("<!DOCTYPE html>")


def test_the_demo_says_what_is_wrong(told: tuple[Path, subprocess.CompletedProcess[str]]) -> None:
    """The finding of the carbon story is on the screen."""
    _, done = told
    finding = done.stdout.split("3. What is wrong")[1]
    assert "carbon" in finding.split("clearbore report:")[1].lower()


def test_every_meter_was_heard_over_the_wire(told: tuple[Path, subprocess.CompletedProcess[str]]) -> None:
    """The live part shows each of the five meters with what the collector stored."""
    _, done = told
    live = done.stdout.split("2. What every branch does get")[1].split("3. What is wrong")[0]
    assert all(meter in live for meter in ("M1", "M2", "M3", "M4", "M5"))


def test_nothing_is_left_but_the_folder(told: tuple[Path, subprocess.CompletedProcess[str]]) -> None:
    """Beside the demo's folder nothing stays: no temporary file, no port, no process."""
    folder, _ = told
    assert [path.name for path in folder.iterdir()] == ["clearbore-demo"]
    assert list((folder.parent / "temporary").iterdir()) == []
    assert not (folder / "clearbore-demo" / "live" / "port").is_symlink()
    assert not [p for p in psutil.process_iter(["cmdline"]) if str(folder) in " ".join(p.info["cmdline"] or [])]


def test_the_folder_can_be_gone_on_with(told: tuple[Path, subprocess.CompletedProcess[str]]) -> None:
    """The plant file, the log and the database lie together, so that a command needs the plant file alone."""
    folder, _ = told
    names = {path.name for path in (folder / "clearbore-demo").iterdir()}
    assert {MARK, "lagoon_rack.toml", "lagoon_rack.db", "carbon_clogging.csv.gz", "report.html", "live"} <= names


def test_a_folder_with_other_files_is_refused(home: Path) -> None:
    """A folder of somebody's own ends the demo with the exit code for "cannot create", before anything is made."""
    (home / "clearbore-demo").mkdir()
    (home / "clearbore-demo" / "mine.txt").write_text("mine")
    done = demo(home)
    assert done.returncode == 73
    assert "--force" in done.stderr
    assert [path.name for path in (home / "clearbore-demo").iterdir()] == ["mine.txt"]


def test_an_unknown_story_is_refused_with_those_there_are(home: Path) -> None:
    """A wrong story's name ends the demo at once, lists the right ones, and makes no folder."""
    done = demo(home, "--story", "nope")
    assert done.returncode == 66
    assert "valve_nudged" in done.stderr
    assert list(home.iterdir()) == []
