"""A log whose year ahead can be worked out by hand."""

import pandas as pd

from wearbar.log import log_of
from wearbar.log.plan import plan_of

OIL = {"code": "oil", "action": "replace", "every": {"distance": 4_000}, "tolerance": 0.1}
TEST = {"code": "brakes", "action": "inspect", "every": {"distance": 12_000}, "safety": True}
PLAN = {"bike": {"applies_to": ["motorcycle"], "task": [OIL, TEST]}}
BILL = {"task": "oil", "why": "planned", "labour_cost": 30.0, "parts_cost": 10.0}
LOOK = {"task": "brakes", "why": "planned"}


def steady_log():
    """Two years of 2,000 km a month, the oil changed every other month: forty each, thirty of it labour."""
    days = pd.date_range("2024-01-01", "2026-01-01", freq="MS")
    tables = {
        "vehicles": [{"kind": "motorcycle", "in_service": "2024-01-01", "in_service_odometer": 0}],
        "odometer": [{"date": d, "odometer": 2_000.0 * k} for k, d in enumerate(days)],
        "work": [
            {"date": d, "odometer": 4_000.0 * k, **bill, "done_by": "workshop", "labour_hours": 0.5}
            for k, d in enumerate(days[2::2], 1)
            for bill in (BILL, LOOK)
            if bill is BILL or k % 3 == 0
        ],
    }
    tables = {name: pd.DataFrame(rows).assign(vehicle="V") for name, rows in tables.items()}
    told = {"distance": "km", "as_of": "2026-01-01", "first_day": "2024-01-01", "currency": "GBP"}
    return log_of(tables, told, plan=plan_of(PLAN, "km"))
