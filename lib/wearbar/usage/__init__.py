"""How far each vehicle goes: its readings as a line of distance, rates of use by day, forecasts and how well past ones held.

In: a `ServiceLog`. Out: a vehicle's `Path`, distance between days, a `UsageModel` with its forecasts.
"""

from wearbar.usage.rates import (
    Path,
    daily_rate,
    date_at,
    distance_at,
    distance_between,
    distance_of,
    gaps,
    hours_at,
    layup_days,
    merged,
    odometer_of,
    path_of,
    readings,
    site_at,
    to_cumulative,
    use_shares,
)

__all__ = [
    "Path",
    "daily_rate",
    "date_at",
    "distance_at",
    "distance_between",
    "distance_of",
    "gaps",
    "hours_at",
    "layup_days",
    "merged",
    "odometer_of",
    "path_of",
    "readings",
    "site_at",
    "to_cumulative",
    "use_shares",
]
