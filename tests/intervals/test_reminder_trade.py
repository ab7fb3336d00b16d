"""A dashboard's reminder beside the plan, as riders find it: common practice, no source.

It counts from its own restart, which is some days and miles after the work, and its own distance is
a little over that of the service. Due by the plan runs from the work.
"""

import pandas as pd
import pytest
from test_intervals import MILE, log_from

from wearbar import intervals

DASH = "dash_events 2025-05-10 restarted odometer=10040 span_distance=6200 span_days=365"
LAST = "work 2024-05-20 500 service; work 2025-05-01 10000 service"


def drift(rows, as_of):
    log = log_from("trade", "kind=motorcycle", f"{LAST}; {rows}", as_of)
    return intervals.reminder_drift(log, intervals.occasions(log)).iloc[0]


def test_by_date_it_comes_as_many_days_late_as_it_was_restarted_after_the_work():
    """Due 1 May 2026 by the plan; 365 days from 10 May 2025 is 10 May 2026: nine days late. By distance
    16,000 and 10,040 + 6,200 = 16,240. Little used: 10 miles a day, so the dates come first."""
    row = drift(
        f"{DASH}; odometer 2025-08-01 10820; odometer 2025-11-01 11740; odometer 2026-02-01 12660",
        "2026-02-01",
    )
    assert row["task"] == "service"
    assert row["plan_date"] == pd.Timestamp("2026-05-01")
    assert row["reminder_date"] == pd.Timestamp("2026-05-10")
    assert row["drift_days"] == 9
    assert row["drift_km"] / MILE == pytest.approx(240)


def test_by_distance_it_comes_later_by_its_longer_span_and_its_late_restart():
    """Thirty miles a day, 27 in the year before: 16,000 comes on 17 November at the one, a few days later at both; 16,240 eight days on."""
    rows = "; ".join(
        f"odometer 2025-{m:02d}-01 {10000 + 30 * d}"
        for m, d in ((6, 31), (7, 61), (8, 92), (9, 123), (10, 153))
    )
    row = drift(f"{DASH}; {rows}", "2025-10-01")
    assert row["plan_date"] == pytest.approx(pd.Timestamp("2025-11-17"), abs=pd.Timedelta(days=5))
    assert row["drift_days"] == pytest.approx(8, abs=1)
    assert row["plan_odometer_km"] / MILE == pytest.approx(16000)


def test_a_reminder_that_shows_puts_nothing_off_and_brings_nothing_forward():
    row = drift(
        f"{DASH}; dash_events 2026-01-20 shown; odometer 2026-01-20 12600; odometer 2026-02-01 12700",
        "2026-02-01",
    )
    assert row["is_showing"]
    assert row["reminder_date"] == pd.Timestamp("2026-01-20")
    assert row["plan_date"] == pd.Timestamp("2026-05-01")


@pytest.mark.parametrize("days", ["36526", "372372"])
def test_more_days_than_a_century_are_a_slip_and_its_distance_alone_counts(days):
    rows = "odometer 2025-08-01 12520; odometer 2025-10-01 14590"
    slip, none = DASH.replace("=365", f"={days}"), DASH.replace(" span_days=365", "")
    pd.testing.assert_series_equal(*(drift(f"{of}; {rows}", "2025-10-01") for of in (slip, none)))
