"""Teaching: a profile found from packets and from the values that the display showed. Pure: no I/O, no clock."""

from meterlink.teach.report import FunctionReport, TeachReport
from meterlink.teach.teacher import Teacher, teach

__all__ = ["FunctionReport", "TeachReport", "Teacher", "teach"]
