"""The columns of the action list, and the words of its urgency."""

from wearbar.intervals import GRAVE
from wearbar.intervals.failed import FAILED_TEST
from wearbar.log.schema import TEXT

# the most urgent first; these are the words that are printed
URGENCY = """
    do not drive; check before use; safety recall; at its limit; measure now; out of limits; failed;
    overdue; due; deferral ended; recall; ends soon; at the next visit; may be done; not known;
    coming
"""
URGENCY = tuple(" ".join(URGENCY.split()).split("; "))
DANGER = URGENCY[:2]
PRESSING = URGENCY[: URGENCY.index("recall")]  # what a visit is made for today
# within "do not drive": the law's own test, what was found, papers, recalls, wear
REASONS = (FAILED_TEST, *GRAVE, "expired", "stop", "below-legal")

_TEXTS = """
    urgency vehicle site position kind item title reason text state basis duty probably first_limit
    category part_key quantity place jurisdiction parts table near_work
"""
_DATES = """
    by due_date issued_date expected_date low_date high_date severe_due_date read_date near_date
"""
_NUMBERS = """
    due_odometer_km due_hours overrun_km overrun_hours overrun_days over_days over_km over_hours
    days_open driven_km severe_due_km value low high last limit legal_limit margin hours line
"""
FLAGS = ("is_laid_up", "before_next_use", "from_first_use", "is_forecast", "safety", "statutory")
TYPES = {
    **dict.fromkeys(_TEXTS.split(), TEXT),
    **dict.fromkeys(_DATES.split(), "datetime64[ns]"),
    **dict.fromkeys(_NUMBERS.split(), float),
    **dict.fromkeys(FLAGS, bool),
}
