"""Limits of a single reading: supply, control, contactor coil, contacts, amps.

Each function returns limits for `meterlink.judge.judging.judge`, as exact Decimals; the boundary is within.
"""

import re
from collections.abc import Iterable
from dataclasses import replace
from decimal import ROUND_HALF_EVEN, Decimal
from enum import StrEnum

from meterlink.core.equipment import MarkedVoltage, VoltageBand
from meterlink.core.errors import InputError
from meterlink.core.units import Amount, Quantity, convert, parse_amount
from meterlink.core.verdicts import Limits

# ANSI C84.1 nominal service voltages in V, from memory but for 120 and 240.
SERVICE_VOLTAGES = tuple(Decimal(volts) for volts in (120, 208, 240, 277, 480, 600))

# AHRI 210/240 tests equipment at ±10 % of its nameplate voltage (from memory); makers state the same.
NAMEPLATE_TOLERANCE = Decimal(10)  # %
# ANSI C84.1 pairs each system voltage with the rating of the equipment that runs on it, in V (from memory): equipment
# for a 240 V service is marked 230 V. For 208 V it is 200 V for motors; air conditioners are marked 208/230 V and count
# from 208 V (AHRI 110 and makers' sheets, from memory).
UTILIZATION_RATINGS = {
    Decimal(120): Decimal(115),
    Decimal(240): Decimal(230),
    Decimal(277): Decimal(265),
    Decimal(480): Decimal(460),
    Decimal(600): Decimal(575),
}
# Ratings further apart than this ratio are two ways to wire a motor (230/460), not one range (208/230). Common
# practice, no source: marked ranges span up to 15 % or so, reconnections start at √3.
_WIDEST_RANGE_RATIO = Decimal("1.25")

# IEC 60947-4-1 and NEMA ICS 2, from memory: in percent of the rated coil voltage.
PICK_UP_PERCENT = (Decimal(85), Decimal(110))
DROP_OUT_AC_PERCENT = (Decimal(20), Decimal(75))
DROP_OUT_DC_PERCENT = (Decimal(10), Decimal(75))

# NEC chapter 9, table 11(A), from memory: a Class 2 source gives at most 30 V and 100 VA.
CLASS_2_VOLTS = Decimal(30)
CLASS_2_VOLT_AMPERES = Decimal(100)

# Volts across closed contacts at load. Common practice, no source: sound contacts drop some tens of millivolts; at
# 0.2 V and 20 A they make 4 W of heat.
DEFAULT_CONTACT_DROP = Amount(Decimal("0.2"), "V")

# Highest accepted percent of the nameplate amps. Common practice, no source.
MAX_NAMEPLATE_PERCENT = Decimal(100)


class ServiceRange(StrEnum):
    """ANSI C84.1: service voltage belongs in range A; range B is tolerated for a limited time until corrected."""

    A = "A"
    B = "B"


class CoilTest(StrEnum):
    """The two tests of a contactor coil."""

    PICK_UP = "pick-up"
    DROP_OUT = "drop-out"


def service_voltage_limits(nominal: Amount, service_range: ServiceRange) -> Limits:
    """Return the ANSI C84.1 limits of service voltage around ``nominal``, in V.

    Range A is 95 to 105 %. Range B is 110 to 127 V on the 120 V base (from memory), scaled and rounded to whole volts
    like the table of the standard.

    Raises:
        InputError: ``nominal`` is not one of `SERVICE_VOLTAGES`.
    """
    volts = nominal.to("V")
    if volts not in SERVICE_VOLTAGES:
        known = ", ".join(f"{listed:f}" for listed in SERVICE_VOLTAGES)
        raise InputError(
            f"{nominal} is not a service voltage of ANSI C84.1.", f"Use one of {known} V, or --nameplate for equipment."
        )
    if service_range is ServiceRange.A:
        low, high = volts * Decimal("0.95"), volts * Decimal("1.05")
    else:
        low, high = ((volts * end / 120).quantize(Decimal(1), ROUND_HALF_EVEN) for end in (Decimal(110), Decimal(127)))
    return Limits(low, high, "V", f"{volts:f} V service, ANSI C84.1 Range {service_range}", volts)


_NAMEPLATE = re.compile(r"(?P<first>[0-9.]+)\s*[A-Za-z]*\s*[/-]\s*(?P<rest>[0-9.]+\s*[A-Za-z]*)", re.ASCII)


def nameplate_voltage_limits(text: str, tolerance: Decimal = NAMEPLATE_TOLERANCE) -> Limits:
    """Return ± ``tolerance`` percent around a nameplate voltage, ``230V`` or a range such as ``208/230``.

    The limits of a range run from the low end of the lower rating to the high end of the higher: 187.2 to 253.0 V.

    Raises:
        InputError: the text is not a voltage above zero, two ratings are so far apart that they are two ways to wire
            the motor, or the tolerance is not above 0 and below 100 %.
    """
    if not 0 < tolerance < 100:
        raise InputError(f"The tolerance {tolerance:f} % is not between 0 and 100 %.", "Give one as 10 %.")
    low, high = parse_voltage_range(text)
    return _limits_around(low, high, tolerance, f"nameplate {_range_name(low, high)} ±{tolerance:f} %")


def _ends_of_range(ratings: Iterable[Decimal]) -> tuple[Decimal, Decimal]:
    ordered = sorted(ratings)
    low, high = ordered[0], ordered[-1]
    if low <= 0:
        raise InputError(f"The rated voltage {low:f} V is not above zero.", "Write the printed value: 208/230.")
    if high > low * _WIDEST_RANGE_RATIO:
        raise InputError(
            f"{low:f} and {high:f} V are two ways to wire it, not one range.", "Give the voltage it is wired for."
        )
    return low, high


def _range_name(low: Decimal, high: Decimal) -> str:
    return f"{low:f} V" if low == high else f"{low:f}/{high:f} V"


def _limits_around(low: Decimal, high: Decimal, tolerance: Decimal, basis: str) -> Limits:
    bottom, top = low * (100 - tolerance) / 100, high * (100 + tolerance) / 100
    return Limits(bottom, top, "V", basis, low if low == high else None)


def marked_voltage_limits(marked: MarkedVoltage) -> Limits:
    """Return the limits that a marked voltage stands for, in V; the basis names their source.

    - supply: ±10 % around the rating of equipment on that service (`UTILIZATION_RATINGS`; a voltage that is no service
      of that list counts as the rating itself). 208 V: 187.2 to 228.8 V; 230 or 240 V: 207 to 253 V; 208/230 V: both.
    - coil: the pick-up band, 85 to 110 % (`coil_voltage_limits`).
    - control: 85 % to 30 V (`control_voltage_limits`).

    Raises:
        InputError: a voltage is not above zero, two voltages are two ways to wire the motor or are not for a supply, or
            there is no such control voltage.
    """
    if marked.band is VoltageBand.SUPPLY:
        return _supply_limits(marked.volts)
    if len(marked.volts) != 1:
        listed = " and ".join(f"{volts:f}" for volts in marked.volts)
        raise InputError(f"{listed} V are two voltages; a coil has one.", "Write the voltage it works on: 24 V.")
    rated = Amount(marked.volts[0], "V")
    if marked.band is VoltageBand.CONTROL:
        return control_voltage_limits(rated)
    low, high = PICK_UP_PERCENT
    limits = coil_voltage_limits(rated, CoilTest.PICK_UP)
    return replace(limits, basis=f"{rated} coil, {low:f} to {high:f} % by IEC 60947-4-1")


def _supply_limits(volts: tuple[Decimal, ...]) -> Limits:
    marked = _ends_of_range(volts)
    low, high = _ends_of_range(UTILIZATION_RATINGS.get(service, service) for service in marked)
    rated = "" if (low, high) == marked else f"rated {_range_name(low, high)} "
    basis = f"{_range_name(*marked)} supply, {rated}±{NAMEPLATE_TOLERANCE:f} % by AHRI 210/240"
    return _limits_around(low, high, NAMEPLATE_TOLERANCE, basis)


def parse_voltage_range(text: str) -> tuple[Decimal, Decimal]:
    """Return the lower and the higher of the printed volts: ``230V`` twice, ``208/240 V`` as they are.

    Raises:
        InputError: the text is not a voltage above zero, or two ratings are so far apart that they are two ways to wire
            a part.
    """
    match = _NAMEPLATE.fullmatch(text.strip())
    return _ends_of_range(_volts(part) for part in ((match["first"], match["rest"]) if match else (text,)))


def _volts(text: str) -> Decimal:
    return parse_amount(text, Quantity.VOLTAGE, unit="V").to("V")


def coil_voltage_limits(rated: Amount | str, test: CoilTest, *, dc: bool = False) -> Limits:
    """Return the limits of coil voltage between which a contactor must pull in, or drop out; in V for a text.

    ``rated`` is an amount, or the marking on the coil: ``24 V``, ``208/240V``. IEC 60947-4-1 and NEMA ICS 2, from
    memory: pick-up at 85 to 110 % of the rated coil voltage; drop-out at 20 to 75 % for AC and 10 to 75 % for DC coils.
    Of a range, 85 % of its lower value and 110 % of its higher one; 20 or 10 % of the higher and 75 % of the lower.

    Raises:
        InputError: ``rated`` is not above zero, is no voltage, or is two ways to wire a coil.
    """
    if isinstance(rated, str):
        lower, higher = parse_voltage_range(rated)
        unit, name = "V", f"{'/'.join(dict.fromkeys((f'{lower:f}', f'{higher:f}')))} V"
    else:
        lower = higher = rated.digits
        unit, name = rated.unit, str(rated)
    if lower <= 0:
        raise InputError(f"The coil rating {rated} is not above zero.", "Write the value printed on the coil: 24V.")
    if test is CoilTest.PICK_UP:
        low, high = PICK_UP_PERCENT
        edges = lower * low / 100, higher * high / 100
    else:
        low, high = DROP_OUT_DC_PERCENT if dc else DROP_OUT_AC_PERCENT
        edges = higher * low / 100, lower * high / 100
    basis = f"{name} {'DC' if dc else 'AC'} coil, {test} {low:f} to {high:f} %"
    return Limits(*edges, unit, basis, lower if test is CoilTest.PICK_UP and lower == higher else None)


def control_voltage_limits(nominal: Amount) -> Limits:
    """Return the limits of a Class 2 control supply in V: from 85 % (the pick-up of a contactor) to 30 V (Class 2).

    An unloaded 24 V transformer reads 27 V and more (common practice, no source), so 110 % is a limit at the coil only.

    Raises:
        InputError: ``nominal`` is not above zero, or 85 % of it is above 30 V.
    """
    pick_up = coil_voltage_limits(nominal, CoilTest.PICK_UP).low
    low = convert(pick_up or Decimal(0), nominal.unit, "V")
    if low > CLASS_2_VOLTS:
        raise InputError(f"{nominal} is not a Class 2 control voltage.", "Use `supply` for it.")
    basis = f"{nominal} Class 2 control, 85 % to {CLASS_2_VOLTS:f} V"
    return Limits(low, CLASS_2_VOLTS, "V", basis, nominal.to("V"))


def contact_drop_limits(maximum: Amount = DEFAULT_CONTACT_DROP) -> Limits:
    """Return the limit of the volts across closed contacts.

    Raises:
        InputError: ``maximum`` is not above zero.
    """
    if maximum.digits <= 0:
        raise InputError(f"The limit {maximum} is not above zero.", "Give the highest accepted volts: 0.2V.")
    return Limits(None, maximum.digits, maximum.unit, "the limit for closed contacts")


def nameplate_current_limits(rated: Amount, name: str, max_percent: Decimal = MAX_NAMEPLATE_PERCENT) -> Limits:
    """Return the limit of amps by a nameplate current called ``name`` (RLA, FLA): ``max_percent`` percent of it.

    The maker derives RLA from the protector's trip current (UL 60335-2-40, from memory). A compressor draws less on a
    mild day: a reading well below it is normal.

    Raises:
        InputError: ``rated`` or ``max_percent`` is not above zero.
    """
    if rated.digits <= 0 or max_percent <= 0:
        raise InputError(
            f"The limit of {max_percent:f} % of {name} {rated} is not above zero.", "Write the printed value: 14.1A."
        )
    return Limits(
        None,
        rated.digits * max_percent / 100,
        rated.unit,
        f"{name} {rated}" if max_percent == 100 else f"{max_percent:f} % of {name} {rated}",
        rated.digits,
    )
