"""What the demo says of the way on."""

import pathlib

import pytest

from daemon.demo_tour import program


@pytest.fixture
def folder(tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> pathlib.Path:
    """The only folder in which the shell looks for programs."""
    monkeypatch.setenv("PATH", str(tmp_path))
    return tmp_path


@pytest.mark.usefixtures("folder")
def test_a_program_that_the_shell_does_not_find_is_named_as_it_was_called() -> None:
    """What the demo tells to type works in the shell that it was started from."""
    assert program(".venv/bin/clearbore") == ".venv/bin/clearbore"


def test_a_program_that_the_shell_finds_goes_by_its_name(folder: pathlib.Path) -> None:
    """The path that the shell found it by is not repeated."""
    (folder / "clearbore").touch(mode=0o755)

    assert program(str(folder / "clearbore")) == "clearbore"


@pytest.mark.usefixtures("folder")
def test_a_module_run_by_the_interpreter_is_no_name_to_type() -> None:
    """`python -m daemon` knows itself by a file."""
    assert program("/opt/daemon/__main__.py") == "clearbore"
