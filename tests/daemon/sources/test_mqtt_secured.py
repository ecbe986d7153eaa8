"""Brokers that want TLS and a password: what works, and in which words it fails."""

import contextlib
import datetime as dt
import pathlib
import re
import shutil
import subprocess
import time
from collections.abc import Iterator

import pytest

from daemon.inbox import Inbox
from daemon.plan import BrokerPlan, FeedPlan
from daemon.readings import StateChange
from daemon.sources.mqtt_topic import MqttSource
from tests.support.mosquitto import PROGRAM, Mosquitto
from tests.support.waiting import wait_until

pytestmark = [
    pytest.mark.usefixtures("short_broker_waits"),
    # the client library leaves the socket of a failed handshake to be closed when it is forgotten
    pytest.mark.filterwarnings("ignore:Exception ignored in. <ssl.SSLSocket:pytest.PytestUnraisableExceptionWarning"),
]
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


class States(list[StateChange]):
    """The states of a source so far, oldest first."""

    def __init__(self, inbox: Inbox) -> None:
        super().__init__()
        self._inbox = inbox

    def gather(self) -> "States":
        """Take in what has come."""
        self.extend(self._inbox.empty().changes)
        return self


@contextlib.contextmanager
def states_of(secured: tuple[Mosquitto, pathlib.Path], **changes: object) -> Iterator["States"]:
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
    states = States(inbox)
    source.start()
    try:
        wait_until(lambda: bool(states.gather()))
        yield states
    finally:
        source.ask_to_stop()
        assert source.join(15)
        states.gather()


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
        time.sleep(1.0)  # several tries

    assert len(states) == 1
    assert "password" in states[0].words
    assert "wrong-secret" not in states[0].words


@needs_programs
def test_a_password_that_is_put_right(secured: tuple[Mosquitto, pathlib.Path], tmp_path: pathlib.Path) -> None:
    """The file is read at each try, so that a corrected password works without a restart."""
    (tmp_path / "password").write_text("wrong")
    with states_of(secured, password_file=str(tmp_path / "password")) as states:
        assert not states[0].up
        (tmp_path / "password").write_text("right")
        wait_until(lambda: states.gather()[-1].up)


AUTHORITY = """
[ca]
default_ca = own
[own]
database = index.txt
new_certs_dir = .
default_md = sha256
policy = any
rand_serial = yes
[any]
commonName = supplied
"""


def broker_whose_certificate_runs(
    secured: tuple[Mosquitto, pathlib.Path], folder: pathlib.Path, *, from_s: float, to_s: float
) -> Mosquitto:
    """A broker like the secured one, with a certificate that is valid from and to so many seconds from now."""
    _, home = secured
    (folder / "authority").write_text(AUTHORITY)
    (folder / "index.txt").write_text("")
    now = dt.datetime.fromtimestamp(time.time(), dt.UTC)
    start, end = (f"{now + dt.timedelta(seconds=after_s):%Y%m%d%H%M%SZ}" for after_s in (from_s, to_s))
    openssl(
        folder, "ca", "-batch", "-notext", "-config", "authority", "-extfile", f"{home}/names",
        "-cert", f"{home}/ca.pem", "-keyfile", f"{home}/ca.key", "-in", f"{home}/server.csr",
        "-startdate", start, "-enddate", end, "-out", "server.pem",
    )  # fmt: skip
    options = {
        "certfile": f"{folder}/server.pem",
        "keyfile": f"{home}/server.key",
        "password_file": f"{home}/users",
        "allow_anonymous": "false",
    }
    return Mosquitto(folder, options)


@needs_programs
def test_an_expired_certificate_names_the_clock(
    secured: tuple[Mosquitto, pathlib.Path], tmp_path: pathlib.Path
) -> None:
    """A certificate that has run out may as well be a clock that is wrong: both are said, once."""
    with (
        broker_whose_certificate_runs(secured, tmp_path, from_s=-9e7, to_s=-8e7) as broker,
        states_of((broker, secured[1])) as states,
    ):
        time.sleep(0.5)  # several tries

    assert [state.up for state in states] == [False]
    assert re.search("TLS certificate refused: .*expired; check this machine's clock first", states[0].words)


@needs_programs
def test_a_clock_that_is_behind_and_then_set(secured: tuple[Mosquitto, pathlib.Path], tmp_path: pathlib.Path) -> None:
    """A certificate not yet valid names the clock; the connection stands by itself once the time has come."""
    with (
        broker_whose_certificate_runs(secured, tmp_path, from_s=3, to_s=9e7) as broker,
        states_of((broker, secured[1])) as states,
    ):
        wait_until(lambda: states.gather()[-1].up)

    assert [state.up for state in states] == [False, True]
    assert re.search("TLS certificate refused: .*not yet valid; check this machine's clock first", states[0].words)


@needs_programs
def test_failed_handshakes_leave_nothing_open(secured: tuple[Mosquitto, pathlib.Path]) -> None:
    """Try after try against a certificate that is refused, the number of open files stays what it was."""
    open_files = pathlib.Path("/proc/self/fd")
    with states_of(secured, ca_file=None) as states:
        before = len(list(open_files.iterdir()))
        time.sleep(1.5)  # some eight tries
        wait_until(lambda: len(list(open_files.iterdir())) <= before)

    assert len(states) == 1


@needs_programs
def test_frozen_broker_with_tls(secured: tuple[Mosquitto, pathlib.Path], monkeypatch: pytest.MonkeyPatch) -> None:
    """A broker that hangs is told, and taken up again once it answers, with TLS as without."""
    monkeypatch.setattr("daemon.sources.mqtt_topic.KEEPALIVE_S", 1)
    monkeypatch.setattr("daemon.sources.mqtt_topic.CONNECT_S", 0.5)
    with states_of(secured) as states:
        assert states[0].up
        secured[0].freeze()
        wait_until(lambda: "no answer" in states.gather()[-1].words)
        secured[0].thaw()
        wait_until(lambda: states.gather()[-1].up)
