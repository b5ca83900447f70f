"""The two sentences of a report, for the visits that a technician makes most.

The reasoning in each test is common practice, no source: a customer must be able to hold the bill against them.
"""

from dataclasses import replace

from meterlink.core.outcomes import Outcome
from meterlink.core.verdicts import Verdict
from meterlink.diagnosis.causes import Cause, CauseKind, Confidence
from meterlink.record.report import make_report
from support.visit_records import make_record


def sentences(*read: tuple[str, str], **more: object) -> tuple[str, str]:
    report = make_report(make_record(*read, **more))  # type: ignore[arg-type]
    return report.found, report.done


def test_a_capacitor_replaced_and_proven() -> None:
    # The old section was weak, the new one reads within. The customer pays for that and for no more.
    read = (("line", "236.1 V"), ("herm", "38.2 uF"), ("fan", "5.01 uF"), ("herm", "45.3 uF"), ("fan", "5.02 uF"))
    found, done = sentences(*read, replaced={"run capacitor": 3})
    assert found == (
        "We measured 3 test points: the run capacitor HERM read 38.2 µF, outside its limits of 42.3 to 47.7 µF; "
        "2 are within their limits."
    )
    assert done == (
        "We replaced the run capacitor, and the new one reads 45.3 µF and 5.02 µF, within its limits; "
        "the technician left the unit as repaired."
    )


def test_no_fault_found() -> None:
    assert sentences(("line", "236.1 V"), ("herm", "45.1 uF"), outcome=Outcome.NO_FAULT_FOUND) == (
        "We measured 2 test points: all are within their limits.",
        "No fault was found at these test points.",
    )


def test_no_fault_found_against_a_reading_outside_is_said() -> None:
    # An outcome never hides a reading: 38 of 45 µF is a fault under any outcome.
    _, done = sentences(("herm", "38.2 uF"), outcome=Outcome.NO_FAULT_FOUND)
    assert done == (
        "The visit was closed as 'no fault found', against the readings; "
        "the run capacitor HERM is still outside its limits."
    )


def test_a_repair_that_was_declined() -> None:
    found, done = sentences(("herm", "38.2 uF"), ("line", "236.1 V"), outcome=Outcome.DECLINED)
    assert "38.2 µF, outside its limits of 42.3 to 47.7 µF" in found
    assert done == "The repair was declined, and none was made; the run capacitor HERM is still outside its limits."


def test_a_part_to_fetch_after_another_was_replaced() -> None:
    read = (("herm", "38.2 uF"), ("coil", "4.1 ohm"), ("herm", "45.3 uF"), ("fan", "5.02 uF"))
    _, done = sentences(*read, replaced={"run capacitor": 2}, outcome=Outcome.PART_TO_FETCH)
    assert done == (
        "We replaced the run capacitor, and the new one reads 45.3 µF and 5.02 µF, within its limits; "
        "a part is still to be fetched, and the work is not finished; the contactor coil is still outside its limits."
    )


def test_a_stop_comes_with_the_findings() -> None:
    # Voltage where ohms were wanted: a reader of the report must not miss the warning among the numbers.
    record = make_record(("winding", "3.4 ohm"), outcome=None)
    title = "voltage at the motor, C–S, which should be isolated"
    stop = Cause("r", title, CauseKind.STOP, Confidence.LIKELY, 3, (), (), "", "", frozenset())
    found = make_report(replace(record, diagnosis=replace(record.diagnosis, causes=(stop,)))).found
    assert found.endswith(f" Before anything else: {title}.")


def test_a_new_part_that_nobody_read_proves_nothing() -> None:
    _, done = sentences(("herm", "38.2 uF"), replaced={"run capacitor": 1})
    assert done.startswith("We replaced the run capacitor, but no reading proves the new one yet;")


def test_one_section_of_the_new_part_unread_proves_nothing() -> None:
    # Both sections were read before; a dual capacitor is proven by both.
    read = (("herm", "38.2 uF"), ("fan", "4.9 uF"), ("herm", "45.3 uF"))
    _, done = sentences(*read, replaced={"run capacitor": 2})
    assert "and the new one reads 45.3 µF, within its limits, but not all of it is proven by a reading" in done


def test_a_new_part_that_is_outside_as_well() -> None:
    _, done = sentences(("herm", "38.2 uF"), ("herm", "39.0 uF"), replaced={"run capacitor": 1})
    assert "but the new one reads 39.0 µF, outside its limits" in done
    assert "the run capacitor HERM is still outside its limits" in done


def test_a_part_against_the_rules_is_not_simply_called_good() -> None:
    # 35 µF in place of 45 reads within its own marking, and starves the compressor all the same.
    record = make_record(("herm", "38.2 uF"), ("herm", "45.3 uF"), ("fan", "5.02 uF"), replaced={"run capacitor": 1})
    objected = [stored._replace(objection="35 µF is no replacement for 45 µF.") for stored in record.replacements]
    report = make_report(replace(record, replacements=objected))
    assert "within its limits; its marking is not one that may replace the old part's" in report.done
    assert report.replaced[0].objection == "Fitted all the same, against this: 35 µF is no replacement for 45 µF."


def test_a_close_call_is_never_called_sound_or_failed() -> None:
    # 42.2 of at least 42.3 µF is outside, by less than any usual meter is sure of.
    found, _ = sentences(("herm", "42.2 uF"), ("fan", "4.72 uF"))
    assert "so little that the meter's own error could be the reason" in found
    assert "1 is within its limits, but too close to them for the meter to be sure" in found


def test_open_and_nothing_measured() -> None:
    assert "the contactor coil reads open, so no current passes it" in sentences(("coil", "OL Mohm"))[0]
    assert sentences(outcome=None) == ("Nothing was measured at this visit.", "The visit is not closed yet.")


def test_a_meter_that_shows_nothing_is_no_proof_of_no_voltage() -> None:
    # 0.0 V on the line is a finding, and may be a lead, a fuse or a meter: it is never put as "no voltage".
    record = make_record(("line", "0.0 V"))
    row = record.rows[0]
    nothing = row._replace(judgement=replace(row.judgement, verdict=Verdict.NOTHING_FLOWS, margin=None))
    found = make_report(replace(record, rows=[nothing])).found
    assert found == "We measured 1 test point: the meter showed nothing at the line, where something should flow."


def test_a_reading_that_decides_nothing_is_named() -> None:
    # The customer is not told that a part is sound because nothing is known against it.
    record = make_record(("line", "236.1 V"), ("herm", "38 uF"))
    unclear = [replace(row.judgement, verdict=Verdict.CANNOT_TELL, margin=None) for row in record.rows[1:]]
    rows = [record.rows[0], record.rows[1]._replace(judgement=unclear[0])]
    found = make_report(replace(record, rows=rows)).found
    assert found == (
        "We measured 2 test points: 1 is within its limits; no verdict is possible yet on the run capacitor HERM."
    )


def test_points_that_were_not_tested_stand_together_under_their_reason() -> None:
    (line,) = make_report(make_record(("line", "236.1 V"))).untested_lines
    assert line == (
        "No reason was recorded: compressor: run capacitor HERM, C–HERM, capacitance; condenser fan: run capacitor "
        "FAN, C–FAN, capacitance; control: contactor coil, A1–A2, resistance; compressor: compressor motor, C–S, "
        "resistance."
    )


def test_a_voided_reading_is_no_finding() -> None:
    record = make_record(("herm", "38.2 uF"), ("line", "236.1 V"), outcome=Outcome.NO_FAULT_FOUND)
    voided = replace(record, rows=[record.rows[0]._replace(void_reason="probe on the wrong terminal"), record.rows[1]])
    report = make_report(voided)
    assert report.found == "We measured 1 test point: it is within its limits."
    assert report.done == "No fault was found at these test points."
    assert "voided, it counts nowhere: probe on the wrong terminal" in report.readings[0].remarks
    assert ("compressor: run capacitor HERM", "its reading was voided, and none was taken after it") in [
        (point.part, point.reason) for point in report.untested
    ]
