"""Teaching: what a meter's packets say, found from packets and what the display showed. Pure: no I/O, no clock."""

from meterlink.teach.report import FunctionReport, TeachReport
from meterlink.teach.teacher import Teacher, teach

__all__ = ["FunctionReport", "TeachReport", "Teacher", "teach"]
