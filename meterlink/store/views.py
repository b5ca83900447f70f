"""Views of the tables in words, for a person who opens the database with a tool of their own."""


def time_text(column: str) -> str:
    """Return SQL for the RFC 3339 text, in UTC with µs, of a column in ns since 1970; NULL for NULL."""
    second = f"strftime('%Y-%m-%dT%H:%M:%S', {column} / 1000000000, 'unixepoch')"
    return f"{second} || printf('.%06dZ', {column} / 1000 % 1000000)"


_time = time_text

# The digits as the display showed them: the point is put back, and zeros before it.
_DIGITS = """
        CASE
            WHEN typeof(r.digits) <> 'integer' OR s.places = 0 THEN CAST(r.digits AS TEXT)
            ELSE substr('-', 1, r.digits < 0)
                || substr(printf('%0*d', s.places + 1, abs(r.digits)), 1,
                    length(printf('%0*d', s.places + 1, abs(r.digits))) - s.places)
                || '.' || substr(printf('%0*d', s.places + 1, abs(r.digits)), -s.places)
        END"""
_MICROSECONDS = "(s.first_utc_ns + r.utc_offset_us * 1000)"

# The columns of a display, which a correction has, too.
_DISPLAY = (
    "quantity", "digits", "unit", "value", "status", "coupling", "resolution", "low_battery", "display_hold",
    "relative",
)  # fmt: skip


def _present(column: str, name: str = "") -> str:
    """Return SQL for the present value of a column: that of the correction ``k``, if the reading ``a`` has one."""
    return f"CASE WHEN k.id IS NULL THEN a.{column} ELSE k.{column} END AS {name or column}"


def _first(column: str, name: str = "") -> str:
    """Return SQL for the value that was accepted, where there is a correction; else NULL."""
    return f"CASE WHEN k.id IS NOT NULL THEN a.{column} END AS first_{name or column}"


_PRESENT = ", ".join(map(_present, _DISPLAY))
_FIRST = ", ".join(map(_first, _DISPLAY))

VIEWS = (
    # Accepted readings with their present displays: the newest correction's, where a packet was decoded again. The
    # columns first_… then have the display that was accepted; they are NULL without a correction.
    f"""CREATE VIEW current_readings AS
    SELECT a.id, a.uid, a.raw_reading_id, a.visit_id, a.point_id, a.utc_ns, a.monotonic_ns, a.clock_set, {_PRESENT},
        a.settled_in, a.assigned_utc_ns, {_FIRST}, k.uid AS correction_uid, k.utc_ns AS corrected_utc_ns,
        k.driver AS correction_driver, k.profile AS correction_profile, k.profile_hash AS correction_profile_hash,
        k.technician AS correction_technician, k.software AS correction_software
    FROM accepted_readings a
    LEFT JOIN corrections k ON k.id = (SELECT MAX(id) FROM corrections WHERE accepted_id = a.id)""",  # noqa: S608  # constants only
    # Raw readings. A condition on visit_uid, visit_id, point_id or id finds them without a scan.
    f"""CREATE VIEW readings AS
    SELECT r.id,
        {_time(_MICROSECONDS)} AS at,
        m.name AS meter, v.uid AS visit_uid, p.key AS point, s.quantity,{_DIGITS} AS digits,
        s.unit, r.digits * s.base_factor / s.base_divisor + s.base_offset AS value, s.status, s.coupling, s.resolution,
        s.low_battery, s.display_hold, s.relative, s.clock_set, s.channel, r.packet, c.driver, c.profile,
        c.profile_hash, b.boot_id AS boot, {_MICROSECONDS} AS utc_ns,
        s.first_monotonic_ns + (r.utc_offset_us + r.clock_shift_us) * 1000 AS monotonic_ns,
        s.connection_id, c.meter_id, s.visit_id, s.point_id
    FROM stretches s
    JOIN raw_readings r ON r.stretch_id = s.id
        AND r.id BETWEEN s.first_reading_id AND ifnull(s.last_reading_id, 9223372036854775807)
    JOIN connections c ON c.id = s.connection_id
    JOIN boots b ON b.id = c.boot
    JOIN meters m ON m.id = c.meter_id
    LEFT JOIN visits v ON v.id = s.visit_id
    LEFT JOIN test_points p ON p.id = s.point_id""",  # noqa: S608  # constants only
    # Accepted readings, each with all its verdicts, and with the display that was judged; current is 1 for the newest.
    f"""CREATE VIEW verdict_history AS
    SELECT a.id, a.uid, {_time("a.utc_ns")} AS at, s.name AS site, u.name AS unit, v.uid AS visit_uid,
        ci.name AS circuit, co.name AS component, co.section, p.key AS point,
        p.terminal_a || '–' || p.terminal_b AS terminals, {_present("quantity")}, {_present("digits")},
        {_present("unit", "unit_symbol")}, {_present("value")}, {_present("status")}, {_present("coupling")},
        j.verdict, j.margin, j.limits_low AS low, j.limits_high AS high, j.limits_unit,
        j.limits_basis, j.deviation_percent, j.expanded_uncertainty, j.probability, j.prior, j.rating, j.rule,
        j.accuracy, j.calibration, j.reason, j.next_measurement,
        json_extract(j.question, '$.question') AS question, j.answer, {_time("j.judged_utc_ns")} AS judged_at,
        j.id = (SELECT MAX(id) FROM verdicts WHERE accepted_id = a.id) AS current, m.name AS meter, a.settled_in,
        a.clock_set, {_time("a.assigned_utc_ns")} AS assigned_at, b.station, j.software, a.raw_reading_id,
        (SELECT CASE voided WHEN 1 THEN reason END FROM voids WHERE accepted_id = a.id ORDER BY id DESC LIMIT 1)
            AS void_reason,
        {_time("k.utc_ns")} AS decoded_again_at, {_first("digits")}, {_first("unit", "unit_symbol")},
        {_first("value")}, {_first("status")}, k.driver AS correction_driver, k.profile AS correction_profile,
        k.profile_hash AS correction_profile_hash, k.technician AS correction_technician
    FROM accepted_readings a
    JOIN verdicts j ON j.accepted_id = a.id
    LEFT JOIN corrections k ON k.id = (
        SELECT MAX(id) FROM corrections WHERE accepted_id = a.id AND (utc_ns <= j.judged_utc_ns
            OR j.id = (SELECT MAX(id) FROM verdicts WHERE accepted_id = a.id))
    )
    JOIN raw_readings r ON r.id = a.raw_reading_id
    JOIN stretches st ON st.id = r.stretch_id
    JOIN connections c ON c.id = st.connection_id
    JOIN boots b ON b.id = c.boot
    JOIN meters m ON m.id = c.meter_id
    JOIN visits v ON v.id = a.visit_id
    JOIN test_points p ON p.id = a.point_id
    JOIN components co ON co.id = p.component_id
    JOIN circuits ci ON ci.id = co.circuit_id
    JOIN units u ON u.id = v.unit_id
    JOIN sites s ON s.id = u.site_id""",  # noqa: S608  # constants only
    # Accepted readings, each with its current verdict.
    "CREATE VIEW history AS SELECT * FROM verdict_history WHERE current",
    f"""CREATE VIEW visit_list AS
    SELECT v.id, v.uid, {_time("v.opened_utc_ns")} AS opened, {_time("v.closed_utc_ns")} AS closed, s.name AS site,
        u.name AS unit, v.plan, v.answers, b.station, v.active, v.outcome, v.power_on, v.covers_on, v.technician,
        v.job
    FROM visits v
    JOIN units u ON u.id = v.unit_id
    JOIN sites s ON s.id = u.site_id
    JOIN boots b ON b.id = v.boot""",  # noqa: S608  # constants only
    # Parts swapped, without the swaps that were undone.
    f"""CREATE VIEW replacement_list AS
    SELECT r.id, r.uid, {_time("r.utc_ns")} AS at, s.name AS site, u.name AS unit, v.uid AS visit_uid, r.circuit,
        r.component, r.sections, r.old_rating, r.new_rating
    FROM replacements r
    JOIN visits v ON v.id = r.visit_id
    JOIN units u ON u.id = v.unit_id
    JOIN sites s ON s.id = u.site_id
    WHERE r.undone_utc_ns IS NULL""",  # noqa: S608  # constants only
    f"""CREATE VIEW connection_list AS
    SELECT c.id, m.name AS meter, m.address, {_time("c.connected_utc_ns")} AS connected,
        {_time("c.ended_utc_ns")} AS ended, c.end_reason, c.driver, c.profile, c.profile_hash, b.boot_id AS boot
    FROM connections c
    JOIN meters m ON m.id = c.meter_id
    JOIN boots b ON b.id = c.boot""",  # noqa: S608  # constants only
    f"""CREATE VIEW gap_list AS
    SELECT g.id, m.name AS meter, g.cause, {_time("g.began_utc_ns")} AS began, {_time("g.ended_utc_ns")} AS ended,
        (g.ended_monotonic_ns - g.began_monotonic_ns) / 1e9 AS seconds, g.lost, g.connection_id
    FROM gaps g
    JOIN connections c ON c.id = g.connection_id
    JOIN meters m ON m.id = c.meter_id""",  # noqa: S608  # constants only
    f"""CREATE VIEW clock_step_list AS
    SELECT k.id, {_time("k.before_utc_ns")} AS before, {_time("k.after_utc_ns")} AS after, k.step_ns / 1e9 AS seconds,
        b.boot_id AS boot
    FROM clock_steps k
    JOIN boots b ON b.id = k.boot""",  # noqa: S608  # constants only
)
