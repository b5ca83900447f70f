"""The kind of a unit by its name: which shipped plan is proposed for it."""

# A word in the name of a unit, and the plan of such a machine; the first that fits counts. The trade's words (common
# practice, no source).
_PLANS_BY_WORD = (
    ("heat pump", "heat-pump"),
    ("inverter", "inverter-outdoor"),
    ("mini-split", "inverter-outdoor"),
    ("mini split", "inverter-outdoor"),
    ("ductless", "inverter-outdoor"),
    ("roof", "rooftop-three-phase"),
    ("rtu", "rooftop-three-phase"),
    ("package", "package-unit"),
    ("walk", "walk-in-cooler"),
    ("reach", "reach-in-cooler"),
    ("furnace", "gas-furnace"),
    ("air handler", "air-handler-blower"),
    ("blower", "air-handler-blower"),
)
_USUAL_PLAN = "split-condenser"


def proposed_plan(unit: str) -> str:
    """Return the name of the plan that the name of a unit proposes; a person confirms it."""
    name = unit.casefold()
    return next((plan for word, plan in _PLANS_BY_WORD if word in name), _USUAL_PLAN)
