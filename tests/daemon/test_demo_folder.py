"""The demo's folder: made, known again, and never cleared of what somebody else put there."""

from pathlib import Path

import pytest

from daemon.demo_folder import MARK, FolderError, prepare

NAMES = ("rack.toml", "rack.db", "live")


def test_a_new_folder_is_made_with_its_mark(tmp_path: Path) -> None:
    """A folder that is not there is made, parents included, and marked as the demo's."""
    folder = tmp_path / "a" / "b"
    prepare(folder, NAMES, force=False)
    assert [path.name for path in folder.iterdir()] == [MARK]


def test_a_folder_with_other_files_is_refused(tmp_path: Path) -> None:
    """A folder that holds somebody's files is left alone, and the message says how to go on."""
    (tmp_path / "notes.txt").write_text("mine")
    with pytest.raises(FolderError, match="--force"):
        prepare(tmp_path, NAMES, force=False)
    assert [path.name for path in tmp_path.iterdir()] == ["notes.txt"]


def test_force_writes_into_any_folder_and_keeps_its_files(tmp_path: Path) -> None:
    """With force other files stay beside the demo's."""
    (tmp_path / "notes.txt").write_text("mine")
    prepare(tmp_path, NAMES, force=True)
    assert (tmp_path / "notes.txt").read_text() == "mine"


def test_a_second_demo_clears_what_the_first_made_and_nothing_else(tmp_path: Path) -> None:
    """Names that the mark lists go, whole folders too; a note that the keeper added stays."""
    prepare(tmp_path, NAMES, force=False)
    (tmp_path / "rack.db").write_text("old")
    (tmp_path / "live").mkdir()
    (tmp_path / "live" / "x.db").write_text("old")
    (tmp_path / "notes.txt").write_text("mine")
    prepare(tmp_path, NAMES, force=False)
    assert sorted(path.name for path in tmp_path.iterdir()) == [MARK, "notes.txt"]


@pytest.mark.parametrize("name", ["../outside.txt", "..", ".", "sub/inside.txt"])
def test_a_mark_cannot_make_the_demo_delete_elsewhere(tmp_path: Path, name: str) -> None:
    """A mark that somebody wrote by hand removes nothing but plain names in its own folder."""
    outside, folder = tmp_path / "outside.txt", tmp_path / "demo"
    (folder / "sub").mkdir(parents=True)
    (folder / "sub" / "inside.txt").write_text("mine")
    outside.write_text("mine")
    (folder / MARK).write_text(f"{name}\nrack.db\n")
    prepare(folder, NAMES, force=False)
    assert outside.exists()
    assert (folder / "sub" / "inside.txt").exists()


def test_a_link_is_removed_and_what_it_points_to_stays(tmp_path: Path) -> None:
    """A link under one of the demo's names is removed, never followed."""
    elsewhere, folder = tmp_path / "elsewhere", tmp_path / "demo"
    elsewhere.mkdir()
    (elsewhere / "mine.txt").write_text("mine")
    prepare(folder, NAMES, force=False)
    (folder / "live").symlink_to(elsewhere)
    prepare(folder, NAMES, force=False)
    assert (elsewhere / "mine.txt").exists()
    assert not (folder / "live").is_symlink()


def test_a_file_in_the_way_is_refused(tmp_path: Path) -> None:
    """A file of the folder's name is an error in words."""
    (tmp_path / "demo").write_text("mine")
    with pytest.raises(FolderError, match="is a file"):
        prepare(tmp_path / "demo", NAMES, force=False)
