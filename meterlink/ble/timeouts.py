"""Every limit of the radio, each with its reason. Tests and small machines may hand in others."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class RadioTimeouts:
    """Counts, and times in seconds.

    'Common practice, no source' marks numbers that long-lived Bluetooth programs agree on without a standard saying
    so. Section numbers of the Bluetooth Core specification are from memory.
    """

    # Links one adapter is asked to hold. A station is built for eight meters; common controllers hold about that many
    # (common practice, no source), and asking for more only makes connecting fail at random.
    max_connections: int = 8
    # Meters looked after that nobody named beforehand: room for eight more, and an end to a flood of made-up addresses.
    max_adopted: int = 16

    # A radio link comes up within seconds or not at all; the operating system's own attempt gives up between 20 and
    # 40 s. Past 30 s a person has long pressed the button again (common practice, no source).
    connect: float = 25.0
    # Reading the services and subscribing. A peer that leaves one ATT request unanswered for 30 s is to be treated as
    # gone (Bluetooth Core, vol. 3 part F, 3.3.3), so waiting longer for all of them together is pointless.
    setup: float = 30.0
    # One read of a polled value; the next period asks again.
    read: float = 10.0
    # Closing a link: the peer's supervision time-out is at most 32 s (Core, vol. 4 part E, 7.8.12), but the backend
    # itself stops waiting after 10 s.
    disconnect: float = 12.0
    # Starting or stopping a scan is a local call.
    scan_start_stop: float = 15.0
    # How long a call that was cut off may tidy up before it is cut off again.
    cleanup: float = 5.0
    # At stop, the same for everything still running: less than the 90 s a service manager waits before it kills.
    stop: float = 10.0

    # Without any advertisement from anyone for this long the scan is taken to have stalled (common practice, no
    # source).
    scan_silence: float = 90.0
    # Scan starts refused as 'in progress' before that is shown: another program's scan normally ends within seconds.
    busy_scan_starts: int = 5
    # Someone has just switched Bluetooth on and looks at the screen: do not let the retry drift out to a minute.
    scan_retry_longest: float = 15.0

    # Tries in a row when a connection attempt fails at once (interference), and the pause between them.
    connect_attempts: int = 4
    shortest_pause: float = 0.1
    longest_pause: float = 1.0
    # Pause when the adapter has no connection left: another link has to close first (common practice, no source).
    out_of_connections_pause: float = 4.0
    # After those tries: a pause drawn from zero to a span that doubles from one second to a minute. Never giving up,
    # since the meter may come back with the next visit.
    retry_first: float = 1.0
    retry_longest: float = 60.0
    # Data for this long shows that a link is good; a link that drops sooner goes on backing off.
    stable_after: float = 30.0
    # Unanswered attempts in a row, on a meter that was heard each time, before a person is asked to look.
    unanswered_attempts: int = 3

    # A meter's display changes two to five times a second, so five seconds without a packet is not a slow meter.
    silent_after: float = 5.0
    # Long enough to change range, leads or batteries without losing the link; short enough not to lose a reading.
    reconnect_after_silence: float = 30.0
    # A characteristic asked for more often than the display changes yields the same number again.
    shortest_poll_period: float = 0.1
    # The longest legal advertising interval is 10.24 s (Core, vol. 4 part E, 7.8.5): past it a lost meter that is
    # there would have been heard, unless the operating system keeps repeated advertisements to itself.
    not_seen_after: float = 11.0
    # So it is tried a few times without having been heard, then left until it is.
    unseen_attempts: int = 3
    # A meter nothing fits is tried again when it advertises something else, or after this long (a driver may have
    # been added, its services may have been mended).
    unusable_retry: float = 600.0

    # A change of signal strength below this is fading, not news (dB).
    rssi_step: int = 5
