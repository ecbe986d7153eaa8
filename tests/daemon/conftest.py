"""What the tests of ports and brokers share."""

import pathlib
from collections.abc import Iterator

import pytest

from tests.support import mosquitto


@pytest.fixture
def broker(tmp_path: pathlib.Path) -> Iterator[mosquitto.Mosquitto]:
    """A running broker that anyone may use."""
    if mosquitto.PROGRAM is None:
        pytest.skip("mosquitto is not installed (apt-get install mosquitto)")
    folder = tmp_path / "broker"
    folder.mkdir()
    with mosquitto.Mosquitto(folder) as running:
        yield running
