"""The bands a single reading is held against: supply, control, contactor, contacts, amps.

Each function returns limits for `meterlink.judge.judging.judge`. Exact Decimals; the boundary is within.
"""

import re
from decimal import ROUND_HALF_EVEN, Decimal
from enum import StrEnum

from meterlink.core.errors import InputError
from meterlink.core.units import Amount, convert, parse_number, parse_unit
from meterlink.core.verdicts import Limits

# ANSI C84.1 nominal service voltages in V, from memory but for 120 and 240.
SERVICE_VOLTAGES = tuple(Decimal(volts) for volts in (120, 208, 240, 277, 480, 600))

# AHRI 210/240 tests equipment at ±10 % of its nameplate voltage (from memory); makers state the same.
NAMEPLATE_TOLERANCE = Decimal(10)  # %
# Ratings further apart than this are two ways to wire a motor (230/460), not one range (208/230). Common practice,
# no source: marked ranges span up to 15 % or so, reconnections start at √3.
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

# Percent of nameplate amps still accepted. Common practice, no source: up to the nameplate, not above.
MAX_NAMEPLATE_PERCENT = Decimal(100)


class ServiceRange(StrEnum):
    """ANSI C84.1: A is where a service should be; B is tolerated for a limited time, and to be corrected."""

    A = "A"
    B = "B"


class CoilTest(StrEnum):
    """Which of a contactor's two voltages is meant."""

    PICK_UP = "pick-up"
    DROP_OUT = "drop-out"


def service_voltage_limits(nominal: Amount, service_range: ServiceRange) -> Limits:
    """Return the ANSI C84.1 band of service voltage around ``nominal``; InputError for a nominal it does not know.

    Range A is 95 to 105 %. Range B is 110 to 127 V on the 120 V base (from memory), scaled and rounded to whole volts
    as the standard's table is.
    """
    volts = nominal.to("V")
    if volts not in SERVICE_VOLTAGES:
        known = ", ".join(f"{each:f}" for each in SERVICE_VOLTAGES)
        raise InputError(
            f"{nominal} is no service voltage of ANSI C84.1.", f"Use one of {known} V, or --nameplate for equipment."
        )
    if service_range is ServiceRange.A:
        low, high = volts * Decimal("0.95"), volts * Decimal("1.05")
    else:
        low, high = ((volts * end / 120).quantize(Decimal(1), ROUND_HALF_EVEN) for end in (Decimal(110), Decimal(127)))
    return Limits(low, high, "V", f"{volts:f} V service, ANSI C84.1 Range {service_range}", volts)


_NAMEPLATE = re.compile(r"(?P<first>[0-9.]+)\s*[A-Za-z]*\s*[/-]\s*(?P<rest>[0-9.]+\s*[A-Za-z]*)", re.ASCII)


def nameplate_voltage_limits(text: str, tolerance: Decimal = NAMEPLATE_TOLERANCE) -> Limits:
    """Return ± ``tolerance`` percent around a nameplate voltage, ``230V`` or a range such as ``208/230``.

    The band of a range runs from the lower rating's low end to the higher one's high end: 187.2 to 253.0 V. InputError
    for anything else, for two ratings so far apart that they are two ways to wire it, and for a tolerance that is not
    above 0 and below 100 %.
    """
    if not 0 < tolerance < 100:
        raise InputError(f"A tolerance of {tolerance:f} % cannot be used.", "Give one as 10 %.")
    match = _NAMEPLATE.fullmatch(text.strip())
    ratings = sorted(_volts(part) for part in ((match["first"], match["rest"]) if match else (text,)))
    low, high = ratings[0], ratings[-1]
    if low <= 0:
        raise InputError(f"A nameplate voltage of {low:f} V cannot be.", "Write what is printed: 208/230.")
    if high > low * _WIDEST_RANGE_RATIO:
        raise InputError(
            f"{low:f} and {high:f} V are two ways to wire it, not one range.", "Give the voltage it is wired for."
        )
    name = f"{low:f} V" if low == high else f"{low:f}/{high:f} V"
    return Limits(
        low * (100 - tolerance) / 100,
        high * (100 + tolerance) / 100,
        "V",
        f"nameplate {name} ±{tolerance:f} %",
        low if low == high else None,
    )


def _volts(text: str) -> Decimal:
    number, unit = parse_number(text)
    return convert(number, parse_unit(unit or "V"), "V")


def coil_voltage_limits(rated: Amount, test: CoilTest, *, dc: bool = False) -> Limits:
    """Return the band of coil voltage in which a contactor must pull in, or must have dropped out.

    IEC 60947-4-1 and NEMA ICS 2, from memory: pick-up at 85 to 110 % of the rated coil voltage; drop-out at 20 to 75 %
    for AC and 10 to 75 % for DC coils.
    """
    if rated.digits <= 0:
        raise InputError(f"A coil rated {rated} cannot be.", "Write what is printed on the coil: 24V.")
    if test is CoilTest.PICK_UP:
        low, high = PICK_UP_PERCENT
    else:
        low, high = DROP_OUT_DC_PERCENT if dc else DROP_OUT_AC_PERCENT
    return Limits(
        rated.digits * low / 100,
        rated.digits * high / 100,
        rated.unit,
        f"{rated} {'DC' if dc else 'AC'} coil, {test} {low:f} to {high:f} %",
        rated.digits if test is CoilTest.PICK_UP else None,
    )


def control_voltage_limits(nominal: Amount) -> Limits:
    """Return the band of a Class 2 control supply: what a contactor needs (85 %) up to what Class 2 allows (30 V).

    InputError for a nominal that is not above zero or whose 85 % is beyond Class 2. An unloaded 24 V transformer reads
    27 V and more (common practice, no source), so 110 % is no limit here: it is one at the coil.
    """
    low = coil_voltage_limits(nominal, CoilTest.PICK_UP).low
    bottom = convert(low or Decimal(0), nominal.unit, "V")
    if bottom > CLASS_2_VOLTS:
        raise InputError(f"{nominal} is no Class 2 control voltage.", "Use `supply` for it.")
    basis = f"{nominal} Class 2 control, 85 % to {CLASS_2_VOLTS:f} V"
    return Limits(bottom, CLASS_2_VOLTS, "V", basis, nominal.to("V"))


def contact_drop_limits(maximum: Amount = DEFAULT_CONTACT_DROP) -> Limits:
    """Return the most volts across closed contacts; InputError when it is not above zero."""
    if maximum.digits <= 0:
        raise InputError(f"A limit of {maximum} accepts nothing.", "Give the most volts accepted: 0.2V.")
    return Limits(None, maximum.digits, maximum.unit, "the limit for closed contacts")


def nameplate_current_limits(rated: Amount, name: str, max_percent: Decimal = MAX_NAMEPLATE_PERCENT) -> Limits:
    """Return the most amps by a nameplate current called ``name`` (RLA, FLA): ``most`` percent of it.

    RLA is a rating the maker derives from the protector's trip current (UL 60335-2-40, from memory), not what the
    compressor draws on a mild day: well below it is normal. InputError when either is not above zero.
    """
    if rated.digits <= 0 or max_percent <= 0:
        raise InputError(f"{name} {rated} at {max_percent:f} % accepts nothing.", "Write what is printed: 14.1A.")
    return Limits(
        None,
        rated.digits * max_percent / 100,
        rated.unit,
        f"{name} {rated}" if max_percent == 100 else f"{max_percent:f} % of {name} {rated}",
        rated.digits,
    )
