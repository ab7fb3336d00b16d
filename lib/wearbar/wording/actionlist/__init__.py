"""What is said of the action list: what each row is, on what evidence, by when and what to do."""

from wearbar.wording.actionlist.pages import (
    COMING,
    HEADS,
    by_vehicle,
    counted,
    dangers_said,
    found_rows,
    index_rows,
    overdue_said,
    today,
)
from wearbar.wording.actionlist.rows import LAID_UP, told, what

__all__ = [
    "COMING",
    "HEADS",
    "LAID_UP",
    "by_vehicle",
    "counted",
    "dangers_said",
    "found_rows",
    "index_rows",
    "overdue_said",
    "today",
    "told",
    "what",
]
