"""``meterlink judge trend``: the drift of a part over its visits, and the dates when it crosses its limits."""

import csv
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from meterlink.cli.judge.dates import parse_date
from meterlink.cli.judge.output import json_number, json_option, print_answer
from meterlink.cli.judge.questions import answer_option, settle
from meterlink.core.clock import utc_nanoseconds
from meterlink.core.errors import InputError
from meterlink.core.replacements import Replacement
from meterlink.core.text import clean_text
from meterlink.core.units import Amount, parse_amount
from meterlink.core.verdicts import Limits
from meterlink.judge.drift.trend import DAYS_PER_YEAR, MAX_VISITS, LimitCrossing, Trend, TrendPoint, fit_trend
from meterlink.judge.drift.trend_text import crossing_sentence, trend_sentences
from meterlink.judge.label.rated_part import DUAL_SECTION_NAMES, RatedPart
from meterlink.judge.label.ratings import read_label
from meterlink.judge.limits import span_limits
from meterlink.plans import make_span

_COLUMNS = {"date", "value", "unit", "meter"}
_LONGEST_LINE = 10_000  # characters; a line of a date, a value, a unit and a name is far shorter


@click.command()
@click.option(
    "--point", "points", multiple=True, metavar="DATE=VALUE", help="One visit: 2025-05-01=45.0uF; repeatable."
)
@click.option("--csv", "file", metavar="FILE", help="Visits from a CSV file with the columns date, value, unit, meter.")
@click.option("--rated", metavar="RATING", help='A capacitor\'s rating: "45 uF 6 %".')
@click.option(
    "--section", type=click.Choice(DUAL_SECTION_NAMES, case_sensitive=False), help="Section of a dual capacitor."
)
@click.option("--low", metavar="VALUE", help="Low limit, 42uF, instead of a rating.")
@click.option("--high", metavar="VALUE", help="High limit, 48uF, instead of a rating.")
@click.option("--on", metavar="DATE", help="Also predict the reading of a visit on that day.")
@click.option("--replaced", multiple=True, metavar="DATE", help="The part was replaced on that day; repeatable.")
@answer_option
@json_option
def trend(
    *,
    points: tuple[str, ...],
    file: str | None,
    rated: str | None,
    section: str | None,
    low: str | None,
    high: str | None,
    on: str | None,
    replaced: tuple[str, ...],
    answer: str | None,
    as_json: bool,
) -> None:
    """Work out whether a part has drifted from visit to visit, and between which dates it crosses its limits.

    \b
        meterlink judge trend --csv visits.csv --low 42uF --high 48uF

    A date is a day (2025-05-01) or a time (2025-05-01T13:00:00Z); without a zone it is UTC. Proof of a drift needs five
    visits or more. Without limits only the slope is shown. A trend starts anew at a replacement: visits before it
    belong to the old part. A rating with several meanings raises a question, as in `judge rating`.

    With --json (slopes in unit per year or per day; null where there are too few visits): answer, has_enough_visits,
    is_significant, unit, visit_count, first_time, last_time, slope_per_year, low_slope_per_year, high_slope_per_year,
    slope_per_day, intercept (at first_time), s, tau, p_value, exact, least_squares_slope_per_year, crossings and
    end_of_life (each side, limit, earliest, expected, latest, already_crossed), forecast (at, value, half_width; null
    without --on), replaced_on (the replacement at which it starts; null without one), visits_before (to the old part)
    and reasons. Times are RFC 3339, UTC.

    \f

    Raises:
        InputError: there are no visits; a visit, the file, the rating or a limit cannot be used.
    """
    visits = [*map(_parse_visit, points), *(_read_csv(file) if file is not None else ())]
    part = settle(None if rated is None else read_label(rated), answer, as_json=as_json)
    limits, end_limits = _parse_limits(part, section, low, high)
    if not visits:
        raise InputError("No visits are given.", "Give each as --point 2025-05-01=45.0uF, or a file with --csv.")
    unit = limits.unit if limits is not None else visits[0][1].unit
    replacements = [Replacement("part", utc_ns=utc_nanoseconds(parse_date(date))) for date in replaced]
    trend_points = [TrendPoint(utc_ns, amount.to(unit), meter) for utc_ns, amount, meter in visits]
    result = fit_trend(trend_points, limits, replacements)
    forecast_date = None if on is None else parse_date(on)
    end_of_life = result.crossings_for(end_limits) if end_limits is not None else ()
    print_answer(
        trend_fields(result, unit, end_of_life, forecast_date),
        _lines(result, unit, end_of_life, forecast_date),
        as_json=as_json,
    )


_Visit = tuple[int, Amount, str]  # (ns since 1970 UTC, value, meter)


def _parse_visit(text: str) -> _Visit:
    date, equals, value = text.partition("=")
    if not equals:
        raise InputError(f"{text!r} is not a visit.", "Write it as 2025-05-01=45.0uF.")
    return utc_nanoseconds(parse_date(date)), parse_amount(value), ""


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
                    remedy = "Keep one accepted reading per visit."
                    raise InputError(f"{file} has more than {MAX_VISITS} visits.", remedy)
    except UnicodeDecodeError as error:
        raise InputError(f"{file} is not UTF-8 text.", "Save it as UTF-8.") from error
    except (OSError, ValueError, csv.Error) as error:
        reason = error.strerror if isinstance(error, OSError) else error
        raise InputError(f"{file!r} cannot be read: {reason}.", "Give a CSV file.") from error


def _parse_row(row: dict[str | Any, str | Any], location: str) -> _Visit:
    if None in row or row["date"] is None or row["value"] is None:
        raise InputError(f"{location} has too many or too few fields.", "Correct that line.")
    try:
        amount = parse_amount(f"{row['value']} {row.get('unit') or ''}".strip())
        return utc_nanoseconds(parse_date(row["date"])), amount, clean_text(row.get("meter"))
    except InputError as error:
        raise InputError(f"{location}: {error.message}", error.remedy) from error


def _parse_limits(
    part: RatedPart | None, section: str | None, low: str | None, high: str | None
) -> tuple[Limits | None, Limits | None]:
    """Return ``(limits, end_of_life)``: a run capacitor has failed outside ``end_of_life``; None without limits.

    Raises:
        InputError: a rating and limits are both given, or a value cannot be used.
    """
    if part is None:
        if section is not None:
            raise InputError("--section needs a rating.", "Give --rated as well.")
        span = make_span(*(None if text is None else parse_amount(text) for text in (low, high)))
        return (None if span is None else span_limits(span)), None
    if low is not None or high is not None:
        raise InputError("A rating and limits are both given.", "Give either --rated, or --low and --high.")
    index = _section_index(part, section)
    end_of_life = part.end_of_life_limits()
    return part.limits()[index], end_of_life[index] if end_of_life else None


def _section_index(part: RatedPart, section: str | None) -> int:
    if len(part.sections) == 2 and section is None:
        raise InputError(f"{part} has two sections.", f"Add --section {' or --section '.join(DUAL_SECTION_NAMES)}.")
    if section is None:
        return 0
    if len(part.sections) != 2:
        raise InputError(f"{part} has no section {section}.", "Leave --section out.")
    return DUAL_SECTION_NAMES.index(section)


def trend_fields(
    result: Trend, unit: str, end_of_life: tuple[LimitCrossing, ...] = (), forecast_date: datetime | None = None
) -> dict[str, Any]:
    """Return a trend as JSON; the keys are documented in the command's help."""
    answer, *reasons = trend_sentences(result, unit)
    low, high = (None if slope is None else slope * DAYS_PER_YEAR for slope in (result.low_slope, result.high_slope))
    line = result.least_squares
    return {
        "answer": answer,
        "has_enough_visits": result.has_enough_visits,
        "is_significant": result.is_significant,
        "unit": unit,
        "visit_count": result.visit_count,
        "first_time": _time_text(result.first_time),
        "last_time": _time_text(result.last_time),
        "slope_per_year": json_number(result.slope_per_year, places=6),
        "low_slope_per_year": json_number(low, places=6),
        "high_slope_per_year": json_number(high, places=6),
        "slope_per_day": json_number(result.slope, places=9),
        "intercept": json_number(result.intercept, places=6),
        "s": result.mann_kendall.s,
        "tau": json_number(result.mann_kendall.tau, places=6),
        "p_value": json_number(result.mann_kendall.p_value, places=9),
        "exact": result.mann_kendall.exact,
        "least_squares_slope_per_year": None if line is None else json_number(line.slope * DAYS_PER_YEAR, places=6),
        "crossings": [_crossing_fields(crossing) for crossing in result.crossings],
        "end_of_life": [_crossing_fields(crossing) for crossing in end_of_life],
        "forecast": _forecast_fields(result, forecast_date),
        "replaced_on": None if result.replaced_on is None else _time_text(result.replaced_on),
        "visits_before": result.visits_before,
        "reasons": reasons,
    }


def _crossing_fields(crossing: LimitCrossing) -> dict[str, Any]:
    dates = {name: getattr(crossing, name) for name in ("earliest", "expected", "latest")}
    return {
        "side": crossing.side,
        "limit": json_number(crossing.limit),
        **{name: None if moment is None else _time_text(moment) for name, moment in dates.items()},
        "already_crossed": crossing.already_crossed,
    }


def _forecast_fields(result: Trend, forecast_date: datetime | None) -> dict[str, Any] | None:
    expected = None if forecast_date is None else result.forecast(forecast_date)
    if forecast_date is None or expected is None:
        return None
    value, half_width = expected
    return {
        "at": _time_text(forecast_date),
        "value": json_number(value, places=6),
        "half_width": json_number(half_width, places=6),
    }


def _lines(
    result: Trend, unit: str, end_of_life: tuple[LimitCrossing, ...], forecast_date: datetime | None
) -> list[str]:
    lines = list(trend_sentences(result, unit))
    lines += [crossing_sentence(crossing, unit, "IEC 60252-1 failure limit") for crossing in end_of_life]
    if forecast_date is not None:
        expected = result.forecast(forecast_date)
        if expected is None:
            lines.append(f"Too few visits to predict a reading on {forecast_date.date()}.")
        else:
            value, half_width = expected
            lines.append(f"A visit on {forecast_date.date()} should read {value:.4g} ± {half_width:.2g} {unit} (95 %).")
    return lines


def _time_text(moment: datetime) -> str:
    return moment.isoformat(timespec="seconds").replace("+00:00", "Z")
