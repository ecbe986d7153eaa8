"""What README.md says is whole and true: every command, option, key, finding and word is in it, and its commands run."""

import ast
import json
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click
import pytest

from analysis.assessment import FaultKind, Status
from analysis.events import MAINTENANCE_VALUES, EventKind
from config.elements import ELEMENT_TABLES
from config.errors import ClearboreError
from config.load import load_plant
from config.schema import plant_schema
from config.units import FLOW_UNITS
from daemon import wire
from daemon.cli import COMMANDS, group

TOP = Path(__file__).parents[1]
README = (TOP / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (TOP / "DEVELOPERS.md").read_text(encoding="utf-8")
MODULES = sorted(
    path
    for floor in ("config", "analysis", "daemon")
    for path in (TOP / floor).rglob("*.py")
    if path.name != "__init__.py"
)
CI_SCRIPT = TOP / ".ci" / "run"
BLOCK_LINE = re.compile(r"^    (.*)$", re.MULTILINE)
SET_UP = [line for line in BLOCK_LINE.findall(README) if line.startswith("python3 -m venv")]
EXAMPLES = [line for line in BLOCK_LINE.findall(README) if line.startswith("clearbore ")]
ALARM_ACTIVE = 1
SUCCEEDS_WITH = {"diagnose": ALARM_ACTIVE}
"""Exit code of each example's command; the pump of the example does foul, as README says."""


def command_of(name: str) -> click.Command:
    """A command, imported."""
    command = group.get_command(click.Context(group), name)
    assert command is not None
    return command


def section_of(name: str) -> str:
    """What README says under a command's own heading."""
    found = re.search(rf"^### `clearbore {name}\b.*?(?=^##)", README, re.MULTILINE | re.DOTALL)
    assert found, f"README has no heading for clearbore {name}"
    return found[0]


def options() -> Iterator[tuple[str, str]]:
    """Every command with every long option of its own."""
    for name in COMMANDS:
        for parameter in command_of(name).params:
            if isinstance(parameter, click.Option):
                yield from ((name, option) for option in parameter.opts if option.startswith("--"))


def schema_keys(node: Any) -> Iterator[str]:
    """Every key that a plant file may hold."""
    if isinstance(node, dict):
        yield from node.get("properties", {})
        for inner in node.values():
            yield from schema_keys(inner)
    elif isinstance(node, list):
        for inner in node:
            yield from schema_keys(inner)


def error_classes(root: type[ClearboreError] = ClearboreError) -> Iterator[type[ClearboreError]]:
    """Every error of the tree."""
    for error in root.__subclasses__():
        yield error
        yield from error_classes(error)


def is_code(word: str, text: str = README) -> bool:
    """Whether a word stands in the text as code: in backquotes, or in a block of four spaces."""
    whole = rf"(?<![\w-]){re.escape(word)}(?![\w-])"
    blocks = "\n".join(BLOCK_LINE.findall(text))
    spans = " ".join(re.findall(r"`([^`]+)`", text))
    return re.search(whole, f"{spans}\n{blocks}") is not None


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_command_has_its_own_heading(name: str) -> None:
    """A command that is not explained cannot be used."""
    assert len(section_of(name).splitlines()) > 1


@pytest.mark.parametrize(("name", "option"), list(options()))
def test_every_option_is_explained_under_its_command(name: str, option: str) -> None:
    """Where the command is explained, so that nobody must look elsewhere."""
    assert is_code(option, section_of(name))


@pytest.mark.parametrize(("name", "option"), list(options()))
def test_every_option_has_a_help_text(name: str, option: str) -> None:
    """On the command line, too."""
    (parameter,) = (found for found in command_of(name).params if option in found.opts)

    assert isinstance(parameter, click.Option)
    assert parameter.help


@pytest.mark.parametrize("name", re.findall(r"^### `clearbore (\w+)", README, re.MULTILINE))
def test_no_command_is_promised_that_is_not_there(name: str) -> None:
    """Every heading of a command is a command."""
    assert name in COMMANDS


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_no_option_is_promised_that_is_not_there(name: str) -> None:
    """Every option that a command's section names is an option of some command; its own line or another's."""
    known = {option for _, option in options()} | {"--version", "--help"}

    assert set(re.findall(r"`(--[a-z-]+)", section_of(name))) <= known


@pytest.mark.parametrize("key", sorted(set(schema_keys(plant_schema()))))
def test_every_key_of_a_plant_file_is_shown(key: str) -> None:
    """As a key with its value, as a table, or as an element."""
    written = rf"(^|[\s{{`,(]){re.escape(key)} = |^ *\[+{re.escape(key)}\]|`\[+{re.escape(key)}\]+`|`{re.escape(key)}`"

    assert re.search(written, README, re.MULTILINE)


@pytest.mark.parametrize("key", sorted(ELEMENT_TABLES))
def test_every_element_stands_in_the_table_of_elements(key: str) -> None:
    """With an example that could be copied."""
    assert re.search(rf"^\|.*`{{ {key} = ", README, re.MULTILINE)


@pytest.mark.parametrize("unit", FLOW_UNITS)
def test_every_unit_of_flow_is_named(unit: str) -> None:
    """As a keeper writes it."""
    assert is_code(unit)


@pytest.mark.parametrize("kind", [kind.value for kind in FaultKind])
def test_every_kind_of_finding_has_a_row_of_its_own(kind: str) -> None:
    """What it looks like, what it could be, what to do."""
    (row,) = re.findall(rf"^\| `{kind}` \|.*$", README, re.MULTILINE)

    assert len([cell for cell in row.strip("|").split("|") if cell.strip()]) == 4


@pytest.mark.parametrize("word", [status.value for status in Status])
def test_every_status_word_has_a_row_of_its_own(word: str) -> None:
    """The four words of NAMUR NE 107, and Good."""
    assert re.search(rf"^\| {word} \| \S+", README, re.MULTILINE)


@pytest.mark.parametrize("word", [*(kind.value for kind in EventKind), *MAINTENANCE_VALUES])
def test_every_entry_of_the_journal_is_explained(word: str) -> None:
    """In the table of the journal's kinds."""
    assert re.search(rf"^\|.*`{word}`", section_of("journal"), re.MULTILINE)


@pytest.mark.parametrize("code", sorted({0, 1, 2, *(error.exit_code for error in error_classes())}))
def test_every_exit_code_is_explained(code: int) -> None:
    """Those of the tree of errors, and those of every command."""
    assert re.search(rf"^\| {code} \| \w+", README, re.MULTILINE)


def test_the_plant_file_that_is_shown_is_sound(tmp_path: Path) -> None:
    """What README shows as a plant file passes the check as it stands."""
    start = README.index("    [plant]\n")
    block = re.match(r"(?:    .*\n|\n)+", README[start:])
    assert block
    path = tmp_path / "shown.toml"
    path.write_text(re.sub(r"^    ", "", block[0], flags=re.MULTILINE), encoding="utf-8")

    assert [run.name for run in load_plant(str(path)).plant.runs] == ["riser", "carbon"]


def test_the_sentence_that_is_shown_can_be_heard() -> None:
    """README's line of a serial counter has right sums and says what the text says."""
    (line,) = [line for line in BLOCK_LINE.findall(README) if re.match(r"\$PCLB,\d", line)]
    (said,) = wire.Decoder().feed(f"{line}\r\n".encode())

    assert isinstance(said, wire.Sentence)
    assert (said.uptime_ms, said.counts, said.rejected) == (86_400_000, (1_048_576, 20_311), (0, 12))


def test_the_set_up_is_two_commands() -> None:
    """One runs the main job, the other the tests."""
    demo, tests = SET_UP

    assert demo.endswith("pip install '.[all]' && .venv/bin/clearbore demo")
    assert tests.endswith("pip install -e '.[all,dev]' && .venv/bin/python -m pytest")


@pytest.mark.parametrize("line", SET_UP)
def test_the_checks_run_the_set_up_as_it_stands(line: str) -> None:
    """The script of all checks runs README's very lines."""
    assert line in [known.strip() for known in CI_SCRIPT.read_text(encoding="utf-8").splitlines()]
    assert os.access(CI_SCRIPT, os.X_OK)


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> dict[str, subprocess.CompletedProcess[str]]:
    """README's examples, run in order in a folder that holds the sample logs: command line -> how it went."""
    folder = tmp_path_factory.mktemp("readme")
    (folder / "sample_logs").symlink_to(TOP / "sample_logs")
    return {
        line: subprocess.run(["sh", "-c", line], cwd=folder, capture_output=True, text=True, check=False)
        for line in EXAMPLES
    }


def test_the_examples_show_the_whole_way() -> None:
    """From the plant file to the report, each command once."""
    assert [line.split()[1] for line in EXAMPLES] == [
        "check", "predict", "load", "commission", "diagnose", "report", "journal", "status",
    ]  # fmt: skip


@pytest.mark.parametrize("line", EXAMPLES)
def test_every_example_runs(told: dict[str, subprocess.CompletedProcess[str]], line: str) -> None:
    """With the exit code that README names, and never a traceback."""
    done = told[line]

    assert done.returncode == SUCCEEDS_WITH.get(line.split()[1], 0), done.stderr
    assert "Traceback" not in done.stderr


def test_the_examples_find_the_fouled_pump(told: dict[str, subprocess.CompletedProcess[str]]) -> None:
    """What README says of its example is what the example says."""
    (said,) = (done.stdout for line, done in told.items() if "diagnose" in line)

    assert "the supply has changed" in said


def test_the_schema_is_printed_as_readme_says() -> None:
    """`clearbore check --schema` gives the schema and nothing else."""
    done = subprocess.run(
        [sys.executable, "-P", "-m", "daemon", "check", "--schema"], capture_output=True, text=True, check=True
    )

    assert json.loads(done.stdout) == plant_schema()


def folder_section(folder: str) -> str:
    """What the contributor guide lists of a folder."""
    found = re.search(rf"^\*\*{re.escape(folder)}/\*\* .*?(?=^\*\*|^## )", DEVELOPERS, re.MULTILINE | re.DOTALL)
    assert found, f"DEVELOPERS.md does not list {folder}/"
    return found[0]


def test_the_guide_lists_every_module() -> None:
    """In the list of its folder, so that the tree can be trusted; a failure shows the lines to add."""
    missing = [
        f"**{path.parent.relative_to(TOP)}/** - `{path.name}` {(ast.get_docstring(ast.parse(path.read_text())) or '?').splitlines()[0]}"
        for path in MODULES
        if f"`{path.name}`" not in folder_section(str(path.parent.relative_to(TOP)))
    ]

    assert missing == [], "add to DEVELOPERS.md:\n" + "\n".join(missing)


@pytest.mark.parametrize("folder", sorted({str(path.parent.relative_to(TOP)) for path in MODULES}))
def test_the_guide_lists_no_module_that_is_gone(folder: str) -> None:
    """The other way round."""
    listed = re.findall(r"^- `(\w+\.py)`", folder_section(folder), re.MULTILINE)

    assert [name for name in listed if not (TOP / folder / name).is_file()] == []


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md", "CHANGELOG.md"])
def test_every_file_that_a_document_names_is_there(name: str) -> None:
    """Pictures, and paths that begin at the top of this folder."""
    text = (TOP / name).read_text(encoding="utf-8")
    pictures = re.findall(r"!\[[^\]]+\]\(([^)]+)\)", text)
    paths = re.findall(r"`((?:config|analysis|daemon|tests|sample_logs|\.ci|\.github)/[\w./]+)`", text)

    assert [path for path in (*pictures, *paths) if not (TOP / path).exists()] == []


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_the_changelog_names_every_command(name: str) -> None:
    """What was added is told."""
    assert f"`clearbore {name}`" in (TOP / "CHANGELOG.md").read_text(encoding="utf-8")
