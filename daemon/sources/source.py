"""What every source is to the collector."""

import threading
from abc import ABC, abstractmethod

from daemon.inbox import Inbox
from daemon.readings import StateChange


class Source(ABC):
    """A thread that fills the inbox until it is stopped, whatever happens to its port or broker.

    Attributes:
        name: kind and name in the plant file, `serial:bench`.
        where: port or broker address, for people.
    """

    def __init__(self, name: str, where: str, inbox: Inbox) -> None:
        self.name = name
        self.where = where
        self._inbox = inbox
        self._stopping = threading.Event()
        self._said: tuple[bool, str] | None = None
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def ask_to_stop(self) -> None:
        """Have the thread end soon; does not wait."""
        self._stopping.set()

    def join(self, timeout_s: float) -> bool:
        """Wait for the thread to end; False if it has not."""
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    @property
    def alive(self) -> bool:
        """Whether the thread runs."""
        return self._thread.is_alive()

    def _say(self, *, up: bool, words: str) -> None:
        """Report a state, once a change and not once a try."""
        if (up, words) == self._said:
            return
        if self._inbox.offer([StateChange(source=self.name, up=up, words=words)]):
            self._said = (up, words)

    @abstractmethod
    def _run(self) -> None:
        """The thread."""
