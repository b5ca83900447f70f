"""Messages that the broker keeps for later subscribers."""

from collections.abc import Callable, Iterable

from meterlink.publish.mqtt_client import MqttMessage


class RetainedStates:
    """The newest message of each topic, which is published on every connection; ``changed`` is called at a change."""

    def __init__(self) -> None:
        self._messages: dict[str, MqttMessage] = {}
        self._unsent: dict[str, None] = {}  # topics in the order of their changes
        self._given_up: set[str] = set()
        self.changed: Callable[[], None] = lambda: None

    def set(self, message: MqttMessage) -> None:
        """Let ``message`` be the retained one of its topic; the same content again is not sent again."""
        if self._messages.get(message.topic) != message:
            self._messages[message.topic] = message
            self._let_wait([message.topic])

    def begin_connection(self) -> None:
        """Let every message be sent: a broker may have been restarted without its memory."""
        self._unsent.clear()
        self._let_wait(self._messages)

    def next(self) -> MqttMessage | None:
        """Take the message that is to be sent next; None if none is."""
        for topic in self._unsent:
            del self._unsent[topic]
            return self._messages[topic]
        return None

    def give_up(self, topic: str) -> None:
        """Send nothing under a topic that the broker refuses, until `try_again`."""
        self._given_up.add(topic)
        self._unsent.pop(topic, None)

    def try_again(self) -> None:
        """Send under all topics again: the broker's rules may have changed."""
        given_up, self._given_up = self._given_up, set()
        self._let_wait(topic for topic in self._messages if topic in given_up)

    def _let_wait(self, topics: Iterable[str]) -> None:
        self._unsent |= dict.fromkeys(topic for topic in topics if topic not in self._given_up)
        self.changed()
