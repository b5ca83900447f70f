"""The time-outs and counts of the radio, each with its reason. Tests and small machines may pass others."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class RadioTimeouts:
    """Counts, and times in seconds.

    'Public stacks' marks numbers that equal those of bleak-retry-connector or habluetooth (from memory). 'Common
    practice, no source' marks other numbers on which long-lived Bluetooth programs agree without a standard. Section
    numbers of the Bluetooth Core specification are from memory.
    """

    # Connections that every adapter holds, and the most that are tried. Controllers hold 5 or 7 (home-assistant/core PR
    # 84331, bleak-retry-connector PR 67); a station is built for eight meters.
    assumed_connections: int = 5
    max_connections: int = 8
    # The pause between two tries of one more connection than the adapter is known to hold: a person who has closed
    # another program waits for it, and each try costs a waiting meter no reading.
    slot_retry: float = 30.0
    # Adopted meters: twice a station's eight. The bound stops a flood of made-up addresses.
    max_adopted: int = 16

    # A connection is made within seconds or not at all. The operating system's own attempt ends after 20 to 40 s, and a
    # person tries again before 30 s (common practice, no source).
    connect: float = 25.0
    # Reading the services and subscribing. A peer that does not answer an ATT request within 30 s is lost (Bluetooth
    # Core, vol. 3 part F, 3.3.3), so there is no use in waiting longer for all requests together.
    setup: float = 30.0
    # One read of a polled value; the next period reads again.
    read: float = 10.0
    # Closing a connection. The peer's supervision time-out is at most 32 s (Core, vol. 4 part E, 7.8.12), but the
    # backend itself stops waiting after 10 s.
    disconnect: float = 12.0
    # Starting or stopping a scan is a local call (15 s: public stacks).
    scan_start_stop: float = 15.0
    # The time for the clean-up of a cancelled call before it is cancelled again.
    cleanup: float = 5.0
    # The same for all tasks at the stop: less than the 90 s after which a service manager kills the program.
    stop: float = 10.0

    # After this time without any advertisement the scan has stalled (public stacks).
    scan_silence: float = 90.0
    # Scan starts refused as 'in progress' before the error is shown. Another program's scan usually ends within
    # seconds.
    busy_scan_starts: int = 5
    # A person who has just switched Bluetooth on looks at the screen, and a start is a local call without cost on the
    # air. Ten seconds later there should be readings, and connecting needs some of them.
    scan_retry_longest: float = 4.0
    # A meter whose link broke advertises within a second or two (common practice, no source). When nothing at all is
    # heard for this long after the loss, the scan may have ended unnoticed; starting it anew harms nothing.
    doubt_after: float = 2.5
    # With every known meter connected, and when nobody has asked for the devices in range for this long, the scan ends:
    # longer than a person looks at a list without asking again, and than a device stays in it.
    scan_pause: float = 60.0
    # The system's reports of an ended and a begun scan arrive late on a slow machine (1 s was too short in an emulated
    # one). The target is a reading 10 s after Bluetooth is back.
    lost_scan: float = 3.0

    # Tries in a row after a connection attempt that fails at once (interference), and the pause between two tries
    # (public stacks).
    connect_attempts: int = 4
    shortest_pause: float = 0.1
    longest_pause: float = 1.0
    # Pause when the adapter has no connection left: another connection has to close first (public stacks).
    out_of_connections_pause: float = 4.0
    # The pause after these tries is drawn between zero and a span that doubles from one second to a minute. The tries
    # never end, since the meter may return with the next visit.
    retry_first: float = 1.0
    retry_longest: float = 60.0
    # A connection with data for this long is stable. After a shorter one the pauses go on growing.
    stable_after: float = 30.0
    # Unanswered attempts in a row, on a meter that was heard each time, before the meter needs attention.
    unanswered_attempts: int = 3

    # A meter's display changes two to five times a second, so a meter without a packet for five seconds is not slow.
    silent_after: float = 5.0
    # Long enough to change range, leads or batteries without losing the connection; short enough to lose no reading.
    reconnect_after_silence: float = 30.0
    # Shorter than the time between two changes of a display: faster polling only repeats a number.
    shortest_poll_period: float = 0.1
    # The longest legal advertising interval is 10.24 s (Core, vol. 4 part E, 7.8.5). A lost meter in range is heard
    # within it, unless the operating system suppresses repeated advertisements.
    not_seen_after: float = 11.0
    # Therefore a lost meter is tried this often without an advertisement.
    unseen_attempts: int = 3
    # A meter without a fitting driver is tried again when its advertisement changes, or after this time: by then its
    # driver may be installed or its services repaired.
    unusable_retry: float = 600.0

    # A smaller change of signal strength is fading (dB).
    rssi_step: int = 5
