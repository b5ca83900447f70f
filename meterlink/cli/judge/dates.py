"""Dates as typed: a day or a time."""

from datetime import UTC, datetime

from meterlink.core.errors import InputError


def parse_date(text: str) -> datetime:
    """Return the moment in ``text``, an ISO 8601 day or time; without a zone it is UTC.

    Raises:
        InputError: the text is neither.
    """
    try:
        moment = datetime.fromisoformat(text.strip())
        return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)
    except (ValueError, OverflowError) as error:
        raise InputError(
            f"{text.strip()!r} is not a date.", "Write it as 2025-05-01 or 2025-05-01T13:00:00Z."
        ) from error
