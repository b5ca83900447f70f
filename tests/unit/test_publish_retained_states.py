"""`RetainedStates`: which message is sent next, and which topics are left alone."""

from meterlink.publish.mqtt_client import MqttMessage
from meterlink.publish.retained_states import RetainedStates


def message(topic: str, text: str = "{}") -> MqttMessage:
    return MqttMessage(topic, text.encode(), "application/json", retain=True)


def taken(states: RetainedStates) -> list[MqttMessage]:
    return list(iter(states.next, None))


def test_only_the_newest_of_each_topic_is_sent_and_only_once() -> None:
    states, changes = RetainedStates(), []
    states.changed = lambda: changes.append(1)
    for each in (message("a", "1"), message("b"), message("a", "2"), message("a", "2")):
        states.set(each)
    assert len(changes) == 3, "the same content is no change"
    assert taken(states) == [message("a", "2"), message("b")]
    assert taken(states) == []
    states.set(message("b"))
    assert taken(states) == []


def test_a_new_connection_gets_all_of_them() -> None:
    states = RetainedStates()
    states.set(message("a"))
    states.set(message("b"))
    assert len(taken(states)) == 2
    states.begin_connection()
    assert taken(states) == [message("a"), message("b")]


def test_a_refused_topic_is_left_alone_until_it_is_tried_again() -> None:
    states = RetainedStates()
    states.set(message("a", "1"))
    states.set(message("b"))
    assert states.next() == message("a", "1")
    states.give_up("a")
    states.set(message("a", "2"))
    assert taken(states) == [message("b")]
    states.begin_connection()
    assert taken(states) == [message("b")]
    states.try_again()
    assert taken(states) == [message("a", "2")]
