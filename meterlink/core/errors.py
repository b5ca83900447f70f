"""The one root of Meterlink's errors. A message says what failed, on what, and what to try."""


class MeterlinkError(Exception):
    """Anything Meterlink can foresee going wrong.

    ``message`` says what failed and on what; ``remedy`` says what to try, or is empty where nothing can be tried.
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
    """Return what a user should be told of ``error``: out of a task group's group, the first foreseen one.

    Foreseen are MeterlinkError and OSError (a full disk, a reader that left). A group that holds anything else is
    returned as it is.
    """
    if not isinstance(error, BaseExceptionGroup):
        return error
    known, others = error.split((MeterlinkError, OSError))
    return error if known is None or others is not None else user_error(known.exceptions[0])


class InputError(MeterlinkError):
    """Text, a number or a file given by a person or a program cannot be used."""

    exit_code = 2


class PlanError(InputError):
    """A plan file cannot be used; the message names the file and the place in it."""


class SettingsError(InputError):
    """A settings file cannot be used; the message names the file and the key."""


class RadioError(MeterlinkError):
    """Bluetooth is missing, switched off, or a meter cannot be reached."""


class DriverError(MeterlinkError):
    """A driver is missing, broken, or cannot serve this meter."""


class StoreError(MeterlinkError):
    """The database cannot be opened, read or written."""


class LinkError(MeterlinkError):
    """The daemon's local socket cannot be served or reached."""


class PublishError(MeterlinkError):
    """The MQTT broker cannot be reached or refused what was sent."""
