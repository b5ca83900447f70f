"""``meterlink judge``: judge a reading typed in on the command line."""

import click

from meterlink.cli.lazy_group import LazyCommand, lazy_group

_CAPACITORS, _COILS, _MOTORS = "Capacitors", "Volts, coils and heaters", "Motors"
_MACHINE, _QUANTITY = "The whole machine", "Any quantity"
_COMMANDS = {
    "capacitor": LazyCommand(
        "meterlink.cli.judge.parts", "capacitor", "A section of a run capacitor, by its rating.", _CAPACITORS
    ),
    "rating": LazyCommand(
        "meterlink.cli.judge.rating", "rating", "A capacitor's label, spelled out with its limits.", _CAPACITORS
    ),
    "replacement": LazyCommand(
        "meterlink.cli.judge.replacement", "replacement", "Which part on the truck fits.", _CAPACITORS
    ),
    "under-load": LazyCommand(
        "meterlink.cli.judge.capacitors", "under_load", "A running capacitor, by its amps and volts.", _CAPACITORS
    ),
    "combine": LazyCommand(
        "meterlink.cli.judge.capacitors", "combine", "Capacitors in series and in parallel.", _CAPACITORS
    ),
    "discharge": LazyCommand(
        "meterlink.cli.judge.capacitors", "discharge", "How long a capacitor takes to bleed down.", _CAPACITORS
    ),
    "coil": LazyCommand(
        "meterlink.cli.judge.parts", "coil", "A coil's resistance, by two limits or by its rating.", _COILS
    ),
    "contactor": LazyCommand("meterlink.cli.judge.volts", "contactor", "Pick-up or drop-out volts at a coil.", _COILS),
    "contacts": LazyCommand("meterlink.cli.judge.volts", "contacts", "Volts across closed contacts.", _COILS),
    "control": LazyCommand("meterlink.cli.judge.volts", "control", "A Class 2 control voltage.", _COILS),
    "supply": LazyCommand(
        "meterlink.cli.judge.volts", "supply", "A supply voltage, by service or by nameplate.", _COILS
    ),
    "heater": LazyCommand(
        "meterlink.cli.judge.heater", "heater", "A heater's ohms or amps, by its watts and volts.", _COILS
    ),
    "windings": LazyCommand(
        "meterlink.cli.judge.motors", "windings", "C, S and R from three readings; opens, shorts.", _MOTORS
    ),
    "insulation": LazyCommand("meterlink.cli.judge.motors", "insulation", "A winding's resistance to ground.", _MOTORS),
    "amps": LazyCommand("meterlink.cli.judge.motors", "amps", "Running amps, by RLA or FLA.", _MOTORS),
    "unbalance": LazyCommand(
        "meterlink.cli.judge.motors", "unbalance_command", "Three voltages or three currents.", _MOTORS
    ),
    "winding-temperature": LazyCommand(
        "meterlink.cli.judge.motors",
        "winding_temperature_command",
        "A winding's temperature, by its cold and hot resistance.",
        _MOTORS,
    ),
    "reference-resistance": LazyCommand(
        "meterlink.cli.judge.motors",
        "reference_resistance",
        "A winding's resistance at a reference temperature.",
        _MOTORS,
    ),
    "split": LazyCommand(
        "meterlink.cli.judge.temperature_split", "split", "Return air minus supply air temperature.", _MACHINE
    ),
    "trend": LazyCommand(
        "meterlink.cli.judge.trend", "trend", "Drift over visits, and the date it crosses a limit.", _MACHINE
    ),
    "diagnosis": LazyCommand(
        "meterlink.cli.judge.diagnosis", "diagnosis", "The likely causes behind readings in a file.", _MACHINE
    ),
    "conformity": LazyCommand(
        "meterlink.cli.judge.conformity",
        "conformity",
        "The probability of being within limits, for any quantity.",
        _QUANTITY,
    ),
    "risk": LazyCommand(
        "meterlink.cli.judge.conformity", "risk", "How often a decision rule errs over many parts.", _QUANTITY
    ),
}


@click.group(cls=lazy_group(_COMMANDS))
def command() -> None:
    """Judge one reading against a rating or against limits.

    A reading on a limit is within. Exit status 0 for any verdict, 2 for unusable input, 3 for a question that is still
    to be answered (--answer).
    """
