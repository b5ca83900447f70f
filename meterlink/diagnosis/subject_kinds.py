"""Every kind of subject that a rule may be about."""

from meterlink.diagnosis.closed_paths import ClosedPath
from meterlink.diagnosis.evidence import Subject
from meterlink.diagnosis.heaters import Heater
from meterlink.diagnosis.running_motors import RunningMotor
from meterlink.diagnosis.start_circuits import StartCircuit
from meterlink.diagnosis.subjects import (
    CapacitorSection,
    Coil,
    ContactorContacts,
    MeasuredPoint,
    MotorWindings,
    WholeVisit,
)
from meterlink.diagnosis.supply_legs import SupplyLegs
from meterlink.diagnosis.three_phase_windings import ThreePhaseWindings

_KINDS: tuple[type[Subject], ...] = (
    CapacitorSection,
    Coil,
    MotorWindings,
    ThreePhaseWindings,
    ContactorContacts,
    ClosedPath,
    RunningMotor,
    StartCircuit,
    Heater,
    SupplyLegs,
    MeasuredPoint,
    WholeVisit,
)
SUBJECTS: dict[str, type[Subject]] = {subject.KIND: subject for subject in _KINDS}
"""The kinds by their names in ``rules.toml``."""
