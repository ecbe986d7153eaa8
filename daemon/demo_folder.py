"""The one folder that the demo leaves behind: made, known again, and cleared of what the last demo put there."""

import pathlib
import shutil

from config.errors import ClearboreError

MARK = ".clearbore-demo"
MARK_HEAD = "# `clearbore demo` made these; it removes them, and nothing else, when it runs here again."


class FolderError(ClearboreError):
    """The folder cannot be used: it holds something that the demo did not put there, or cannot be written."""

    exit_code = 73


def prepare(folder: pathlib.Path, names: tuple[str, ...], *, force: bool) -> None:
    """Make the folder ready for files and folders of these names.

    What an earlier demo made there goes, whatever else lies in a folder of the demo's own stays. `force` lets the
    demo write into any folder, over files of these names.

    Raises:
        FolderError: if it holds files and none is the demo's, is no folder, or cannot be written.
    """
    if folder.exists() and not folder.is_dir():
        raise FolderError(f"{folder} is a file: name a folder that is new or empty, with --folder")
    made_before = _made_before(folder)
    if not made_before and not force and folder.is_dir() and any(folder.iterdir()):
        raise FolderError(
            f"{folder} holds files that are not the demo's: name another folder with --folder, "
            "or write into this one all the same with --force"
        )
    try:
        for name in made_before:
            _remove(folder / name)
        folder.mkdir(parents=True, exist_ok=True)
        (folder / MARK).write_text("\n".join([MARK_HEAD, *names, ""]), encoding="utf-8")
    except OSError as error:
        raise FolderError(f"{folder} cannot be written: {error.strerror}") from error


def _made_before(folder: pathlib.Path) -> tuple[str, ...]:
    """Names that the mark lists; one that would lead out of the folder is not ours."""
    mark = folder / MARK
    if not mark.is_file():
        return ()
    lines = mark.read_text(encoding="utf-8", errors="replace").splitlines()
    names = (line for line in lines if line and not line.startswith("#"))
    return tuple(name for name in names if name != ".." and pathlib.PurePath(name).name == name)


def _remove(path: pathlib.Path) -> None:
    """Remove a file, a link (never followed) or a whole folder; what is not there is fine."""
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path)
    else:
        path.unlink(missing_ok=True)
