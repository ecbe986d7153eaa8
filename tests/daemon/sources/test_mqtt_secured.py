"""Brokers that want TLS and a password: what works, and in which words it fails."""

import contextlib
import pathlib
import re
import shutil
import subprocess
from collections.abc import Iterator

import pytest

from daemon.inbox import Inbox
from daemon.plan import BrokerPlan, FeedPlan
from daemon.readings import StateChange
from daemon.sources.mqtt_topic import MqttSource
from tests.support.mosquitto import PROGRAM, Mosquitto
from tests.support.waiting import wait_until

needs_programs = pytest.mark.skipif(
    PROGRAM is None or shutil.which("openssl") is None or shutil.which("mosquitto_passwd") is None,
    reason="mosquitto or openssl is not installed (apt-get install mosquitto openssl)",
)


def openssl(folder: pathlib.Path, *arguments: str) -> None:
    """Run openssl in a folder."""
    subprocess.run(["openssl", *arguments], cwd=folder, check=True, capture_output=True)


@pytest.fixture(scope="module")
def secured(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Mosquitto, pathlib.Path]]:
    """A broker with a certificate for `localhost` by an issuer of our own, and one user; and their folder."""
    folder = tmp_path_factory.mktemp("secured")
    key = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")
    openssl(
        folder, "req", "-x509", *key, "-keyout", "ca.key", "-out", "ca.pem", "-days", "2", "-subj", "/CN=Test issuer"
    )
    openssl(folder, "req", *key, "-keyout", "server.key", "-out", "server.csr", "-subj", "/CN=localhost")
    (folder / "names").write_text("subjectAltName=DNS:localhost")
    signing = ("-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial", "-days", "2", "-extfile", "names")
    openssl(folder, "x509", "-req", "-in", "server.csr", *signing, "-out", "server.pem")
    subprocess.run(
        ["mosquitto_passwd", "-b", "-c", "users", "reef", "right"], cwd=folder, check=True, capture_output=True
    )
    (folder / "password").write_text("right\n")
    options = {
        "certfile": f"{folder}/server.pem",
        "keyfile": f"{folder}/server.key",
        "password_file": f"{folder}/users",
        "allow_anonymous": "false",
    }
    with Mosquitto(folder, options) as broker:
        yield broker, folder


@contextlib.contextmanager
def states_of(secured: tuple[Mosquitto, pathlib.Path], **changes: object) -> Iterator[list[StateChange]]:
    """The states that a source with these settings goes through; the first one waited for."""
    broker, folder = secured
    settings: dict[str, object] = {
        "name": "shed",
        "host": "localhost",
        "port": broker.port,
        "client_id": "clearbore-secured",
        "feeds": (FeedPlan(topic="rack/1", meter="M1", bits=32),),
        "tls": True,
        "ca_file": f"{folder}/ca.pem",
        "user": "reef",
        "password_file": f"{folder}/password",
    }
    inbox = Inbox()
    source = MqttSource(BrokerPlan(**(settings | changes)), inbox)  # type: ignore[arg-type]  # settings by name
    states: list[StateChange] = []

    def first_state() -> bool:
        states.extend(inbox.empty().changes)
        return bool(states)

    source.start()
    try:
        wait_until(first_state)
        yield states
    finally:
        source.ask_to_stop()
        assert source.join(15)


@needs_programs
def test_right_certificate_and_password(secured: tuple[Mosquitto, pathlib.Path]) -> None:
    """With issuer and password from files, the connection stands."""
    with states_of(secured) as states:
        assert (states[0].up, states[0].words) == (True, "connected")


@needs_programs
def test_password_from_a_credential(secured: tuple[Mosquitto, pathlib.Path], monkeypatch: pytest.MonkeyPatch) -> None:
    """A credential of the service manager is found in its folder."""
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(secured[1]))
    with states_of(secured, password_file=None, password_credential="password") as states:  # noqa: S106 - a name
        assert states[0].up


# the client library leaves the socket of a failed handshake to the garbage collector
@pytest.mark.filterwarnings("ignore:Exception ignored in. <ssl.SSLSocket:pytest.PytestUnraisableExceptionWarning")
@needs_programs
@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"ca_file": None}, "TLS certificate refused: .*name the issuer's certificate as ca_file"),
        ({"host": "127.0.0.1"}, "TLS certificate refused: .*write the host name that the certificate names"),
        ({"ca_file": "/nonexistent/ca.pem"}, "ca_file /nonexistent/ca.pem cannot be used"),
        ({"password_file": "/nonexistent/password"}, "password file /nonexistent/password cannot be read"),
        ({"user": None}, "check user name and password"),
        ({"tls": False}, "does this port want TLS"),
    ],
)
def test_what_is_wrong_is_named(
    secured: tuple[Mosquitto, pathlib.Path], changes: dict[str, object], words: str
) -> None:
    """Issuer, host name, files, user and protocol: each failure has its words."""
    with states_of(secured, **changes) as states:
        assert not states[0].up
        assert re.search(words, states[0].words), states[0].words


@needs_programs
def test_wrong_password_is_said_once(secured: tuple[Mosquitto, pathlib.Path], tmp_path: pathlib.Path) -> None:
    """A refused password is one state, however often it is tried, and the secret is not in the words."""
    (tmp_path / "password").write_text("wrong-secret")
    with states_of(secured, password_file=str(tmp_path / "password")) as states:
        assert "password" in states[0].words
        assert "wrong-secret" not in states[0].words
