"""Was the work on time, and what is due. `schedule` says when one task of one vehicle falls due,
over what `done` and `fleet` lay out; `occasion` judges what came of it. `item` and `failed` are
what has a due point of its own. `rates`, `groups` and `today` speak of both."""

from wearbar.intervals.groups import by_quarter, by_risk, site_changes
from wearbar.intervals.item import GRAVE, items
from wearbar.intervals.occasion import REASONS, STALE_DAYS, occasions, use_by_day
from wearbar.intervals.rates import (
    CAUTIOUS,
    CLEAR_P,
    compliance,
    differences,
    driven_overdue,
    early_work,
    excluded,
    first_limits,
    late_for_want_of_use,
    median_overrun,
    placed,
    rate,
    sites_told,
)
from wearbar.intervals.today import (
    FORECAST_DAYS,
    counts,
    criterion_moves,
    overdue,
    put_off,
    rate_change,
    reminder_drift,
    seen,
    untold,
)
