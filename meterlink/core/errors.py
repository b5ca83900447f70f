"""Meterlink's errors, one class for each cause that a program may want to tell from the others.

Every class is below `MeterlinkError`, and may be caught by the class above it::

    MeterlinkError
    ├── InputError                  a text, number or file cannot be used
    │   ├── PlanError               ... a plan
    │   ├── ProfileError            ... a meter's profile
    │   └── SettingsError           ... the settings, or the data folder
    ├── RadioError                  Bluetooth is missing or off, or a meter cannot be reached
    ├── DriverError                 a driver is missing, broken, or does not fit the meter
    ├── StoreError                  the database cannot be opened, read or written
    │   ├── NoDatabaseError         ... there is none at that path
    │   ├── NotADatabaseError       ... the file is no database, or another program's
    │   ├── NewerDatabaseError      ... a newer Meterlink wrote it
    │   ├── OlderDatabaseError      ... an older Meterlink wrote it; `meterlink run` brings it up to date
    │   ├── DamagedDatabaseError    ... its contents are damaged
    │   ├── DatabaseMovedError      ... its file was removed, moved or replaced while a station ran
    │   ├── DatabaseLockedError     ... another program, or another station, has it open
    │   ├── DatabaseAccessError     ... the file or its folder may not be read or written
    │   ├── DiskFullError           ... no space is left on the disk
    │   └── DiskFailedError         ... the disk failed to read or write
    ├── SealError                   the station's key, or a sealed text, cannot be used
    ├── VisitError                  no visit is open, or the visit is closed
    ├── LinkError                   the daemon's local socket cannot be served or reached
    └── PublishError                the MQTT broker cannot be reached, or it refused a message

A room that alone raises an error with more details keeps its class beside its code: `OpenQuestionError` of
`meterlink.core.questions`, for example, is an `InputError` that carries a question with its choices.
"""


class MeterlinkError(Exception):
    """A foreseen failure.

    ``message`` names the failure and its object. ``remedy`` names a step to try; it is empty if there is none.
    ``str()`` of the error is both, on one line.
    """

    exit_code = 1

    def __init__(self, message: str, remedy: str = "") -> None:
        super().__init__(message, remedy)
        self.message = message
        self.remedy = remedy

    def __str__(self) -> str:
        return f"{self.message} {self.remedy}".rstrip()


def user_error(error: BaseException) -> BaseException:
    """Return the error to show to a user: of an exception group, its first foreseen error.

    Foreseen are MeterlinkError and OSError (a full disk, a closed pipe). A group with any other error is returned
    unchanged.
    """
    if not isinstance(error, BaseExceptionGroup):
        return error
    foreseen, unforeseen = error.split((MeterlinkError, OSError))
    return error if foreseen is None or unforeseen is not None else user_error(foreseen.exceptions[0])


class InputError(MeterlinkError):
    """A text, number or file from a person or a program cannot be used."""

    exit_code = 2


class PlanError(InputError):
    """A plan file cannot be used; the message names the file and the line."""


class ProfileError(InputError):
    """A meter's profile cannot be used; the message names the file, the line and the column."""


class SettingsError(InputError):
    """A settings file cannot be used; the message names the file and the key."""


class RadioError(MeterlinkError):
    """Bluetooth is missing, switched off, or a meter cannot be reached."""


class DriverError(MeterlinkError):
    """A driver is missing, is broken, or does not fit this meter."""


class StoreError(MeterlinkError):
    """The database cannot be opened, read or written."""


class NoDatabaseError(StoreError):
    """There is no database at the path."""


class NotADatabaseError(StoreError):
    """The file is no database, or it is the database of another program."""


class NewerDatabaseError(StoreError):
    """A newer Meterlink wrote the database: update this one. The file stays as it is."""


class OlderDatabaseError(StoreError):
    """An older Meterlink wrote the database: a station of this version brings it up to date when it starts."""


class DamagedDatabaseError(StoreError):
    """The contents of the database are damaged, or another program has changed them."""


class DatabaseMovedError(StoreError):
    """The database's file was removed, moved, replaced or overwritten while a station ran on it."""


class DatabaseLockedError(StoreError):
    """Another program, or another station, has the database open: a later try may succeed."""


class DatabaseAccessError(StoreError):
    """The file or its folder may not be read or written: a permission, a read-only disk, a missing folder."""


class DiskFullError(StoreError):
    """No space is left on the disk, or none for this user: free some; a later try may succeed."""


class DiskFailedError(StoreError):
    """The disk failed to read or write: it may be worn out or unplugged."""


class SealError(MeterlinkError):
    """The station's key cannot be read or written, or a sealed text cannot be used."""


class VisitError(MeterlinkError):
    """No visit is open, there is no such visit, or it is closed."""


class LinkError(MeterlinkError):
    """The daemon's local socket cannot be served or reached."""


class PublishError(MeterlinkError):
    """The MQTT broker cannot be reached, or it refused a message."""
