"""Meterlink's errors: one root, one class per cause."""


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


class SettingsError(InputError):
    """A settings file cannot be used; the message names the file and the key."""


class RadioError(MeterlinkError):
    """Bluetooth is missing, switched off, or a meter cannot be reached."""


class DriverError(MeterlinkError):
    """A driver is missing, is broken, or does not fit this meter."""


class StoreError(MeterlinkError):
    """The database cannot be opened, read or written."""


class LinkError(MeterlinkError):
    """The daemon's local socket cannot be served or reached."""


class PublishError(MeterlinkError):
    """The MQTT broker cannot be reached, or it refused a message."""
