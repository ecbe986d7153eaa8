"""What the always-on process may import from this floor stays light."""

import subprocess
import sys

import pytest

HEAVY = ("pydantic", "numpy", "pandas", "scipy", "matplotlib", "sqlite_utils")


@pytest.mark.parametrize("module", ["errors", "plant", "settings", "units", "pipes", "outline"])
def test_records_and_units_need_no_heavy_package(module: str) -> None:
    """In a process of its own, so that nothing else has imported them."""
    script = f"import sys, config.{module}; print([name for name in {HEAVY} if name in sys.modules])"
    shown = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True).stdout

    assert shown.strip() == "[]"
