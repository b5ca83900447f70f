"""How severe a notice to the technician is."""

from enum import StrEnum


class NoticeLevel(StrEnum):
    """How severe a notice is."""

    INFO = "info"
    WARNING = "warning"
    ALARM = "alarm"
