"""``meterlink judge trend``: has a part drifted over its visits, and when does it cross its limit."""

import csv
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from meterlink.cli.judge.output import json_number, json_option, print_answer
from meterlink.core.errors import InputError
from meterlink.core.text import clean_text
from meterlink.core.units import Amount, parse_amount
from meterlink.core.verdicts import Limits
from meterlink.judge.drift.trend import DAYS_PER_YEAR, MAX_VISITS, LimitCrossing, Trend, TrendPoint, fit_trend
from meterlink.judge.drift.trend_text import crossing_sentence, trend_sentences
from meterlink.judge.label.rated_part import DUAL_SECTION_NAMES, RatedPart
from meterlink.judge.label.ratings import parse_rating
from meterlink.judge.limits import span_limits
from meterlink.plans import make_span

_COLUMNS = {"date", "value", "unit", "meter"}
_LONGEST_LINE = 10_000  # characters; a line of two values and two names is far shorter


@click.command()
@click.option("--point", "points", multiple=True, metavar="DATE=VALUE", help="One visit: 2025-05-01=45.0uF. Repeat it.")
@click.option("--csv", "file", metavar="FILE", help="Visits from a CSV file with the columns date, value, unit, meter.")
@click.option("--rated", metavar="RATING", help='A capacitor\'s rating: "45 uF 6 %".')
@click.option(
    "--section", type=click.Choice(DUAL_SECTION_NAMES, case_sensitive=False), help="Section of a dual capacitor."
)
@click.option("--low", metavar="VALUE", help="Low limit, instead of a rating.")
@click.option("--high", metavar="VALUE", help="High limit, instead of a rating.")
@click.option("--on", metavar="DATE", help="Also say what a visit on that day should read.")
@json_option
def trend(
    points: tuple[str, ...],
    file: str | None,
    rated: str | None,
    section: str | None,
    low: str | None,
    high: str | None,
    on: str | None,
    as_json: bool,  # noqa: FBT001
) -> None:
    """Say whether a part has drifted from visit to visit, and between which dates it crosses its limits.

    A date is a day (2025-05-01) or a time (2025-05-01T13:00:00Z); without a zone it is UTC. Five visits are the fewest
    that can prove a drift. Limits may be left out: then only the slope is said.

    With --json (slopes in unit per year, per_day in unit per day; null where there are too few visits): answer, enough,
    shown, unit, visits, first, last, slope, slope_low, slope_high, slope_per_day, intercept (at first), s, tau, p,
    exact, least_squares_slope, crossings and end_of_life (each edge, limit, earliest, expected, latest, crossed),
    forecast (at, value, plus_minus; null without --on) and reasons. Times are RFC 3339, UTC.
    """
    visits = [*map(_parse_visit, points), *(_read_csv(file) if file is not None else ())]
    limits, end = _parse_limits(rated, section, low, high)
    if not visits:
        raise InputError("No visits are given.", "Give each as --point 2025-05-01=45.0uF, or a file with --csv.")
    unit = limits.unit if limits is not None else visits[0][1].unit
    found = fit_trend([TrendPoint(at, amount.to(unit), meter) for at, amount, meter in visits], limits)
    ahead = None if on is None else _parse_date(on)
    ends = found.crossings_for(end) if end is not None else ()
    print_answer(trend_fields(found, unit, ends, ahead), _lines(found, unit, ends, ahead), as_json=as_json)


_Visit = tuple[int, Amount, str]  # ns since 1970 UTC, what was read, with which meter


def _parse_visit(text: str) -> _Visit:
    date, equals, value = text.partition("=")
    if not equals:
        raise InputError(f"{text!r} is no visit.", "Write it as 2025-05-01=45.0uF.")
    return _utc_ns(_parse_date(date)), parse_amount(value), ""


def _parse_date(text: str) -> datetime:
    try:
        moment = datetime.fromisoformat(text.strip())
        return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)
    except (ValueError, OverflowError) as error:
        raise InputError(f"{text.strip()!r} is no date.", "Write it as 2025-05-01 or 2025-05-01T13:00:00Z.") from error


def _utc_ns(moment: datetime) -> int:
    since_1970 = moment - datetime(1970, 1, 1, tzinfo=UTC)
    # Whole numbers all the way: timestamp() is a float and would be off by hundreds of nanoseconds.
    return (since_1970.days * 86_400 + since_1970.seconds) * 1_000_000_000 + since_1970.microseconds * 1000


def _read_csv(file: str) -> Iterator[_Visit]:
    try:
        with Path(file).open(encoding="utf-8-sig", newline="") as lines:
            rows = csv.DictReader((line[:_LONGEST_LINE] for line in lines), strict=True)
            columns = set(rows.fieldnames or ())
            if not {"date", "value"} <= columns <= _COLUMNS:
                raise InputError(
                    f"{file} has the columns {', '.join(map(repr, rows.fieldnames or ['none']))}.",
                    "It needs date and value, and may have unit and meter.",
                )
            for row in rows:
                yield _parse_row(row, f"{file}, line {rows.line_num}")
                if rows.line_num > 2 * MAX_VISITS:
                    raise InputError(f"{file} has more than {MAX_VISITS} visits.", "Keep one held reading per visit.")
    except UnicodeDecodeError as error:
        raise InputError(f"{file} is not UTF-8 text.", "Save it as UTF-8.") from error
    except (OSError, ValueError, csv.Error) as error:
        words = error.strerror if isinstance(error, OSError) else error
        raise InputError(f"{file!r} cannot be read: {words}.", "Give a CSV file.") from error


def _parse_row(row: dict[str | Any, str | Any], where: str) -> _Visit:
    if None in row or row["date"] is None or row["value"] is None:
        raise InputError(f"{where} does not have as many fields as there are columns.", "Mend that line.")
    try:
        amount = parse_amount(f"{row['value']} {row.get('unit') or ''}".strip())
        return _utc_ns(_parse_date(row["date"])), amount, clean_text(row.get("meter"))
    except InputError as error:
        raise InputError(f"{where}: {error.message}", error.remedy) from error


def _parse_limits(
    rated: str | None, section: str | None, low: str | None, high: str | None
) -> tuple[Limits | None, Limits | None]:
    """Return what is marked, and for a run capacitor how far it may drift before it counts as failed."""
    if rated is None:
        if section is not None:
            raise InputError("--section belongs to a rating.", "Give --rated as well.")
        span = make_span(*(None if text is None else parse_amount(text) for text in (low, high)))
        return (None if span is None else span_limits(span)), None
    if low is not None or high is not None:
        raise InputError("A rating and limits are given together.", "Give either --rated, or --low and --high.")
    part = parse_rating(rated)
    place = _section_index(part, section)
    ends = part.end_of_life_limits()
    return part.limits()[place], ends[place] if ends else None


def _section_index(part: RatedPart, section: str | None) -> int:
    if len(part.sections) == 2 and section is None:
        raise InputError(f"{part} has two sections.", f"Add --section {' or --section '.join(DUAL_SECTION_NAMES)}.")
    if section is None:
        return 0
    if len(part.sections) != 2:
        raise InputError(f"{part} has no section {section}.", "Leave --section out.")
    return DUAL_SECTION_NAMES.index(section)


def trend_fields(
    found: Trend, unit: str, end_of_life: tuple[LimitCrossing, ...] = (), forecast_date: datetime | None = None
) -> dict[str, Any]:
    """Return a trend as JSON; the keys are documented in the command's help."""
    said, *reasons = trend_sentences(found, unit)
    low, high = (None if edge is None else edge * DAYS_PER_YEAR for edge in (found.low_slope, found.high_slope))
    line = found.least_squares
    return {
        "answer": said,
        "enough": found.has_enough_visits,
        "shown": found.is_significant,
        "unit": unit,
        "visits": found.visit_count,
        "first": _time_text(found.first_time),
        "last": _time_text(found.last_time),
        "slope": json_number(found.slope_per_year, places=6),
        "slope_low": json_number(low, places=6),
        "slope_high": json_number(high, places=6),
        "slope_per_day": json_number(found.slope, places=9),
        "intercept": json_number(found.intercept, places=6),
        "s": found.mann_kendall.s,
        "tau": json_number(found.mann_kendall.tau, places=6),
        "p": json_number(found.mann_kendall.p_value, places=9),
        "exact": found.mann_kendall.exact,
        "least_squares_slope": None if line is None else json_number(line.slope * DAYS_PER_YEAR, places=6),
        "crossings": [_crossing_fields(crossing) for crossing in found.crossings],
        "end_of_life": [_crossing_fields(crossing) for crossing in end_of_life],
        "forecast": _forecast_fields(found, forecast_date),
        "reasons": reasons,
    }


def _crossing_fields(crossing: LimitCrossing) -> dict[str, Any]:
    dates = {name: getattr(crossing, name) for name in ("earliest", "expected", "latest")}
    return {
        "edge": crossing.side,
        "limit": json_number(crossing.limit),
        **{name: None if moment is None else _time_text(moment) for name, moment in dates.items()},
        "crossed": crossing.already_crossed,
    }


def _forecast_fields(found: Trend, forecast_date: datetime | None) -> dict[str, Any] | None:
    expected = None if forecast_date is None else found.forecast(forecast_date)
    if forecast_date is None or expected is None:
        return None
    value, half_width = expected
    return {
        "at": _time_text(forecast_date),
        "value": json_number(value, places=6),
        "plus_minus": json_number(half_width, places=6),
    }


def _lines(
    found: Trend, unit: str, end_of_life: tuple[LimitCrossing, ...], forecast_date: datetime | None
) -> list[str]:
    lines = list(trend_sentences(found, unit))
    lines += [crossing_sentence(crossing, unit, "IEC 60252-1 failure limit") for crossing in end_of_life]
    if forecast_date is not None:
        expected = found.forecast(forecast_date)
        if expected is None:
            lines.append(f"Too few visits to say what a visit on {forecast_date.date()} should read.")
        else:
            value, half_width = expected
            lines.append(f"A visit on {forecast_date.date()} should read {value:.4g} ± {half_width:.2g} {unit} (95 %).")
    return lines


def _time_text(moment: datetime) -> str:
    return moment.isoformat(timespec="seconds").replace("+00:00", "Z")
