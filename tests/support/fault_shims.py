"""Libraries that are loaded before all others into a process, to come between it and the system."""

import os
import pathlib
import shutil
import subprocess
from collections.abc import Mapping

import pytest

needs_compiler = pytest.mark.skipif(shutil.which("cc") is None, reason="no C compiler (apt-get install gcc libc6-dev)")


def preloading(source: str, folder: pathlib.Path, **settings: str) -> Mapping[str, str]:
    """The environment of a process that has a library of this folder's C source loaded before all others.

    Args:
        source: its name, beside this module.
        folder: where the library is put.
        settings: further variables of the environment.
    """
    path = pathlib.Path(__file__).with_name(source)
    shim = folder / path.with_suffix(".so").name
    subprocess.run(["cc", "-shared", "-fPIC", "-O1", "-Wall", "-Werror", "-o", shim, path], check=True)
    return os.environ | {"LD_PRELOAD": str(shim), **settings}
