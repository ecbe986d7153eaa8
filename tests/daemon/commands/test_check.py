"""`clearbore check` as a program."""

import json
import subprocess
from pathlib import Path

import jsonschema
import pytest

from tests.support.plant_files import REEF, changed


def check(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    """Run the command."""
    return subprocess.run(["clearbore", "check", *arguments], capture_output=True, text=True, check=False)


@pytest.fixture
def reef(tmp_path: Path) -> Path:
    """A sound plant file."""
    file = tmp_path / "reef.toml"
    file.write_text(REEF, encoding="utf-8")
    return file


@pytest.fixture
def faulty(tmp_path: Path) -> Path:
    """A plant file with one fault."""
    file = tmp_path / "faulty.toml"
    file.write_text(changed('length = "24 in"', 'length = "24 inc"'), encoding="utf-8")
    return file


def test_a_sound_file_is_shown_as_a_tree(reef: Path) -> None:
    """Exit 0, the tree, where meters are read, and the words "no faults"."""
    done = check(reef)

    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("Slate cove: 3 runs, 2 branches, 2 meters\n")
    assert "   `- carbon   13.9 mm, 12.7 mm" in done.stdout
    assert "meter M1: serial port bench, channel 1\n" in done.stdout
    assert done.stdout.endswith("no faults\n")


def test_a_sound_file_for_machines(reef: Path) -> None:
    """JSON alone on standard output, people's text on standard error."""
    done = check(reef, "--json")
    found = json.loads(done.stdout)

    assert done.returncode == 0
    assert (found["ok"], found["faults"]) == (True, [])
    assert (found["runs"], found["branches"], found["meters"]) == (3, 2, 2)
    assert "no faults" in done.stderr


def test_faults_are_told_with_file_and_line(faulty: Path) -> None:
    """Exit 78, nothing on standard output."""
    done = check(faulty)

    assert (done.returncode, done.stdout) == (78, "")
    assert done.stderr.startswith(f"{faulty}:21: run riser: path[2]: length: '24 inc': unknown unit 'inc'")


def test_faults_for_machines(faulty: Path) -> None:
    """Each with its file, line, place in words and as a JSON Pointer."""
    done = check(faulty, "--json")
    found = json.loads(done.stdout)

    assert (done.returncode, found["ok"]) == (78, False)
    assert [(f["file"], f["line"], f["where"], f["pointer"]) for f in found["faults"]] == [
        (str(faulty), 21, "run riser: path[2]: length", "/run/0/path/1/length")
    ]
    assert str(faulty) in done.stderr


def test_the_schema_needs_no_plant() -> None:
    """And is one that the jsonschema library takes."""
    done = check("--schema")

    assert done.returncode == 0
    jsonschema.Draft202012Validator.check_schema(json.loads(done.stdout))


@pytest.mark.parametrize(("arguments", "code"), [((), 2), (("/nowhere/reef.toml",), 66), (("/",), 65)])
def test_no_plant_file(arguments: tuple[str, ...], code: int) -> None:
    """Usage 2, no such file 66, not a file 65; one message, no traceback."""
    done = check(*arguments)

    assert done.returncode == code
    assert done.stderr
    assert "Traceback" not in done.stderr
