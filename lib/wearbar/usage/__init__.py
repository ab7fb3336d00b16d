"""How far each vehicle of a `ServiceLog` goes: its readings as a line of distance (a `Path`), rates
of use by day, forecasts by a `UsageModel` and how well past ones held."""

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
