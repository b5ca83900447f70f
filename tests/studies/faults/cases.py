"""The faults of the matrix, each with its unit and the right answer.

The answers were written from the faults; `docs/fault-matrix.md` says which were changed after a measurement. Every
value is invented.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from meterlink_simulators.faults import Fault, FaultKind
from meterlink_simulators.ranges import MeterFunction
from studies.faults.answers import STOPS, Answer, Matter

# A call lasts so long before anything is read, s: a sequencer needs half a minute.
_CALL_SECONDS = 45.0


@dataclass(frozen=True)
class Case:
    """A fault, or several, put into a unit.

    ``faults`` are there from the beginning, ``faults_while_running`` come after the last reading with power on.
    ``switches`` are moved at the beginning, ``(name, on)``; ``not_calling`` do not close when they should.

    ``answers`` are the right answers: the first cause must give one of them. With ``is_several`` they belong to several
    faults, and each must be given by a cause that is at least likely. No answers: a sound unit.

    The rest are habits and mistakes of the technician. ``left_closed`` are switches that should have been opened;
    ``discharges`` says whether capacitors are discharged. ``places`` and ``dials`` are the terminals and functions
    really used, by the key of the test point. ``leads_ohms`` is the resistance of leads that were not zeroed,
    ``battery`` is in percent, ``in_the_air`` is a test point where a probe touches nothing, ``second_meter`` maps a
    test point to the share that another meter shows there. ``seconds`` is the time of the call before anything is read,
    ``ratings`` are ratings of this unit, ``not_read`` are test points left out.
    """

    name: str
    unit: str
    faults: tuple[Fault, ...] = ()
    answers: tuple[Answer, ...] = ()
    is_several: bool = False
    faults_while_running: tuple[Fault, ...] = ()
    switches: tuple[tuple[str, bool], ...] = ()
    not_calling: tuple[str, ...] = ()
    left_closed: tuple[str, ...] = ()
    discharges: bool = True
    places: Mapping[str, str] = field(default_factory=dict)
    dials: Mapping[str, MeterFunction] = field(default_factory=dict)
    leads_ohms: float = 0.0
    battery: float = 100.0
    in_the_air: str = ""
    second_meter: Mapping[str, float] = field(default_factory=dict)
    seconds: float = _CALL_SECONDS
    ratings: Mapping[str, str] = field(default_factory=dict)
    not_read: tuple[str, ...] = ()

    @property
    def is_stop(self) -> bool:
        """Whether nobody may go on."""
        return any(answer.matter in STOPS for answer in self.answers)


_OFF = math.inf
_F = FaultKind
_M = Matter

SOUND = tuple(
    Case(f"sound {unit}", unit)
    for unit in ("split condenser", "heat pump", "rooftop unit", "air handler", "walk-in cooler", "inverter unit")
)
_COOLING, _HEAT_PUMP, _ROOFTOP, _AIR, _COLD, _INVERTER = (case.unit for case in SOUND)


def _fault(component: str, kind: FaultKind, terminal: str = "", amount: float | None = None) -> tuple[Fault, ...]:
    return (Fault(component, kind, terminal, amount),)


_HERM, _FAN = "run capacitor herm", "run capacitor fan"

SPLIT_CONDENSER = (
    # The run capacitor
    Case(
        "HERM section 41 of 45 µF",
        _COOLING,
        _fault("run capacitor", _F.DRIFT, "HERM", 41e-6),
        (Answer(_M.WEAK, _HERM),),
    ),
    Case(
        "HERM section 38 of 45 µF",
        _COOLING,
        _fault("run capacitor", _F.DRIFT, "HERM", 38e-6),
        (Answer(_M.WEAK, _HERM),),
    ),
    Case(
        "HERM section 27 of 45 µF",
        _COOLING,
        _fault("run capacitor", _F.DRIFT, "HERM", 27e-6),
        (Answer(_M.WEAK, _HERM),),
    ),
    Case("HERM section open", _COOLING, _fault("run capacitor", _F.OPEN, "HERM"), (Answer(_M.OPEN, _HERM),)),
    Case("HERM section shorted", _COOLING, _fault("run capacitor", _F.SHORTED, "HERM"), (Answer(_M.SHORTED, _HERM),)),
    Case(
        "HERM section leaks, 1 kΩ",
        _COOLING,
        _fault("run capacitor", _F.LEAKAGE, "HERM", 1e3),
        (Answer(_M.LEAKING, _HERM),),
    ),
    Case(
        "FAN section 4.2 of 5 µF", _COOLING, _fault("run capacitor", _F.DRIFT, "FAN", 4.2e-6), (Answer(_M.WEAK, _FAN),)
    ),
    Case("FAN section open", _COOLING, _fault("run capacitor", _F.OPEN, "FAN"), (Answer(_M.OPEN, _FAN),)),
    Case("FAN section shorted", _COOLING, _fault("run capacitor", _F.SHORTED, "FAN"), (Answer(_M.SHORTED, _FAN),)),
    Case(
        "both sections weak, 36 and 3.4 µF",
        _COOLING,
        (Fault("run capacitor", _F.DRIFT, "HERM", 36e-6), Fault("run capacitor", _F.DRIFT, "FAN", 3.4e-6)),
        (Answer(_M.WEAK, _HERM), Answer(_M.WEAK, _FAN)),
        is_several=True,
    ),
    Case(
        "HERM terminal burnt, 40 Ω; volts read at the far ends of the wires",
        _COOLING,
        _fault("run capacitor", _F.BAD_CONNECTION, "HERM", 40.0),
        (Answer(_M.BAD_CONNECTION, _HERM),),
        places={"run-capacitor-herm-volts": "contactor.T2 - compressor.S"},
    ),
    # Compressor and fan
    Case(
        "compressor start winding open",
        _COOLING,
        _fault("compressor", _F.OPEN, "S"),
        (Answer(_M.OPEN, "start winding…compressor"),),
    ),
    Case(
        "compressor run winding open",
        _COOLING,
        _fault("compressor", _F.OPEN, "R"),
        (Answer(_M.OPEN, "run winding…compressor"),),
    ),
    Case(
        "compressor protector open",
        _COOLING,
        _fault("compressor", _F.PROTECTOR_OPEN),
        (Answer(_M.PROTECTOR_OPEN, "compressor"),),
    ),
    Case(
        "compressor grounded at R, 20 kΩ",
        _COOLING,
        _fault("compressor", _F.GROUNDED, "R", 20e3),
        (Answer(_M.GROUNDED, "compressor"),),
    ),
    Case(
        "compressor damp, 400 kΩ to the frame",
        _COOLING,
        _fault("compressor", _F.GROUNDED, "", 400e3),
        (Answer(_M.LOW_INSULATION, "compressor"),),
    ),
    Case(
        "compressor run winding with a third of its turns shorted; limits of the maker's sheet entered",
        _COOLING,
        _fault("compressor", _F.SHORTED_TURNS, "R", 0.67),
        (Answer(_M.SHORTED_TURNS, "compressor"),),
        ratings={
            "compressor-run-winding": "0.8-1.0 ohm",
            "compressor-start-winding": "2.6-3.2 ohm",
            "compressor-both-windings": "3.4-4.2 ohm",
        },
    ),
    Case(
        "compressor rotor locked, read before the protector opens",
        _COOLING,
        _fault("compressor", _F.ROTOR_LOCKED),
        (Answer(_M.ROTOR_LOCKED, "compressor"), Answer(_M.TOO_MANY_AMPS, "compressor")),
        seconds=2.0,
    ),
    Case(
        "compressor lead off at C",
        _COOLING,
        _fault("compressor", _F.BAD_CONNECTION, "C", _OFF),
        (Answer(_M.NOTHING_FLOWS, "compressor | contactor contacts"),),
    ),
    Case(
        "condenser fan main winding open",
        _COOLING,
        _fault("condenser fan", _F.OPEN, "R"),
        (Answer(_M.NOTHING_FLOWS, "condenser fan"), Answer(_M.OPEN, "condenser fan")),
    ),
    Case(
        "condenser fan seized",
        _COOLING,
        _fault("condenser fan", _F.ROTOR_LOCKED),
        (Answer(_M.TOO_MANY_AMPS, "condenser fan"), Answer(_M.ROTOR_LOCKED, "condenser fan")),
    ),
    Case(
        "condenser fan lead off",
        _COOLING,
        _fault("condenser fan", _F.BAD_CONNECTION, "C", _OFF),
        (Answer(_M.NOTHING_FLOWS, "condenser fan"), Answer(_M.OPEN, "condenser fan")),
    ),
    # Contactor and control
    Case("contactor coil open", _COOLING, _fault("contactor coil", _F.OPEN), (Answer(_M.OPEN, "contactor coil"),)),
    Case(
        "contactor coil with half of its turns shorted",
        _COOLING,
        _fault("contactor coil", _F.SHORTED_TURNS, "", 0.5),
        (Answer(_M.SHORTED_TURNS, "contactor coil"),),
    ),
    Case(
        "contactor coil shorted; it has blown the control fuse",
        _COOLING,
        _fault("contactor coil", _F.SHORTED),
        (Answer(_M.SHORTED, "contactor coil"),),
    ),
    Case(
        "coil for 240 V fitted",
        _COOLING,
        _fault("contactor coil", _F.WRONG_COIL, "", 240.0),
        (Answer(_M.WRONG_PART, "contactor coil"),),
    ),
    Case(
        "contactor pole 1 burnt, 60 mΩ",
        _COOLING,
        _fault("contactor", _F.DRIFT, "L1", 0.06),
        (Answer(_M.WORN_CONTACTS, "contacts"),),
    ),
    Case(
        "contactor pole 2 burnt, 60 mΩ",
        _COOLING,
        _fault("contactor", _F.DRIFT, "L2", 0.06),
        (Answer(_M.WORN_CONTACTS, "contacts"),),
    ),
    Case(
        "contactor pole 1 does not close",
        _COOLING,
        _fault("contactor", _F.OPEN, "L1"),
        (Answer(_M.OPEN_CONTACTS, "contacts"),),
    ),
    Case(
        "thermostat does not call",
        _COOLING,
        answers=(Answer(_M.CONTROL_OPEN, "contactor coil"),),
        not_calling=("thermostat",),
    ),
    Case(
        "float switch open",
        _COOLING,
        answers=(Answer(_M.CONTROL_OPEN, "contactor coil"),),
        switches=(("float switch", False),),
    ),
    Case(
        "pressure control open",
        _COOLING,
        answers=(Answer(_M.CONTROL_OPEN, "contactor coil"),),
        switches=(("pressure control", False),),
    ),
    Case(
        "control fuse open",
        _COOLING,
        _fault("control fuse", _F.OPEN, "1"),
        (Answer(_M.CONTROL_OPEN, "contactor coil"), Answer(_M.NO_CONTROL_SUPPLY)),
    ),
    Case(
        "breaker of the air handler open",
        _COOLING,
        answers=(Answer(_M.CONTROL_OPEN, "contactor coil"), Answer(_M.NO_CONTROL_SUPPLY)),
        switches=(("indoor breaker", False),),
    ),
    Case(
        "supply of the air handler 185 V",
        _COOLING,
        _fault("indoor line", _F.DRIFT, "", 185.0),
        (Answer(_M.LOW_CONTROL_SUPPLY, "contactor coil | transformer | control"),),
    ),
    # The supply
    Case(
        "one pole of the breaker open",
        _COOLING,
        _fault("breaker", _F.OPEN, "3"),
        (Answer(_M.NO_SUPPLY), Answer(_M.LOST_LEG, "supply | line")),
    ),
    Case("supply lost", _COOLING, _fault("line", _F.SUPPLY_LOST), (Answer(_M.NO_SUPPLY),)),
    Case("supply 180 V", _COOLING, _fault("line", _F.DRIFT, "", 180.0), (Answer(_M.LOW_SUPPLY),)),
    Case("supply 264 V", _COOLING, _fault("line", _F.DRIFT, "", 264.0), (Answer(_M.HIGH_SUPPLY),)),
    Case(
        "bad joint in the disconnect, 3 Ω",
        _COOLING,
        _fault("disconnect", _F.DRIFT, "L1", 3.0),
        (Answer(_M.SAGGING_SUPPLY),),
    ),
    # The way of measuring
    Case(
        "leads across HERM and FAN, for HERM",
        _COOLING,
        answers=(Answer(_M.ACROSS_SECTIONS, "herm–fan"),),
        places={"run-capacitor-herm": "run capacitor.HERM - run capacitor.FAN"},
    ),
    Case(
        "probe for HERM on FAN",
        _COOLING,
        answers=(Answer(_M.OTHER_SECTION, "herm…fan"),),
        places={"run-capacitor-herm": "run capacitor.C - run capacitor.FAN"},
    ),
    Case(
        "probes for HERM and FAN swapped",
        _COOLING,
        answers=(Answer(_M.SWAPPED, "herm | fan"),),
        places={
            "run-capacitor-herm": "run capacitor.C - run capacitor.FAN",
            "run-capacitor-fan": "run capacitor.C - run capacitor.HERM",
        },
    ),
    Case(
        "meter on ohms at the FAN section",
        _COOLING,
        answers=(Answer(_M.WRONG_FUNCTION, "fan"),),
        dials={"run-capacitor-fan": MeterFunction.RESISTANCE},
    ),
    Case(
        "leads of 0.6 Ω not zeroed at the windings",
        _COOLING,
        answers=(Answer(_M.NOT_ZEROED, "compressor"),),
        leads_ohms=0.6,
    ),
    Case(
        "S and R of the compressor mixed up",
        _COOLING,
        answers=(Answer(_M.MIXED_UP, "compressor"),),
        places={
            "compressor-run-winding": "compressor.C - compressor.S",
            "compressor-start-winding": "compressor.C - compressor.R",
        },
    ),
    Case(
        "probe off a pin while reading R–S",
        _COOLING,
        answers=(Answer(_M.OFF_A_PIN, "compressor"),),
        in_the_air="compressor-both-windings",
    ),
    Case(
        "battery low, and the FAN section 4.2 of 5 µF",
        _COOLING,
        _fault("run capacitor", _F.DRIFT, "FAN", 4.2e-6),
        (Answer(_M.LOW_BATTERY), Answer(_M.WEAK, _FAN)),
        battery=5.0,
    ),
    Case(
        "another meter shows the HERM section 12 % low",
        _COOLING,
        answers=(Answer(_M.METERS_DISAGREE, _HERM),),
        second_meter={"run-capacitor-herm": 0.88},
    ),
    Case(
        "clamp around the wires of HERM and R, for HERM",
        _COOLING,
        answers=(Answer(_M.CLAMP, _HERM),),
        places={"run-capacitor-herm-amps": "clamp compressor.R + run capacitor.HERM"},
    ),
    # Two faults
    Case(
        "HERM section 30 of 45 µF, and the compressor damp, 300 kΩ",
        _COOLING,
        (Fault("run capacitor", _F.DRIFT, "HERM", 30e-6), Fault("compressor", _F.GROUNDED, "", 300e3)),
        (Answer(_M.WEAK, _HERM), Answer(_M.LOW_INSULATION, "compressor")),
        is_several=True,
    ),
    Case(
        "contactor coil open, and the FAN section open",
        _COOLING,
        (Fault("contactor coil", _F.OPEN), Fault("run capacitor", _F.OPEN, "FAN")),
        (Answer(_M.OPEN, "contactor coil"), Answer(_M.OPEN, _FAN)),
        is_several=True,
    ),
    # Stops
    Case(
        "air handler not switched off: the coil of the contactor keeps its voltage",
        _COOLING,
        answers=(Answer(_M.LIVE, "contactor coil"),),
        left_closed=("thermostat", "indoor breaker"),
    ),
    Case(
        "a line wire has chafed through onto the thermostat wire",
        _COOLING,
        answers=(Answer(_M.LINE_ON_CONTROL, "contactor coil"),),
        switches=(("chafed wire", True),),
    ),
    Case(
        "wire off at FAN while running; not discharged",
        _COOLING,
        answers=(Answer(_M.CHARGED, "run capacitor"),),
        faults_while_running=_fault("run capacitor", _F.BAD_CONNECTION, "FAN", _OFF),
        discharges=False,
    ),
    Case(
        "compressor grounded at R, 5 Ω, and the ground wire of the cabinet off",
        _COOLING,
        (Fault("compressor", _F.GROUNDED, "R", 5.0), Fault("compressor", _F.BAD_CONNECTION, "GND", _OFF)),
        (Answer(_M.LIVE_CABINET, "cabinet"),),
    ),
    Case(
        "the disconnect was never opened",
        _COOLING,
        answers=(Answer(_M.LIVE, "compressor | run capacitor | contactor"),),
        left_closed=("disconnect", "thermostat", "indoor breaker"),
    ),
)

HEAT_PUMP = (
    Case(
        "reversing valve coil open",
        _HEAT_PUMP,
        _fault("reversing valve coil", _F.OPEN),
        (Answer(_M.OPEN, "reversing valve coil"),),
    ),
    Case(
        "reversing valve coil with half of its turns shorted",
        _HEAT_PUMP,
        _fault("reversing valve coil", _F.SHORTED_TURNS, "", 0.5),
        (Answer(_M.SHORTED_TURNS, "reversing valve coil"),),
    ),
    Case(
        "start capacitor 70 of 88 to 108 µF",
        _HEAT_PUMP,
        _fault("start capacitor", _F.DRIFT, "2", 70e-6),
        (Answer(_M.WEAK, "start capacitor"),),
    ),
    Case("start capacitor open", _HEAT_PUMP, _fault("start capacitor", _F.OPEN, "2"), (Answer(_M.OPEN, "start cap"),)),
    Case("start relay coil open", _HEAT_PUMP, _fault("start relay coil", _F.OPEN), (Answer(_M.OPEN, "start relay"),)),
    Case(
        "start relay contacts burnt open",
        _HEAT_PUMP,
        _fault("start relay contacts", _F.OPEN, "1"),
        (Answer(_M.OPEN_CONTACTS, "start relay…contacts"),),
    ),
    Case(
        "start relay contacts burnt, 8 Ω",
        _HEAT_PUMP,
        _fault("start relay contacts", _F.DRIFT, "1", 8.0),
        (Answer(_M.WORN_CONTACTS, "start relay…contacts"), Answer(_M.BAD_CONNECTION, "start relay…contacts")),
    ),
    Case(
        "crankcase heater open",
        _HEAT_PUMP,
        _fault("crankcase heater", _F.OPEN, "1"),
        (Answer(_M.OPEN, "crankcase heater"),),
    ),
    Case(
        "outdoor fan lead off",
        _HEAT_PUMP,
        _fault("outdoor fan", _F.BAD_CONNECTION, "R", _OFF),
        (Answer(_M.NOTHING_FLOWS, "outdoor fan"), Answer(_M.OPEN, "outdoor fan")),
    ),
    Case(
        "defrost thermostat does not close",
        _HEAT_PUMP,
        _fault("defrost thermostat", _F.OPEN, "1"),
        (Answer(_M.OPEN, "defrost thermostat"),),
    ),
    Case(
        "one blade of the disconnect stays closed; the contactor has one pole",
        _HEAT_PUMP,
        _fault("disconnect", _F.WELDED, "L2"),
        (Answer(_M.LIVE, "compressor | run capacitor | crankcase"),),
    ),
)

ROOFTOP_UNIT = (
    Case(
        "a line of the supply open, L3",
        _ROOFTOP,
        _fault("line", _F.OPEN, "L3"),
        (Answer(_M.LOST_LEG, "supply | line | phase"),),
    ),
    Case(
        "a fuse open in L2, with the compressor running",
        _ROOFTOP,
        _fault("disconnect", _F.OPEN, "L2"),
        (Answer(_M.LOST_LEG, "supply | line | phase"),),
    ),
    Case("supply 180 V", _ROOFTOP, _fault("line", _F.DRIFT, "", 180.0), (Answer(_M.LOW_SUPPLY),)),
    Case(
        "one line 12 V low, L1",
        _ROOFTOP,
        _fault("line", _F.DRIFT, "L1", 188.0),
        (Answer(_M.UNBALANCED_SUPPLY, "supply | voltage"),),
    ),
    Case(
        "supply of 240 V on the tap for 208 V",
        _ROOFTOP,
        _fault("line", _F.DRIFT, "", 240.0),
        (Answer(_M.HIGH_CONTROL_SUPPLY),),
        ratings=dict.fromkeys(
            (f"supply-{pair}{loaded}" for pair in ("l1-l2", "l2-l3", "l1-l3") for loaded in ("", "-loaded")),
            "240 V 10 %",
        ),
    ),
    Case(
        "compressor winding open at T2",
        _ROOFTOP,
        _fault("compressor", _F.OPEN, "T2"),
        (Answer(_M.OPEN, "compressor"),),
    ),
    Case(
        "compressor winding with a third of its turns shorted",
        _ROOFTOP,
        _fault("compressor", _F.SHORTED_TURNS, "T1", 0.67),
        (Answer(_M.SHORTED_TURNS, "compressor"),),
    ),
    Case(
        "compressor protector open",
        _ROOFTOP,
        _fault("compressor", _F.PROTECTOR_OPEN),
        (Answer(_M.PROTECTOR_OPEN, "compressor"),),
    ),
    Case(
        "compressor grounded, 15 kΩ",
        _ROOFTOP,
        _fault("compressor", _F.GROUNDED, "", 15e3),
        (Answer(_M.GROUNDED, "compressor"),),
    ),
    Case(
        "contactor pole 2 burnt, 50 mΩ",
        _ROOFTOP,
        _fault("contactor", _F.DRIFT, "L2", 0.05),
        (Answer(_M.WORN_CONTACTS, "pole 2"),),
    ),
    Case(
        "contactor pole 3 does not close",
        _ROOFTOP,
        _fault("contactor", _F.OPEN, "L3"),
        (Answer(_M.OPEN_CONTACTS, "pole 3"),),
    ),
    Case(
        "fan capacitor 1 6.2 of 7.5 µF",
        _ROOFTOP,
        _fault("fan capacitor 1", _F.DRIFT, "2", 6.2e-6),
        (Answer(_M.WEAK, "fan 1 capacitor"),),
    ),
    Case(
        "fan capacitor 2 open", _ROOFTOP, _fault("fan capacitor 2", _F.OPEN, "2"), (Answer(_M.OPEN, "fan 2 capacitor"),)
    ),
    Case(
        "fan 2 lead off",
        _ROOFTOP,
        _fault("condenser fan 2", _F.BAD_CONNECTION, "C", _OFF),
        (Answer(_M.NOTHING_FLOWS, "fan"), Answer(_M.OPEN, "fan")),
    ),
    Case("control transformer open", _ROOFTOP, _fault("transformer", _F.OPEN, "R"), (Answer(_M.NO_CONTROL_SUPPLY),)),
    Case(
        "control fuse open",
        _ROOFTOP,
        _fault("control fuse", _F.OPEN, "1"),
        (Answer(_M.CONTROL_OPEN, "contactor coil"), Answer(_M.NO_CONTROL_SUPPLY)),
    ),
    Case(
        "high pressure control open",
        _ROOFTOP,
        answers=(Answer(_M.CONTROL_OPEN, "contactor coil"),),
        switches=(("pressure control", False),),
    ),
    Case(
        "crankcase heater open",
        _ROOFTOP,
        _fault("crankcase heater", _F.OPEN, "1"),
        (Answer(_M.OPEN, "crankcase heater"),),
    ),
    Case(
        "power left on",
        _ROOFTOP,
        answers=(Answer(_M.LIVE, "fan | compressor | coil"),),
        left_closed=("disconnect", "thermostat"),
    ),
)

AIR_HANDLER = (
    Case(
        "blower capacitor 8 of 10 µF",
        _AIR,
        _fault("blower capacitor", _F.DRIFT, "2", 8e-6),
        (Answer(_M.WEAK, "blower capacitor"),),
    ),
    Case(
        "blower winding open",
        _AIR,
        _fault("blower", _F.OPEN, "HI"),
        (Answer(_M.OPEN, "blower"), Answer(_M.NOTHING_FLOWS, "blower")),
    ),
    Case("blower grounded, 25 kΩ", _AIR, _fault("blower", _F.GROUNDED, "", 25e3), (Answer(_M.GROUNDED, "blower"),)),
    Case("blower relay coil open", _AIR, _fault("blower relay coil", _F.OPEN), (Answer(_M.OPEN, "blower relay coil"),)),
    Case("heat strip 1 open", _AIR, _fault("heat strip 1", _F.OPEN, "1"), (Answer(_M.OPEN, "heat strip 1"),)),
    Case(
        "heat strip 2 burnt through in one of its two wires",
        _AIR,
        _fault("heat strip 2", _F.PARTLY_OPEN, "1", 0.5),
        (Answer(_M.PARTLY_OPEN, "heat strip 2"),),
    ),
    Case(
        "sequencer coil open",
        _AIR,
        _fault("sequencer coil", _F.OPEN),
        (Answer(_M.OPEN, "sequencer"),),
    ),
    Case(
        "sequencer contacts M3 do not close",
        _AIR,
        _fault("sequencer", _F.OPEN, "M3"),
        (Answer(_M.OPEN_CONTACTS, "sequencer contacts m3"),),
    ),
    Case(
        "float switch open",
        _AIR,
        answers=(Answer(_M.CONTROL_OPEN, "blower relay coil | sequencer"), Answer(_M.OPEN, "float switch")),
        switches=(("float switch", False),),
    ),
    Case(
        "transformer primary open",
        _AIR,
        _fault("transformer", _F.OPEN, "PRI 1"),
        (Answer(_M.TRANSFORMER_OPEN, "transformer"),),
    ),
    Case("supply lost", _AIR, _fault("line", _F.SUPPLY_LOST), (Answer(_M.NO_SUPPLY),)),
    Case(
        "breaker of the heat strips left closed, and the sequencer welded",
        _AIR,
        (Fault("sequencer", _F.WELDED, "M1"),),
        (Answer(_M.LIVE, "heat strip"),),
        left_closed=("strip breaker",),
    ),
)

WALK_IN_COOLER = (
    Case(
        "solenoid valve coil open",
        _COLD,
        _fault("solenoid valve coil", _F.OPEN),
        (Answer(_M.OPEN, "solenoid valve coil"),),
    ),
    Case(
        "thermostat of the box does not call",
        _COLD,
        answers=(Answer(_M.CONTROL_OPEN, "solenoid valve coil"),),
        not_calling=("thermostat",),
    ),
    Case(
        "low pressure control does not close",
        _COLD,
        answers=(Answer(_M.CONTROL_OPEN, "contactor coil"),),
        not_calling=("low pressure control",),
    ),
    Case("defrost heater open", _COLD, _fault("defrost heater", _F.OPEN, "H1"), (Answer(_M.OPEN, "defrost heater"),)),
    Case(
        "defrost heater grounded, 40 kΩ",
        _COLD,
        _fault("defrost heater", _F.GROUNDED, "", 40e3),
        (Answer(_M.GROUNDED, "defrost heater"),),
    ),
    Case(
        "defrost timer motor open",
        _COLD,
        _fault("defrost timer motor", _F.OPEN),
        (Answer(_M.OPEN, "defrost timer motor"),),
    ),
    Case(
        "start capacitor shorted",
        _COLD,
        _fault("start capacitor", _F.SHORTED, "2"),
        (Answer(_M.SHORTED, "start capacitor"),),
    ),
    Case(
        "run capacitor 20 of 25 µF",
        _COLD,
        _fault("run capacitor", _F.DRIFT, "2", 20e-6),
        (Answer(_M.WEAK, "run capacitor"),),
    ),
    Case(
        "start relay coil open",
        _COLD,
        _fault("start relay coil", _F.OPEN),
        (Answer(_M.OPEN, "start relay coil"),),
    ),
    Case(
        "condenser fan winding open",
        _COLD,
        _fault("condenser fan", _F.OPEN, "2"),
        (Answer(_M.NOTHING_FLOWS, "condenser fan"), Answer(_M.OPEN, "condenser fan")),
    ),
    Case(
        "compressor start winding open",
        _COLD,
        _fault("compressor", _F.OPEN, "S"),
        (Answer(_M.OPEN, "start winding…compressor"),),
    ),
    Case(
        "circuit of the defrost heater left on, and the timer in defrost",
        _COLD,
        answers=(Answer(_M.LIVE, "defrost heater"),),
        switches=(("defrost timer", True),),
        left_closed=("heater breaker",),
    ),
    Case(
        "bleed resistor of the start capacitor open, its relay stuck; not discharged",
        _COLD,
        _fault("bleed resistor", _F.OPEN, "1"),
        answers=(Answer(_M.CHARGED, "start capacitor"),),
        faults_while_running=_fault("start relay contacts", _F.OPEN, "1"),
        discharges=False,
    ),
)

INVERTER_UNIT = (
    Case(
        "bleed resistor of the bus open",
        _INVERTER,
        _fault("inverter", _F.BLEED_OPEN),
        (Answer(_M.CHARGED, "bus capacitor"), Answer(_M.LIVE, "bus capacitor")),
    ),
    Case(
        "fuse of the unit open",
        _INVERTER,
        _fault("line fuse", _F.OPEN, "1"),
        (Answer(_M.OPEN, "main fuse"), Answer(_M.NO_SUPPLY)),
    ),
    Case(
        "compressor winding open at W",
        _INVERTER,
        _fault("compressor", _F.OPEN, "W"),
        (Answer(_M.OPEN, "compressor"),),
    ),
    Case(
        "compressor grounded, 30 kΩ",
        _INVERTER,
        _fault("compressor", _F.GROUNDED, "", 30e3),
        (Answer(_M.GROUNDED, "compressor"),),
    ),
    Case(
        "disconnect never opened",
        _INVERTER,
        answers=(Answer(_M.LIVE, "bus capacitor"), Answer(_M.CHARGED, "bus capacitor")),
        left_closed=("disconnect",),
    ),
)

FAULTS = (*SPLIT_CONDENSER, *HEAT_PUMP, *ROOFTOP_UNIT, *AIR_HANDLER, *WALK_IN_COOLER, *INVERTER_UNIT)
