"""Meterlink: readings of meters, collected, judged and stored.

For notebooks and scripts::

    import meterlink

    meterlink.judge_capacitor("4.7 uF", rated="5 uF", tolerance="6 %").verdict

``meterlink/docs/python.md`` has examples of every function. A name's module is imported when the name is first used
(PEP 562), so ``import meterlink`` alone loads nothing else, and judging loads no database.
"""

# mypy and editors take this name for true; to import typing for its constant would take longer than all the rest.
TYPE_CHECKING = False

if TYPE_CHECKING:
    from meterlink.notebook import (
        DamagedDatabaseError,
        DatabaseAccessError,
        DatabaseLockedError,
        DatabaseMovedError,
        DiskFailedError,
        DiskFullError,
        DriverError,
        InputError,
        LinkError,
        MeterlinkError,
        NewerDatabaseError,
        NoDatabaseError,
        NotADatabaseError,
        OlderDatabaseError,
        PlanError,
        ProfileError,
        PublishError,
        RadioError,
        SealError,
        SettingsError,
        StoreError,
        VisitError,
    )
    from meterlink.notebook.files import MeterProfile, Plan, load_plan, load_profile
    from meterlink.notebook.history import History, HistoryRow, open_history
    from meterlink.notebook.judging import (
        Choice,
        Judgement,
        Limits,
        Margin,
        OpenQuestionError,
        PartJudgement,
        Question,
        RatedPart,
        Verdict,
        judge_capacitor,
        judge_coil,
        parse_rating,
    )
    from meterlink.notebook.quantities import Amount, QuantityLike, RatingLike, Reading, ReadingLike, as_pint

    __version__: str

__all__ = [
    "Amount",
    "Choice",
    "DamagedDatabaseError",
    "DatabaseAccessError",
    "DatabaseLockedError",
    "DatabaseMovedError",
    "DiskFailedError",
    "DiskFullError",
    "DriverError",
    "History",
    "HistoryRow",
    "InputError",
    "Judgement",
    "Limits",
    "LinkError",
    "Margin",
    "MeterProfile",
    "MeterlinkError",
    "NewerDatabaseError",
    "NoDatabaseError",
    "NotADatabaseError",
    "OlderDatabaseError",
    "OpenQuestionError",
    "PartJudgement",
    "Plan",
    "PlanError",
    "ProfileError",
    "PublishError",
    "QuantityLike",
    "Question",
    "RadioError",
    "RatedPart",
    "RatingLike",
    "Reading",
    "ReadingLike",
    "SealError",
    "SettingsError",
    "StoreError",
    "Verdict",
    "VisitError",
    "__version__",
    "as_pint",
    "judge_capacitor",
    "judge_coil",
    "load_plan",
    "load_profile",
    "open_history",
    "parse_rating",
]

# The names that are not in meterlink.notebook itself, by the module below it.
_MODULES = {
    "files": ("MeterProfile", "Plan", "load_plan", "load_profile"),
    "history": ("History", "HistoryRow", "open_history"),
    "judging": (
        "Choice", "Judgement", "Limits", "Margin", "OpenQuestionError", "PartJudgement", "Question", "RatedPart",
        "Verdict", "judge_capacitor", "judge_coil", "parse_rating",
    ),
    "quantities": ("Amount", "QuantityLike", "RatingLike", "Reading", "ReadingLike", "as_pint"),
}  # fmt: skip


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})


if not TYPE_CHECKING:  # mypy would take every misspelled name for one that __getattr__ knows

    def __getattr__(name: str) -> object:
        if name not in __all__:
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
        from importlib import import_module  # noqa: PLC0415  # nothing is loaded before a name is used

        below = next((f".{module}" for module, names in _MODULES.items() if name in names), "")
        value = getattr(import_module(f"meterlink.notebook{below}"), "VERSION" if name == "__version__" else name)
        globals()[name] = value  # the next use finds it without this function
        return value
