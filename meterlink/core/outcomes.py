"""The outcome of a visit."""

from enum import StrEnum


class Outcome(StrEnum):
    """The state in which the technician leaves the unit."""

    REPAIRED = "repaired"
    TEMPORARY_REPAIR = "temporary repair"
    DECLINED = "declined"  # the customer did not want the repair
    PART_TO_FETCH = "part to be fetched"
    NO_FAULT_FOUND = "no fault found"
