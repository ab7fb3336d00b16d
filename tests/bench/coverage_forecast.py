"""How often the crossing of a distance lies within its interval, by simulation: 2,000 vehicles a row. Prints the table.

Fleets of 40 vehicles of one kind and site, a year of record, 4 or 12 readings a vehicle on days of its own, the last on the last day.
Asked: when another 120 days' worth at the vehicle's mean rate will have been driven. A crossing some time within a day counts by the
share of that day that lies inside; the interval as printed, in whole days, holds a little more. Run it by hand: python
tests/bench/coverage_forecast.py [fleets]
"""

import sys

import numpy as np
import pandas as pd

from wearbar.log.schema import TEXT
from wearbar.usage.forecast import chance_reached, fit_usage, forecast_dates, shares

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


USES = {
    "steady": steady,
    "intermittent": intermittent,
    "seasonal": seasonal,
    "laid-up": laid_up,
    "drifting": drifting,
}


def one_fleet(use, k, rng, n=FLEET):
    """Shares inside 80 and 90, before and after the 90, whole days inside the printed 90, and its median width in days, of one fleet."""
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
    model = fit_usage(
        frame,
        pd.DataFrame({"vehicle": who, "kind": "van", "site": "north"}),
        DAY0 + pd.Timedelta(days=YEAR - 1),
    )
    last = km[:, YEAR - 1]
    asked = last + 120 * last / YEAR
    crossed = DAY0 + pd.to_timedelta((km < asked[:, None]).sum(axis=1), unit="D")
    chance = [
        chance_reached(model, who, asked, day).to_numpy()
        for day in (crossed - pd.Timedelta(days=1), crossed)
    ]
    (inside80, _), (inside90, before) = (shares(*chance, alpha) for alpha in (0.1, 0.05))
    found = forecast_dates(model, who, asked, confidence=0.9)
    whole = (crossed >= found["low"]) & (crossed <= found["high"].fillna(pd.Timestamp.max))
    after = 1 - inside90 - before
    return *(np.mean(x) for x in (inside80, inside90, before, after, whole)), (
        found["high"] - found["low"]
    ).dt.days.median()


def main(fleets=50):
    print(
        f"{'use':>13} {'readings':>8} {'80':>6} {'90':>6} {'early':>6} {'late':>6} {'90, whole days':>15} {'wide':>6}"
    )
    for name, use in USES.items():
        for k in (4, 12):
            rng = np.random.default_rng([k, len(name)])
            *share, width = np.mean([one_fleet(use, k, rng) for _ in range(fleets)], axis=0)
            told = " ".join(
                f"{100 * x:{w}.1f}" for x, w in zip(share, (6, 6, 6, 6, 15), strict=True)
            )
            print(f"{name:>13} {k:>8} {told} {width:6.0f}", flush=True)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
