"""How far each vehicle goes: its readings as a line of distance, rates of use by day, forecasts and
how well past ones held.

In: a `ServiceLog`. Out: a vehicle's `Path`, distance between days, a `UsageModel` with its
forecasts.
"""

from wearbar.usage.distance import (
    Path,
    date_at,
    distance_at,
    distance_of,
    log_path,
    odometer_of,
    path_of,
    readings,
    to_cumulative,
)
from wearbar.usage.rates import daily_rate, gaps, layup_days, site_at, use_shares

__all__ = [
    "Path", "daily_rate", "date_at", "distance_at", "distance_of", "gaps", "layup_days",
    "log_path", "odometer_of", "path_of", "readings", "site_at", "to_cumulative", "use_shares",
]  # fmt: skip
