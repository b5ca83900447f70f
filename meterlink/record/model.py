"""A report on a visit as plain texts and numbers, ready for any form: HTML, PDF, Markdown, JSON.

Every text that a form shows is a field here, or a `Label`: a form adds no sentence and no figure of its own.
"""

from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from meterlink.diagnosis.causes import RepairOutcome


class Label(StrEnum):
    """The fixed words of a report: headings, heads of columns, names of facts."""

    TITLE = "Service report"
    FOUND_AND_DONE = "What was found and done"
    REPLACED = "Replaced parts"
    BEFORE = "Before"
    AFTER = "After"
    READINGS = "Readings"
    PART = "Part"
    TERMINALS = "Terminals"
    MEASURED = "Measured"
    LIMITS = "Limits"
    SCALE = "On the scale"
    VERDICT = "Verdict"
    LEGEND = "✓ within its limits; ✗ outside; ≈ too close to a limit for this meter to be sure; ? not decided"
    DETAILS = "Each reading in full"
    BASIS = "Limits from"
    DOUBT = "Doubt"
    REASON = "Reason"
    METER = "Meter"
    ACCURACY = "Accuracy"
    CALIBRATION = "Calibration"
    RULE = "Decision rule"
    TIME = "Time"
    STATE = "Circuit"
    REMARKS = "Remarks"
    NEXT = "Next measurement"
    DERIVED = "Derived from several readings"
    MISSING = "Missing"
    CAUSES = "What the readings point to"
    FOR = "For"
    AGAINST = "Against"
    CAUTION = "Caution"
    UNTESTED = "Not tested"
    LEFT = "How the unit was left"
    PROOFS = "Proof of the meter on a known source"
    NOTES = "Notes"
    UNIT = "The unit"
    PHOTOS = "Photos"
    CAUTIONS = "Cautions"
    LIMITATIONS = "What this report does not say"
    MADE = "How it was made"
    SEAL = "Seal"
    SITE = "Site"
    CUSTOMER = "Customer"
    ADDRESS = "Address"
    MACHINE = "Unit"
    VISIT = "Visit"
    JOB = "Job"
    TECHNICIAN = "Technician"
    OPENED = "Begun"
    CLOSED = "Closed"
    OUTCOME = "Outcome"
    PLAN = "Plan"


_CUSTOMERS_FACTS = frozenset({Label.CUSTOMER, Label.ADDRESS, Label.OPENED, Label.OUTCOME, Label.JOB, Label.TECHNICIAN})


class Voice(StrEnum):
    """For whom a report is written."""

    CUSTOMER = "customer"
    TECHNICAL = "technical"


class Mark(StrEnum):
    """The mark before the word of a verdict; its meaning never rests on a colour."""

    GOOD = "✓"
    BAD = "✗"
    CLOSE = "≈"
    UNDECIDED = "?"


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture: ``name`` of its file; ``data_uri`` holds it whole, empty where ``remark`` says why it is left out."""

    name: str
    data_uri: str = ""
    remark: str = ""


@dataclass(frozen=True, slots=True)
class Fact:
    """A named text: ``Refrigerant``, ``R-410A``."""

    name: str
    text: str


@dataclass(frozen=True, slots=True)
class EarlierVerdictEntry:
    """A verdict that a later one has replaced."""

    time: str
    verdict: str
    reason: str


@dataclass(frozen=True, slots=True)
class ReadingEntry:
    """An accepted reading; ``uid`` names it across stations.

    ``limits`` are the limits in words, ``low``, ``high`` and ``value`` the numbers of its scale in ``unit`` (None: an
    open side, no number), ``scale`` describes that scale. ``expanded_uncertainty`` (in ``unit``) and ``probability``
    (0 to 1, of being within) are the numbers behind ``doubt``. ``remarks`` say whether it was voided (``counts`` is
    then false), is of the old part, was assigned later, was judged again, was typed in, or has an uncertain time.
    """

    uid: str
    point: str
    part: str
    circuit: str
    terminals: str
    text: str
    limits: str
    verdict: str
    mark: Mark
    counts: bool
    of_old_part: bool
    low: Decimal | None
    high: Decimal | None
    value: Decimal | None
    unit: str
    scale: str
    basis: str
    doubt: str
    expanded_uncertainty: Decimal | None
    probability: float | None
    reason: str
    next_measurement: str
    meter: str
    accuracy: str
    calibration: str
    rule: str
    time: str
    time_utc: str
    state: str
    remarks: tuple[str, ...]
    earlier: tuple[EarlierVerdictEntry, ...]

    @property
    def details(self) -> tuple[Fact, ...]:
        """All that is to be said of it, under its labels."""
        facts = (
            Fact(Label.VERDICT, self.verdict),
            Fact(Label.REASON, self.reason),
            Fact(Label.LIMITS, self.limits),
            Fact(Label.BASIS, self.basis),
            Fact(Label.DOUBT, self.doubt),
            Fact(Label.NEXT, self.next_measurement),
            Fact(Label.METER, self.meter),
            Fact(Label.ACCURACY, self.accuracy),
            Fact(Label.CALIBRATION, self.calibration),
            Fact(Label.RULE, self.rule),
            Fact(Label.TIME, self.time),
            Fact(Label.STATE, self.state),
        )
        return tuple(fact for fact in facts if fact.text)

    @property
    def is_on_scale(self) -> bool:
        """Whether it has a number and a limit to be drawn with."""
        return self.value is not None and not (self.low is None and self.high is None)


@dataclass(frozen=True, slots=True)
class BeforeAndAfter:
    """The readings of the test point ``key`` before and after a replacement; None where there is none.

    ``outcome`` says whether the new part's reading proves the repair; None where nothing was read, or the part
    was replaced again.
    """

    key: str
    part: str
    terminals: str
    before: ReadingEntry | None
    after: ReadingEntry | None
    before_text: str
    after_text: str
    outcome: RepairOutcome | None
    conclusion: str


@dataclass(frozen=True, slots=True)
class ReplacedPart:
    """A part that was replaced; ``uid`` is that of the replacement.

    ``ratings`` says from which rating to which, ``fitted`` when it was fitted and where the new part is from.
    ``objection`` is that of the rules against the new part, which was fitted all the same; empty for none.
    ``is_there``: it was not replaced again.
    """

    uid: str
    part: str
    circuit: str
    old_rating: str
    new_rating: str
    ratings: str
    fitted: str
    objection: str
    time: str
    is_there: bool
    points: tuple[BeforeAndAfter, ...]


@dataclass(frozen=True, slots=True)
class DerivedEntry:
    """A result worked out of several readings."""

    title: str
    value: str
    verdict: str
    mark: Mark
    text: str
    basis: str
    missing: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class CauseEntry:
    """A cause that the readings point to."""

    title: str
    confidence: str
    evidence_for: tuple[str, ...]
    evidence_against: tuple[str, ...]
    next_measurement: str
    caution: str

    @property
    def evidence(self) -> tuple[Fact, ...]:
        """The evidence, the next measurement and its caution, under their labels."""
        facts = (
            *(Fact(Label.FOR, text) for text in self.evidence_for),
            *(Fact(Label.AGAINST, text) for text in self.evidence_against),
            Fact(Label.NEXT, self.next_measurement),
            Fact(Label.CAUTION, self.caution),
        )
        return tuple(fact for fact in facts if fact.text)


@dataclass(frozen=True, slots=True)
class UntestedPoint:
    """A test point without a reading that counts: ``place`` is where, ``text`` is all of it.

    ``is_expected``: it is not one that is read only where the part is fitted.
    """

    part: str
    terminals: str
    reason: str
    place: str
    text: str
    is_expected: bool


@dataclass(frozen=True, slots=True)
class SealedEdition:
    """A sealed edition of the visit: its text, and the signature by the owner of the key, both in hexadecimal."""

    text: str
    public_key: str
    signature: str


@dataclass(frozen=True, slots=True)
class DisclosedText:
    """A personal text that the seal holds as a hash only, with its salt."""

    subject: str
    salt: str
    text: str


@dataclass(frozen=True, slots=True)
class Seal:
    """All that a check of the report needs, wherever it is made; no form but JSON shows it."""

    editions: tuple[SealedEdition, ...]
    disclosed: tuple[DisclosedText, ...]


@dataclass(frozen=True, slots=True)
class Report:
    """The report on one visit. ``day`` is that of its end, else that of its beginning: ``2026-07-01``, at the site.

    ``facts`` identify it; ``found`` and ``done`` are its two sentences for a customer.

    ``untested_lines`` has a line for each reason, of the points that are expected. ``limitations`` name the claims that
    it does not make; ``customer_caution`` is the one caution for a person who is not of the trade, ``cautions`` those
    of the test points. ``seal`` has the fingerprint of the visit's seal, in lines; empty without one. ``sealed`` is the
    seal itself, None without one and in a report without personal data. ``clock`` has a sentence for each step of the
    station's clock between two readings.
    """

    firm: str
    firm_address: str
    logo: Picture | None
    place: str
    day: str
    facts: tuple[Fact, ...]
    found: str
    done: str
    replaced: tuple[ReplacedPart, ...]
    readings: tuple[ReadingEntry, ...]
    derived: tuple[DerivedEntry, ...]
    summary: str
    causes: tuple[CauseEntry, ...]
    diagnosis_notes: tuple[str, ...]
    untested: tuple[UntestedPoint, ...]
    untested_lines: tuple[str, ...]
    left: tuple[str, ...]
    proofs: tuple[str, ...]
    notes: tuple[str, ...]
    unit_facts: tuple[Fact, ...]
    photos: tuple[Picture, ...]
    customer_caution: str
    cautions: tuple[str, ...]
    limitations: tuple[str, ...]
    measured: tuple[str, ...]
    clock: tuple[str, ...]
    made: tuple[str, ...]
    seal: tuple[str, ...]
    sealed: Seal | None

    @property
    def customer_facts(self) -> tuple[Fact, ...]:
        """The facts that a customer is shown."""
        return tuple(fact for fact in self.facts if fact.name in _CUSTOMERS_FACTS)
