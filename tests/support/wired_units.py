"""Wired units for the simulated bench, as a technician meets them. Every value is invented."""

from typing import Any

from meterlink.core.readings import Coupling
from meterlink.core.units import Quantity
from meterlink_simulators.bench import Bench, TrueValue
from meterlink_simulators.components import Component, Leg, Star
from meterlink_simulators.inverter import Inverter, inverter_motor
from meterlink_simulators.mains import mains
from meterlink_simulators.motors import SinglePhaseMotor, ThreePhaseMotor, single_phase_motor, three_phase_motor
from meterlink_simulators.probes import TerminalPair
from meterlink_simulators.switchgear import Pole, Switch, coil, contactor, fuse
from meterlink_simulators.transformer import Transformer
from meterlink_simulators.wiring import Wire

V, A, R, C, HZ = (
    Quantity.VOLTAGE,
    Quantity.CURRENT,
    Quantity.RESISTANCE,
    Quantity.CAPACITANCE,
    Quantity.FREQUENCY,
)


def wires(text: str) -> list[Wire]:
    """Return the wires in ``text``: one a line, ``component.terminal - component.terminal``."""
    return [Wire(*line.strip().split(" - ")) for line in text.strip().splitlines()]


def read(bench: Bench, place: str, quantity: Quantity, now: float, coupling: Coupling = Coupling.AC) -> TrueValue:
    """Return the true value at ``place``: ``component.terminal - component.terminal``."""
    first, second = (end.strip().rpartition(".") for end in place.split(" - "))
    pair = TerminalPair(first[0], first[2], second[2], "" if second[0] in {"", first[0]} else second[0])
    return bench.true_value(pair, quantity, now, coupling)


def value(bench: Bench, place: str, quantity: Quantity, now: float, coupling: Coupling = Coupling.AC) -> float:
    """Return the number that `read` finds; it finds one."""
    number = read(bench, place, quantity, now, coupling).value
    assert number is not None
    return number


def resistor(name: str, ohms: float) -> Star:
    """Return a resistor with the terminals 1 and 2."""
    return Star(name, "load", {"1": Leg(ohms=ohms), "2": Leg()})


def compressor(**changes: float) -> SinglePhaseMotor:
    """Return the compressor of the split condenser."""
    numbers: dict[str, Any] = {
        "main_ohms": 0.6,
        "start_ohms": 2.2,
        "amps": 15.0,
        "locked_amps": 80.0,
        "farads": 45e-6,
        "ground_ohms": 5e8,
    }
    return single_phase_motor("compressor", "compressor", **numbers | changes)


def scroll(**changes: float) -> ThreePhaseMotor:
    """Return the compressor of the rooftop unit."""
    numbers: dict[str, Any] = {
        "ohms": 0.8,
        "amps": 20.0,
        "locked_amps": 150.0,
        "rated_volts": 208.0,
        "ground_ohms": 5e8,
    }
    return three_phase_motor("compressor", "compressor", **numbers | changes)


SPLIT_WIRES = """
    line.L1 - disconnect.L1
    line.L2 - disconnect.L2
    disconnect.T1 - contactor.L1
    disconnect.T2 - contactor.L2
    contactor.L1 - crankcase heater.1
    contactor.L2 - crankcase heater.2
    contactor.L1 - transformer.240
    contactor.L2 - transformer.COM
    transformer.R - thermostat.R
    thermostat.Y - pressure control.1
    pressure control.2 - contactor coil.A1
    contactor coil.A2 - transformer.C
    contactor.T1 - compressor.C
    contactor.T2 - compressor.R
    contactor.T2 - run capacitor.C
    run capacitor.HERM - compressor.S
    contactor.T1 - condenser fan.C
    contactor.T2 - condenser fan.R
    run capacitor.FAN - condenser fan.S
"""


def split_condenser(impedance: complex = 0.03, motor: SinglePhaseMotor | None = None) -> Bench:
    """Return a split condenser with a single-pole contactor: L2 goes through a bar."""
    parts: list[Component] = [
        mains("line", "supply", "split phase", 240.0, impedance=impedance),
        Switch("disconnect", "supply", (Pole("L1", "T1"), Pole("L2", "T2")), closed=True),
        Transformer("transformer", "control 24 V", {"208": 208.0, "240": 240.0}),
        Switch("thermostat", "control 24 V", (Pole("R", "Y"),), closed=True),
        Switch("pressure control", "control 24 V", (Pole("1", "2"),), closed=True),
        coil("contactor coil", "control 24 V", ("A1", "A2"), 12.0, henries=0.05),
        contactor("contactor", "compressor", {"L1": "T1"}, "contactor coil", bars={"L2": "T2"}),
        Star(
            "run capacitor",
            "compressor",
            {"C": Leg(), "HERM": Leg(ohms=0.05, farads=45e-6), "FAN": Leg(ohms=0.05, farads=5e-6)},
        ),
        motor or compressor(),
        single_phase_motor(
            "condenser fan",
            "condenser fan",
            main_ohms=35.0,
            start_ohms=55.0,
            amps=1.2,
            locked_amps=2.4,
            farads=5e-6,
            start_share=0.25,
            breakdown=5.0,
            has_protector=False,
        ),
        resistor("crankcase heater", 1000.0),
    ]
    return Bench(parts, wires=wires(SPLIT_WIRES))


START_KIT_WIRES = """
    compressor.R - start capacitor.1
    start capacitor.2 - start relay contacts.1
    start relay contacts.2 - compressor.S
    start capacitor.1 - bleed resistor.1
    start capacitor.2 - bleed resistor.2
    start relay coil.2 - compressor.S
    start relay coil.5 - compressor.C
"""


def start_kit_unit() -> Bench:
    """Return a compressor that needs twice the torque that its run capacitor gives, with its start kit."""
    parts: list[Component] = [
        mains("line", "supply", "split phase", 240.0, impedance=0.03),
        Switch("contactor", "compressor", (Pole("L1", "T1"), Pole("L2", "T2")), closed=True),
        compressor(start_share=2.0),
        Star("run capacitor", "compressor", {"C": Leg(), "HERM": Leg(ohms=0.05, farads=45e-6)}),
        Star("start capacitor", "compressor", {"1": Leg(), "2": Leg(ohms=0.1, farads=100e-6)}),
        resistor("bleed resistor", 15e3),
        coil("start relay coil", "compressor", ("5", "2"), 3000.0, henries=12.0, pull_in=220.0, drop_out=90.0),
        Switch(
            "start relay contacts",
            "compressor",
            (Pole("1", "2", 0.02),),
            coil="start relay coil",
            closed=True,
            rests_closed=True,
        ),
    ]
    return Bench(
        parts,
        wires=wires("""
            line.L1 - contactor.L1
            line.L2 - contactor.L2
            contactor.T1 - compressor.C
            contactor.T2 - compressor.R
            contactor.T2 - run capacitor.C
            run capacitor.HERM - compressor.S
        """)
        + wires(START_KIT_WIRES),
    )


def rooftop(motor: ThreePhaseMotor | None = None, impedance: complex = 0.01) -> Bench:
    """Return a three-phase rooftop unit on a 208 V wye supply; its contactor is closed by hand."""
    parts: list[Component] = [
        mains("line", "supply", "wye", 208.0, impedance=impedance),
        Transformer("transformer", "control 24 V", {"208": 208.0, "240": 240.0}),
        Switch("thermostat", "control 24 V", (Pole("R", "Y"),), closed=True),
        coil("contactor coil", "control 24 V", ("A1", "A2"), 8.0, henries=0.04),
        contactor("contactor", "compressor", {"L1": "T1", "L2": "T2", "L3": "T3"}, "contactor coil"),
        motor or scroll(),
    ]
    return Bench(
        parts,
        wires=wires("""
            line.L1 - contactor.L1
            line.L2 - contactor.L2
            line.L3 - contactor.L3
            contactor.T1 - compressor.T1
            contactor.T2 - compressor.T2
            contactor.T3 - compressor.T3
            line.L1 - transformer.208
            line.L2 - transformer.COM
            transformer.R - thermostat.R
            thermostat.Y - contactor coil.A1
            contactor coil.A2 - transformer.C
        """),
    )


def inverter_unit() -> Bench:
    """Return an inverter with its compressor on a 240 V supply without impedance."""
    parts: list[Component] = [
        mains("line", "supply", "split phase", 240.0, impedance=0.0),
        Inverter("inverter", "compressor"),
        inverter_motor("compressor", "compressor", ohms=1.0),
    ]
    return Bench(
        parts,
        wires=wires("""
            line.L1 - inverter.L1
            line.L2 - inverter.L2
            inverter.U - compressor.U
            inverter.V - compressor.V
            inverter.W - compressor.W
        """),
    )


def air_handler() -> Bench:
    """Return an air handler with two heat strips behind a sequencer, and a float switch in the control circuit."""
    parts: list[Component] = [
        mains("line", "supply", "split phase", 240.0, impedance=0.0),
        Transformer("transformer", "control 24 V", {"240": 240.0}),
        Switch("float switch", "control 24 V", (Pole("1", "2"),), closed=True),
        Switch("thermostat", "control 24 V", (Pole("R", "W"),), closed=True),
        coil("sequencer heater", "control 24 V", ("H1", "H2"), 100.0),
        Switch("sequencer", "heat strips", (Pole("M1", "M2"), Pole("M3", "M4")), coil="sequencer heater", seconds=30.0),
        resistor("heat strip 1", 11.52),
        resistor("heat strip 2", 11.52),
        fuse("control fuse", "control 24 V", ("1", "2"), 5.0),
    ]
    return Bench(
        parts,
        wires=wires("""
            line.L1 - transformer.240
            line.L2 - transformer.COM
            transformer.R - control fuse.1
            control fuse.2 - float switch.1
            float switch.2 - thermostat.R
            thermostat.W - sequencer heater.H1
            sequencer heater.H2 - transformer.C
            line.L1 - sequencer.M1
            line.L1 - sequencer.M3
            sequencer.M2 - heat strip 1.1
            sequencer.M4 - heat strip 2.1
            heat strip 1.2 - line.L2
            heat strip 2.2 - line.L2
        """),
    )


def walk_in() -> Bench:
    """Return the evaporator fans of a walk-in cooler, and a compressor behind its two pressure controls."""
    fans = [
        single_phase_motor(
            f"evaporator fan {number}",
            "evaporator",
            main_ohms=40.0,
            amps=0.6,
            locked_amps=1.0,
            rated_volts=120.0,
            power_factor=0.6,
            start_share=0.2,
            breakdown=5.0,
            terminals=("1", "2"),
        )
        for number in (1, 2)
    ]
    parts: list[Component] = [
        mains("line", "supply", "line and neutral", 120.0, impedance=0.0),
        Switch("low pressure control", "control", (Pole("1", "2"),), closed=True),
        Switch("high pressure control", "control", (Pole("1", "2"),), closed=True),
        coil("contactor coil", "control", ("A1", "A2"), 300.0, henries=1.2, rated_volts=120.0),
        contactor("contactor", "compressor", {"L1": "T1"}, "contactor coil"),
        resistor("load", 20.0),
        *fans,
    ]
    return Bench(
        parts,
        wires=wires("""
            line.L1 - evaporator fan 1.1
            line.N - evaporator fan 1.2
            line.L1 - evaporator fan 2.1
            line.N - evaporator fan 2.2
            line.L1 - low pressure control.1
            low pressure control.2 - high pressure control.1
            high pressure control.2 - contactor coil.A1
            contactor coil.A2 - line.N
            line.L1 - contactor.L1
            contactor.T1 - load.1
            load.2 - line.N
        """),
    )
