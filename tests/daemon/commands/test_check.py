"""`clearbore check` as a program."""

import contextlib
import json
import subprocess
import sys
from pathlib import Path

import jsonschema
import pytest

from analysis.baseline_text import to_json
from config.parse import parse_plant
from daemon.assessing import plant_digest
from daemon.store.baselines import BaselineRow, save_baseline
from daemon.store.opening import open_writer
from daemon.store.prepare import prepare_store
from tests.support.plant_files import REEF, changed
from tests.support.simulated_rack import PLANT as RACK
from tests.support.simulated_stories import healthy_baseline


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
    """Exit 0, the tree, where meters are read, the words "no faults", and what the meters tell apart."""
    done = check(reef)

    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("Slate cove: 3 runs, 2 branches, 2 meters\n")
    assert "   `- carbon   13.9 mm, 12.7 mm" in done.stdout
    assert "meter M1: serial port bench, channel 1\n" in done.stdout
    assert "\nno faults\nwhich faults the meters tell apart" in done.stdout
    assert "    carbon is restricted, or meter M2 reads wrong\n" in done.stdout


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


@pytest.fixture
def commissioned(tmp_path: Path) -> Path:
    """The plant file of a rack, with a database beside it that holds the rack as commissioned."""
    file = tmp_path / "gully.toml"
    file.write_text(RACK, encoding="utf-8")
    db = file.with_suffix(".db")
    prepare_store(db)
    baseline = healthy_baseline()
    row = BaselineRow(
        made_ms=0,
        from_ms=baseline.from_s * 1000,
        to_ms=baseline.to_s * 1000,
        plant_digest=plant_digest(parse_plant(RACK, file="gully.toml").plant),
        body=to_json(baseline),
    )
    with contextlib.closing(open_writer(db)) as connection:
        save_baseline(connection, row)
    return file


def test_the_commissioned_plant_beside_the_plant_file_is_used(commissioned: Path) -> None:
    """And the table says so."""
    found = json.loads(check(commissioned, "--json").stdout)

    assert found["reckoned_with"] == "commissioned plant"
    assert found["isolability_note"] is None


def test_a_plant_that_changed_since_is_reckoned_by_its_file(commissioned: Path) -> None:
    """With a note; but a database that was named must hold the plant."""
    commissioned.write_text(RACK.replace('length = "70 cm"', 'length = "75 cm"'), encoding="utf-8")
    found = check(commissioned)
    named = check(commissioned, "--db", commissioned.with_suffix(".db"))

    assert found.returncode == 0
    assert "note: reckoned without the commissioned plant: " in found.stdout
    assert "usual noise of small meters" in found.stdout
    assert named.returncode == 66
    assert "has changed since" in named.stderr


def test_every_pair_on_request(reef: Path) -> None:
    """A row a pair: seven faults make 21."""
    done = check(reef, "--pairs", "--json")
    table = done.stderr.partition("  every pair:\n")[2].splitlines()

    assert len(table) == 1 + 21
    assert len(json.loads(done.stdout)["isolability"]) == 21


def test_a_plant_without_meters(tmp_path: Path) -> None:
    """Nothing can be seen, and the plant file is still sound."""
    file = tmp_path / "bare.toml"
    file.write_text(changed('meter = "M1"\n', "").replace('meter = "M2"\n', ""), encoding="utf-8")
    done = check(file, "--json")
    found = json.loads(done.stdout)

    assert done.returncode == 0
    assert [found[key] for key in ("isolability", "alike", "unseen", "dry", "reckoned_with")] == [None] * 5
    assert "no meter sits on a run" in found["isolability_note"]


def test_the_base_install_checks_all_the_same(reef: Path) -> None:
    """Without numpy the plant is shown, and what it takes to see more."""
    script = (
        "import sys\nfor heavy in ('numpy', 'pandas', 'matplotlib'): sys.modules[heavy] = None\n"
        f"sys.argv = ['clearbore', 'check', {str(reef)!r}]\nfrom daemon.cli import main\nmain()"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)

    assert (done.returncode, done.stderr) == (0, "")
    assert "\nno faults\nnote: numpy is not installed" in done.stdout
