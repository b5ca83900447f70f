"""Every fault that Meterlink is known to meet: what a person sees, its cause, and what Meterlink does.

A test that injects a fault is marked with ``@pytest.mark.fault(KEY)``; ``support.fault_table`` makes the page of them.
The numbers are public issues of general-purpose libraries.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Fault:
    """A fault; ``not_tested`` is the reason why no test injects it."""

    key: str
    symptom: str
    cause: str
    handling: str
    not_tested: str = ""


BLUETOOTH = (
    Fault(
        "scan-busy",
        "Bluetooth answers that it is busy.",
        "Another search, or a connection, is under way (bleak 1689, 2021).",
        "The scan or the connection is tried again at once; only a long refusal is said.",
    ),
    Fault(
        "connection-aborted",
        "A connection ends before it is made.",
        "Interference, or an adapter at its limits (bleak 1255).",
        "A fresh attempt at once, then ever rarer ones, up to one a minute, for ever.",
    ),
    Fault(
        "link-lost",
        "The meter is there, and its number stands still.",
        "The link broke: distance, a metal cabinet, an empty battery.",
        "The meter counts as lost, the advice says what to do, the gap is kept, and it is connected when it is heard.",
    ),
    Fault(
        "link-left-behind",
        "After a crash the meter is not heard any more.",
        "The system keeps the link of the program that died (BlueZ 89, bleak 315).",
        "The link is taken over at the start.",
    ),
    Fault(
        "leaking-connections",
        "After many lost links no meter connects.",
        "Each loss leaves a connection to the system's Bluetooth service open.",
        "Every attempt has a client of its own and closes it, also after an error.",
    ),
    Fault(
        "silent-meter",
        "Connected, and no reading comes.",
        "HOLD, a sleeping meter, or notifications that the system lost.",
        "The meter is said to be silent; after a longer silence it is connected anew.",
    ),
    Fault(
        "packets-twice",
        "Every reading comes twice after a new connection.",
        "The callbacks of the old connection are still called (bleak 2002).",
        "A packet of an old connection is dropped. Equal values of the present one are kept: nothing settles earlier.",
    ),
    Fault(
        "meter-taken",
        "The meter is on, and is not found.",
        "Another phone or tablet is connected to it: most meters serve one, and are silent for all others.",
        "The advice asks whether it is connected to another device; it is connected when it is heard again.",
    ),
    Fault(
        "meter-shared",
        "Another program on this machine reads the same meter.",
        "Both use the one link of the system, and either can end it.",
        "Each packet is taken once; a link that the other program ended is made again.",
    ),
    Fault(
        "one-meter-on-two-links",
        "Every reading comes twice, as of two meters.",
        "A meter that serves several devices is connected at two addresses.",
        "To the visit they are two meters: each contact is accepted once, at the test point that is active then.",
    ),
    Fault(
        "packets-out-of-order",
        "Readings swap places.",
        "A callback that waits is overtaken by the next one.",
        "The callback takes the time and puts the packet into the queue, without waiting.",
    ),
    Fault(
        "cut-packets",
        "Half a number arrives.",
        "A packet is longer than the connection carries, and the rest comes in another one, or never.",
        "Pieces are put together within bounds; a rest never becomes a part of the next number.",
    ),
    Fault(
        "stale-services",
        "The meter connects and refuses everything.",
        "The system remembers the services that the meter had before (bleak 882, BlueZ 191).",
        "The memory is cleared once, and the services are read anew; a pairing is never removed.",
    ),
    Fault(
        "scan-stalls",
        "No meter is found, and nothing is reported.",
        "The scan has stopped without a word (BlueZ 1554).",
        "A scan that hears nothing for 90 s is begun anew.",
    ),
    Fault(
        "scan-ended",
        "A meter that is switched on later is not found.",
        "The system ended the scan, and the program believes that it scans.",
        "The scan is begun anew: at once where the system tells of it, after a long silence elsewhere.",
    ),
    Fault(
        "adapter-off",
        "Every meter is lost at once.",
        "Bluetooth was switched off and on again, after 3, 8, 20 or 75 s, or an hour.",
        "It is said within 8 s, without blaming a meter; all are read again within 10 s of its return.",
    ),
    Fault(
        "adapter-gone",
        "Every meter is lost at once.",
        "The adapter was pulled out, or got another name (BlueZ 379).",
        "It is said, no connection is tried meanwhile, and the adapter is followed by its address.",
    ),
    Fault(
        "service-restart",
        "Every meter is lost at once.",
        "The system's Bluetooth service ended, and maybe started again.",
        "It is said within 8 s; all are read again within 10 s of its return.",
    ),
    Fault(
        "bluetooth-errors",
        "An error of the system that means nothing to a technician.",
        "`Error.Failed`, `Input/output error`, `Spawn`, `NoReply`, `NoSuchUnit` and their like.",
        "Each has a plain sentence with a remedy, and counts for the adapter or for the meter.",
    ),
    Fault(
        "strength-only",
        "A meter that is away is taken for one that is heard.",
        "The system reports the loss of a signal strength as if it were an advertisement.",
        "It is no advertisement: nothing is connected because of it.",
    ),
    Fault(
        "machine-slept",
        "After the lid was opened no meter is found, and times are wrong.",
        "The machine slept: scans ended, and its clocks disagree about how long.",
        "The scan is begun anew at once; a sleep is told from a step of the clock.",
    ),
    Fault(
        "connection-slots",
        "The sixth or the eighth meter does not connect, or vanishes.",
        "An adapter holds few connections: five or seven are common (bleak-retry-connector 67).",
        "The station learns the limit; connected meters stay, and a waiting meter shows the limit as its reason.",
    ),
    Fault(
        "same-name",
        "The wrong meter is read.",
        "Names of meters are not unique.",
        "A meter is bound by its address and its serial number; another one is never taken for it.",
    ),
    Fault(
        "changed-address",
        "A bound meter is not found any more.",
        "New batteries or another machine gave it another address (bleak 1737).",
        "It is found by its serial number where that is distinctive, and keeps its name and its facts.",
    ),
    Fault(
        "hanging-call",
        "Connecting never ends.",
        "The system waits for a person, or for another program (bleak 1759).",
        "Every call has a time limit; after three time-outs the meter shows the step that a person must take, and the"
        " station tries it ever more rarely.",
    ),
    Fault(
        "other-platforms",
        "On macOS and Windows the same faults look different.",
        "Other addresses, 'notifications already started', services remembered for good.",
        "What differs is in one module, with fakes of the behaviour that is documented or reported.",
    ),
)

READINGS = (
    Fault(
        "lost-packets",
        "Readings are missing in the history.",
        "A dropped link, a silent meter, or a queue that was full.",
        "Each is a gap with its meter, its cause and its length: kept, counted, listed, logged.",
    ),
    Fault(
        "too-many-packets",
        "One meter keeps all others waiting.",
        "It sends far more packets than a display can show: it is faulty, or hostile.",
        "Each meter has a rate and a queue of its own; dropped packets are a gap in the record.",
    ),
    Fault(
        "hostile-packets",
        "Nonsense on the display, or a program that grows.",
        "Oversized, damaged or invented frames; no number, infinite numbers.",
        "Buffers are bounded; a frame that cannot be read is an invalid reading, never a wrong value.",
    ),
    Fault(
        "failing-driver",
        "A meter's readings stop, and those of the others too.",
        "Its driver raises an error.",
        "The packet is lost, the station goes on.",
    ),
)

CLOCK = (
    Fault(
        "clock-step",
        "Readings of tomorrow, or of last year.",
        "The clock was set, by hand or from the network.",
        "The step is found by the steady clock, logged and kept; the open visit is resumed all the same.",
    ),
    Fault(
        "clock-not-set",
        "Readings of the year 1970.",
        "A machine without a battery for its clock started without a network.",
        "The readings are marked, and no search by time leaves them out or deletes them.",
    ),
)

DATABASE = (
    Fault(
        "disk-full",
        "Nothing can be saved.",
        "The disk is full.",
        "An alarm; nothing is acknowledged; accepted readings wait, and are written when there is room.",
    ),
    Fault(
        "write-refused",
        "Nothing can be saved, on a disk with room.",
        "A limit of the system, a broken disk, a file without rights.",
        "The alarm names the cause; nothing is acknowledged; it is tried again.",
    ),
    Fault(
        "database-locked",
        "Saving takes long.",
        "Another program holds the database.",
        "The readings wait, with one alarm; readers lock nobody out.",
    ),
    Fault(
        "power-cut",
        "The last readings are gone after the power failed.",
        "The system says 'written' before the disk has it.",
        "A reading is acknowledged after it is on the disk: shown by the system calls, and by a machine's reset.",
    ),
    Fault(
        "killed-daemon",
        "The program is gone in the middle of a visit.",
        "A crash, or the system needed memory.",
        "Nothing that was acknowledged is lost; the next start goes on with the visit.",
    ),
    Fault(
        "two-writers",
        "A damaged database.",
        "Two programs write to it; old versions of SQLite can then lose a commit.",
        "A second station is refused, and so is a SQLite that is too old.",
    ),
    Fault(
        "database-removed",
        "All is saved, and nothing is there afterwards.",
        "The file, or its folder, was deleted or moved while the station ran.",
        "Noticed within a second; an alarm; the record is written again before the next acknowledgement.",
    ),
    Fault(
        "database-replaced",
        "Readings get into a foreign record.",
        "Another file was put in its place while the station ran.",
        "The other file is left alone, the own record is kept beside it, and the station ends and says so.",
    ),
    Fault(
        "database-overwritten",
        "A damaged database.",
        "Another file was copied over the open one.",
        "The station notices it and writes nothing more into it.",
    ),
    Fault(
        "damaged-pages",
        "Old readings cannot be read.",
        "A disk or a memory card that fails.",
        "A check at the start and on request names it; `meterlink salvage` saves what can be read.",
    ),
    Fault(
        "failed-migration",
        "A newer program cannot read the record.",
        "A power cut or a full disk while the tables were changed.",
        "It is changed whole or not at all, after a copy; a newer record is refused and left alone.",
    ),
    Fault(
        "growing-disk",
        "The disk fills up over the months.",
        "Raw readings, four a second from each meter.",
        "Old raw readings are thinned by age and by room on the disk; accepted ones and their proof stay.",
    ),
    Fault(
        "interrupted-file",
        "Half a backup, half an export, half a report.",
        "A kill or a full disk while it was written.",
        "A file is whole or not there, and the earlier one stays.",
    ),
)

PUBLISHING = (
    Fault(
        "broker-down",
        "Nothing arrives at the broker.",
        "It is off, or there is no network, for hours.",
        "The messages wait on the disk, the oldest first; accepted readings are never dropped.",
    ),
    Fault(
        "wrong-password",
        "Publishing seems to work, and nothing arrives.",
        "The broker refuses the name or the password (aiomqtt 288).",
        "An alarm that names the setting; tried again every five minutes, and at once after a change.",
    ),
    Fault(
        "message-denied",
        "A message is 'sent' and was refused.",
        "The rules of the broker deny the topic (paho 474).",
        "The answer is read: the message is set aside with the reason, and the later ones are sent.",
    ),
    Fault(
        "broker-hangs-up",
        "The outbox grows behind one message.",
        "A broker closes the connection at a message that it denies.",
        "What was answered is booked first; a message that ends two connections is set aside.",
    ),
    Fault(
        "published-twice",
        "A consumer sees a reading twice.",
        "The connection broke before the acknowledgement.",
        "It is sent again with the same identifier, so that a consumer can tell.",
    ),
    Fault(
        "tls-fault",
        "Publishing tries for ever without a word.",
        "A certificate that is not trusted, expired or missing, or a port without TLS.",
        "An alarm that names the setting; tried again every five minutes.",
    ),
    Fault(
        "half-open",
        "Publishing stands still, and no error comes.",
        "The network vanished without a word, or the broker hangs.",
        "Pings and a limit for each answer end the connection; a new one is made.",
    ),
    Fault(
        "ghost-online",
        "The station is 'online' and is not running.",
        "It was killed, so it could not say goodbye.",
        "The broker says it: the will is agreed on at the start.",
    ),
    Fault(
        "identifier-taken",
        "Two stations throw each other out.",
        "Both have the same identifier (aiomqtt 171).",
        "An alarm, and no quick attempts; each station keeps an identifier of its own.",
    ),
    Fault(
        "broker-noise",
        "The publisher ends with an error.",
        "Something else than a broker listens at the port.",
        "The connection is given up and made again.",
    ),
    Fault(
        "forgotten-states",
        "A consumer sees no station, though it publishes.",
        "The broker lost its memory of retained messages.",
        "All states are published anew on every connection.",
    ),
)

SERVICE = (
    Fault(
        "terminal-closed",
        "Meters stay connected to nobody.",
        "The terminal of a daemon in the foreground was closed.",
        "The daemon ends as on a request: readings saved, links closed. With `nohup` it runs on.",
    ),
    Fault(
        "reload-signal",
        "The service ends when its settings should be read.",
        "SIGHUP ends a program that does not expect it.",
        "It reads the settings again and does nothing else; wrong ones are named, and the old ones stay.",
    ),
    Fault(
        "stalled-loop",
        "The service is 'running', and nothing moves.",
        "Something holds up its event loop.",
        "The pause is measured; the watchdog of systemd is not fed, and restarts the service.",
    ),
    Fault(
        "stalled-writer",
        "Readings are shown, and none is saved.",
        "A disk that hangs holds up the thread that writes.",
        "It counts as stalled after a minute, and the watchdog is not fed. A full disk does not.",
    ),
    Fault(
        "other-version",
        "The screen shows nonsense after an upgrade.",
        "The daemon of the version before still runs.",
        "It is told apart and named: on the screen, by each command, in the status.",
    ),
    Fault(
        "dying-daemon",
        "The screen stands still.",
        "The daemon behind it died.",
        "It is started again; if it dies again and again, its last words are shown.",
    ),
    Fault(
        "growing-log",
        "The log fills the disk.",
        "The same fault, every second for a week.",
        "Lines that differ in numbers only are limited, with the number of those left out.",
    ),
    Fault(
        "nobody-watches",
        "A fault is noticed a week later.",
        "Nobody looks at the screen of a service.",
        "An alarm on the broker: at once, or within ten minutes where nothing announces it; cleared once it is mended.",
    ),
)

STRANGERS = (
    Fault(
        "no-terminal",
        "Escape codes in a journal.",
        "The dashboard was started without a terminal.",
        "It says so, and what to run instead.",
    ),
    Fault(
        "hostile-names",
        "A terminal that misbehaves, or a screen that crashes.",
        "Control characters or markup in the name of a meter, or in typed text.",
        "All text is cleaned once, where it enters.",
    ),
    Fault(
        "message-flood",
        "The screen freezes.",
        "More changes than a screen can draw.",
        "The newest view of each topic is drawn, at most twenty times a second.",
    ),
    Fault(
        "client-never-reads",
        "The daemon's memory grows.",
        "A watcher sends long commands and never reads the replies.",
        "Replies are bounded, and such a watcher is disconnected.",
    ),
    Fault(
        "random-lines",
        "Tracebacks fill the log.",
        "Something else than Meterlink writes to the socket.",
        "Each line is answered with an error; the log has a line a minute at most.",
    ),
    Fault(
        "silent-client",
        "No more watchers are let in.",
        "Connections that say nothing take all places.",
        "A silent one is disconnected; a crowd is refused with a sentence.",
    ),
    Fault(
        "another-account",
        "Somebody else reads or sends commands.",
        "Another account of the machine connects to the socket, or listens on it.",
        "The account is asked of the system: a stranger gets nothing, and a stranger's socket is not used.",
    ),
    Fault(
        "open-files",
        "Somebody else reads the record, a password or a key.",
        "A folder or a file that other accounts of the machine can read or change.",
        "Only the owner can open the files, under any umask. Meterlink mends its own files and refuses those of another"
        " account.",
    ),
)

FAULTS = {
    "Bluetooth": BLUETOOTH,
    "Readings": READINGS,
    "The clock": CLOCK,
    "The database and the disk": DATABASE,
    "Publishing": PUBLISHING,
    "The service": SERVICE,
    "The screen, the socket, other people": STRANGERS,
}
