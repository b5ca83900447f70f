"""Teaching: a profile found from packets and from the values that the display showed. Pure: no I/O, no clock."""

from meterlink.teach.profile_comments import write_taught_profile
from meterlink.teach.progress import TeachProgress, find_progress
from meterlink.teach.report import FunctionReport, TeachReport
from meterlink.teach.teacher import Teacher, teach

__all__ = [
    "FunctionReport",
    "TeachProgress",
    "TeachReport",
    "Teacher",
    "find_progress",
    "teach",
    "write_taught_profile",
]
