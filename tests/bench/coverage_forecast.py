"""How often the crossing of a distance lies within its interval, by simulation: 2,000 vehicles a row. Prints the table.

Fleets of 40 vehicles of one kind and site, a year of record, 4 or 12 readings a vehicle on days of its own, the last on the last day.
Asked: when another 120 days' worth at the vehicle's mean rate will have been driven. Run it by hand: python
tests/bench/coverage_forecast.py [fleets]
"""

import sys

import numpy as np
import pandas as pd

from wearbar.forecast import forecast_dates
from wearbar.tables import TEXT

YEAR, AHEAD, FLEET = 365, 900, 40
DAY0 = pd.Timestamp("2022-01-01")


def _level(rng, n):
    return 40 * np.exp(rng.normal(0, 0.4, (n, 1)))


def steady(rng, n, days):
    return _level(rng, n) * rng.gamma(4, 0.25, (n, days))


def intermittent(rng, n, days):
    """One day in seven."""
    return _level(rng, n) * 7 * rng.exponential(size=(n, days)) * (rng.random((n, days)) < 1 / 7)


def seasonal(rng, n, days):
    """Amplitude 0.85, the peak anywhere in the year but the same for the whole fleet."""
    peak = rng.integers(0, YEAR)
    return steady(rng, n, days) * (1 + 0.85 * np.cos(2 * np.pi * (np.arange(days) - peak) / 365.25))


def laid_up(rng, n, days):
    """Sixty days a year off the road that nobody wrote down."""
    begin = rng.integers(0, YEAR - 60, (n, 1))
    year_day = np.arange(days) % YEAR
    return steady(rng, n, days) * ~((year_day >= begin) & (year_day < begin + 60))


def drifting(rng, n, days):
    """The log of the rate walks: by a third up or down in 120 days."""
    return steady(rng, n, days) * np.exp(np.cumsum(rng.normal(0, 0.03, (n, days)), axis=1))


USES = {"steady": steady, "intermittent": intermittent, "seasonal": seasonal, "laid-up": laid_up, "drifting": drifting}


def one_fleet(use, k, rng, n=FLEET, forecast=forecast_dates):
    """(inside 80, inside 90, before the 90's low end, median width of the 90 in days) of one fleet."""
    km = np.cumsum(use(rng, n, YEAR + AHEAD), axis=1)
    days = np.sort(rng.random((n, YEAR)).argsort(axis=1)[:, :k], axis=1)
    days[:, -1] = YEAR - 1
    who = np.array([f"v{i:03d}" for i in range(n)])
    frame = pd.DataFrame(
        {
            "vehicle": pd.array(np.repeat(who, k), dtype=TEXT),
            "date": DAY0 + pd.to_timedelta(days.ravel(), unit="D"),
            "distance_km": km[np.arange(n)[:, None], days].ravel(),
        }
    )
    frame = frame.assign(odometer_km=frame["distance_km"], hours=np.nan)
    fleet = pd.DataFrame({"vehicle": who, "kind": "van", "site": "north"})
    last = km[:, YEAR - 1]
    asked = last + 120 * last / YEAR
    crossed = DAY0 + pd.to_timedelta((km < asked[:, None]).sum(axis=1), unit="D")
    told = []
    for confidence in (0.8, 0.9):
        found = forecast(frame, fleet, who, asked, DAY0 + pd.Timedelta(days=YEAR - 1), confidence=confidence)
        high = found["high"].fillna(pd.Timestamp.max)
        told.append((crossed >= found["low"]) & (crossed <= high))
    return np.mean(told[0]), np.mean(told[1]), np.mean(crossed < found["low"]), (found["high"] - found["low"]).dt.days.median()


def main(fleets=50):
    print(f"{'use':>13} {'readings':>8} {'80':>6} {'90':>6} {'early':>6} {'late':>6} {'days wide':>9}")
    for name, use in USES.items():
        for k in (4, 12):
            rng = np.random.default_rng([k, len(name)])
            inside80, inside90, before, width = np.mean([one_fleet(use, k, rng) for _ in range(fleets)], axis=0)
            late = 1 - inside90 - before
            print(f"{name:>13} {k:>8} {100 * inside80:6.1f} {100 * inside90:6.1f} {100 * before:6.1f} {100 * late:6.1f} {width:9.0f}")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
