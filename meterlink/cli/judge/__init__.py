"""``meterlink judge``: judge a reading typed in on the command line."""

import click

from meterlink.cli.lazy_group import LazyCommand, lazy_group

_COMMANDS = {
    "capacitor": LazyCommand("meterlink.cli.judge.parts", "capacitor", "A section of a run capacitor, by its rating."),
    "coil": LazyCommand("meterlink.cli.judge.parts", "coil", "A coil's resistance, by two limits or by its rating."),
    "amps": LazyCommand("meterlink.cli.judge.motors", "amps", "Running amps, by RLA or FLA."),
    "combine": LazyCommand("meterlink.cli.judge.capacitors", "combine", "Capacitors in series and in parallel."),
    "conformity": LazyCommand(
        "meterlink.cli.judge.conformity", "conformity", "The probability of being within limits, for any quantity."
    ),
    "contactor": LazyCommand("meterlink.cli.judge.volts", "contactor", "Pick-up or drop-out volts at a coil."),
    "contacts": LazyCommand("meterlink.cli.judge.volts", "contacts", "Volts across closed contacts."),
    "control": LazyCommand("meterlink.cli.judge.volts", "control", "A Class 2 control voltage."),
    "diagnosis": LazyCommand(
        "meterlink.cli.judge.diagnosis", "diagnosis", "The likely causes behind readings in a file."
    ),
    "discharge": LazyCommand(
        "meterlink.cli.judge.capacitors", "discharge", "How long a capacitor takes to bleed down."
    ),
    "heater": LazyCommand("meterlink.cli.judge.heater", "heater", "A heater's ohms or amps, by its watts and volts."),
    "insulation": LazyCommand("meterlink.cli.judge.motors", "insulation", "A winding's resistance to ground."),
    "rating": LazyCommand("meterlink.cli.judge.rating", "rating", "A capacitor's label, spelled out with its limits."),
    "reference-resistance": LazyCommand(
        "meterlink.cli.judge.motors", "reference_resistance", "A winding's resistance at a reference temperature."
    ),
    "replacement": LazyCommand("meterlink.cli.judge.replacement", "replacement", "Which part on the truck fits."),
    "risk": LazyCommand("meterlink.cli.judge.conformity", "risk", "How often a decision rule errs over many parts."),
    "split": LazyCommand("meterlink.cli.judge.temperature_split", "split", "Return air minus supply air temperature."),
    "supply": LazyCommand("meterlink.cli.judge.volts", "supply", "A supply voltage, by service or by nameplate."),
    "trend": LazyCommand("meterlink.cli.judge.trend", "trend", "Drift over visits, and the date it crosses a limit."),
    "unbalance": LazyCommand("meterlink.cli.judge.motors", "unbalance_command", "Three voltages or three currents."),
    "under-load": LazyCommand(
        "meterlink.cli.judge.capacitors", "under_load", "A running capacitor, by its amps and volts."
    ),
    "winding-temperature": LazyCommand(
        "meterlink.cli.judge.motors",
        "winding_temperature_command",
        "A winding's temperature, by its cold and hot resistance.",
    ),
    "windings": LazyCommand("meterlink.cli.judge.motors", "windings", "C, S and R from three readings; opens, shorts."),
}


@click.group(cls=lazy_group(_COMMANDS))
def command() -> None:
    """Judge one reading against a rating or against limits.

    A reading on a limit is within. Exit status 0 for any verdict, 2 for unusable input, 3 for a question that is still
    to be answered (--answer).
    """
