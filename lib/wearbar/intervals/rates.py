"""Was the work on time: the rate of it, in all and by group, which groups differ, and how far late
work ran over. Done ones whose window is still open, and open ones not yet late, do not count: they
would flatter the rate."""

from dataclasses import replace
from math import nan

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.intervals.occasion import REASONS
from wearbar.stats.clustered import inside_outside, least_p
from wearbar.stats.estimate import bootstrap_by_vehicle, holm, proportion, untold
from wearbar.stats.recurrence import merged

NOT_KNOWN = "not known"
MANY = 10  # units of a share whose range holds as often as it says
LEAST_VEHICLES = 6  # of a median with limits
CLEAR_JOBS = 10  # that a group needs to be compared
CLEAR_P = 0.05
MOST_DEALS, LEAST_DEALS, WORK = 9999, 499, 2e7  # deals, and deals times units
COLUMNS = ["share", "rest", "p", "p_holm", "is_clear"]
CAUTIOUS = "few of them: limits that hold more often than they say"


def placed(found, log):
    """The occasions with `kind`, `site` (where the vehicle was on its last day on time, or else is)
    and `month` (of the late edge)."""
    edge, kind = found["late_edge_date"], found["vehicle"].map(log.vehicles["kind"])
    site = usage.site_at(log, found["vehicle"], edge.fillna(log.as_of))
    month = edge.dt.to_period("M").dt.to_timestamp()
    return found.assign(kind=kind, site=site, month=month)


def rate(found, confidence=0.9):
    """Share of the jobs that count which were done on or before their late edge: an `Estimate`.
    Vehicles are clusters; of one vehicle, its visits. In simulation 90% limits hold 89 to 92 times
    in 100 with ten clusters or more; with fewer they hold more often, and `note` is then
    CAUTIOUS."""
    counted = found[found["in_rate"]]
    unit = counted["vehicle"] if counted["vehicle"].nunique() > 1 else visit_day(counted)
    by = (counted["outcome"] != "late").groupby(unit).agg(["sum", "size"])
    made = proportion(by["sum"], by["size"], by.index, confidence)
    return replace(made, note=CAUTIOUS) if 0 < len(by) < MANY else made


def visit_day(rows):
    """The day of each job's visit; of one still open, of its late edge."""
    return rows["done_date"].fillna(rows["late_edge_date"])


def compliance(found, by, confidence=0.9):
    """The rate in each group: frame `*by, share, low, high, n, late, vehicles`, in the order of
    `by`; a missing group is NOT_KNOWN."""
    rows, counted = [], found[found["in_rate"]]
    named = counted[list(by)].select_dtypes(exclude="datetime").astype(object).fillna(NOT_KNOWN)
    for name, part in counted.assign(**named).groupby(by, observed=True, sort=True):
        e, late = rate(part, confidence), int((part["outcome"] == "late").sum())
        rows.append((*name, e.value, e.low, e.high, e.n, late, part["vehicle"].nunique()))
    return pd.DataFrame(rows, columns=[*by, "share", "low", "high", "n", "late", "vehicles"])


def sites_told(table, small=None):
    """The rates of sites, without figures where they could point at a person. small: the rows of
    such sites; None: by the vehicles of each row."""
    small = untold(table["vehicles"]) if small is None else small
    return table.assign(**{c: table[c].mask(small) for c in ("share", "low", "high", "late")})


def differences(found, by, rng=None):
    """Which groups of `by` (site, kind, task or vehicle) differ, each tested against the others
    together by units that are independent: frame `by, *COLUMNS`, the lowest share first.

    Sites and kinds: vehicles are dealt among the groups again (a permutation test of a studentised
    difference: Janssen 1997, Stat. Probab. Lett. 36:9, from memory); vehicles: visits are. Tasks:
    differences from the same vehicle's other tasks change sign at random. Holm's p. In simulation
    (tests/reference/coverage.md) groups that are alike are said to differ in about 5 logs of 100.

    found: of `placed`. share, rest: done on time, of the group and of the others. Left out: groups
    with fewer than CLEAR_JOBS jobs, of one unit or not known, and sites that could point at a
    person. Empty where fewer than two remain or no outcome could be clear: `attrs["reason"]` is
    then "groups" or "units". `attrs["unknown"]`: jobs whose group is not known. `attrs["p_all"]`:
    of vehicles, that all are alike."""
    counted = found[found["in_rate"]].assign(won=found["outcome"] != "late")
    none, unknown = pd.DataFrame(columns=[by, *COLUMNS]), int(counted[by].isna().sum())
    none.attrs.update(reason="groups", unknown=unknown)
    if (counted[by].value_counts() >= CLEAR_JOBS).sum() < 2:
        return none
    if by == "site":
        small = untold(counted.groupby("site", observed=True)["vehicle"].nunique())
        counted = counted[~counted["site"].isin(small.index[small])]
    none.attrs.update(reason="units")
    # a row a unit and group; a vehicle is at the site where most of its jobs were
    visit = counted["vehicle"].astype(str) + visit_day(counted).dt.strftime(" %Y-%m-%d").fillna("")
    counted = counted.assign(unit=visit if by == "vehicle" else counted["vehicle"])
    units = counted.groupby(["unit", by], observed=True)["won"]
    units = units.agg(n="size", won="sum").reset_index()
    if by != "task":
        main = units.sort_values(["unit", "n"], kind="stable").drop_duplicates("unit", keep="last")
        units = units.groupby("unit")[["n", "won"]].sum().reindex(main["unit"]).reset_index()
        units[by] = main[by].to_numpy()
    sums = units.groupby(by)["n"].agg(["sum", "size"])
    kept = sums.index[(sums["sum"] >= CLEAR_JOBS) & (sums["size"] > 1)]
    if len(kept) < 2:
        return none
    rng = np.random.default_rng(0) if rng is None else rng
    test = within if by == "task" else _between
    table, least_p, p_all = test(units[units[by].isin(kept)], by, rng)
    if not len(table) or least_p * len(table) > CLEAR_P:
        return none
    table["p_holm"] = holm(table["p"].to_numpy())
    table = table.assign(is_clear=table["p_holm"] < CLEAR_P)[[by, *COLUMNS]]
    table = table.sort_values("share", kind="stable", ignore_index=True)
    table.attrs.update(unknown=unknown, p_all=p_all if by == "vehicle" else 1.0)
    return table


def _deals(n_units, n_groups):
    return int(np.clip(min(WORK / n_units, max(200 * n_groups, 1999)), LEAST_DEALS, MOST_DEALS))


def _between(units, by, rng):
    """(frame, least p there can be, p of all alike) of groups between which units are dealt."""
    units = units.sort_values(by, kind="stable")
    names, first = np.unique(units[by].astype(str).to_numpy(), return_index=True)
    n, won = units["n"].to_numpy(float), units["won"].to_numpy(float)
    cells = np.stack([n, won, won**2, won * n, n**2])
    deals, size = _deals(len(n), len(names)), np.diff(np.append(first, len(n)))

    def statistic(order):
        """|t| of each group against the rest, and of all; order: (deals, units)."""
        inside, outside = inside_outside(cells, order, first)
        a, var_a = _mean_and_variance(*inside, size)
        b, var_b = _mean_and_variance(*outside, len(n) - size)
        scale = 1.0 if by == "vehicle" else np.sqrt(np.maximum(var_a + var_b, 1e-12))
        apart = (inside[0] * (a - won.sum() / n.sum()) ** 2).sum(axis=1, keepdims=True)
        return np.hstack([np.abs(a - b) / scale, apart]), a, b

    seen, share, rest = (x[0] for x in statistic(np.arange(len(n))[None, :]))
    above, lot = np.zeros(len(names) + 1), max(int(4e6 / len(n)), 1)
    for at in range(0, deals, lot):
        order = rng.permuted(np.tile(np.arange(len(n)), (min(lot, deals - at), 1)), axis=1)
        above += (statistic(order)[0] >= seen - 1e-9).sum(axis=0)
    *p, p_all = (above + 1) / (deals + 1)
    table = pd.DataFrame({by: names, "share": share, "rest": rest, "p": p})
    return table, least_p(size, deals + 1), float(p_all)


def _mean_and_variance(n, won, won2, won_n, n2, units):
    """Ratio of sums, and its variance from the units' residuals."""
    p = won / n
    spread = won2 - 2 * p * won_n + p**2 * n2
    return p, np.maximum(spread, 0) / n**2 * (units / np.maximum(units - 1, 1))


def within(units, by, rng):
    """As `_between`, of tasks, each beside the other tasks of the same vehicles."""
    n, won = (units.pivot(index="unit", columns=by, values=c).fillna(0.0) for c in ("n", "won"))
    names, n, won = n.columns, n.to_numpy(), won.to_numpy()
    rest_n, rest_won = (x.sum(axis=1, keepdims=True) - x for x in (n, won))
    both = (n > 0) & (rest_n > 0)
    n, rest_n = np.where(both, n, 1.0), np.where(both, rest_n, 1.0)
    weight = np.where(both, n * rest_n / (n + rest_n), 0.0)
    z = weight * (won / n - rest_won / rest_n)
    lots = -(-_deals(len(z), len(names)) // 500)
    seen, above = np.abs(z.sum(axis=0)), np.zeros(len(names))
    for _ in range(lots):
        signs = rng.choice([-1.0, 1.0], (500, len(z)))
        above += (np.abs(signs @ z) >= seen - 1e-9).sum(axis=0)
    p, total = (above + 1) / (500 * lots + 1), np.maximum(weight.sum(axis=0), 1e-12)
    share, rest = ((weight * x).sum(axis=0) / total for x in (won / n, rest_won / rest_n))
    counts = both.sum(axis=0)
    table = pd.DataFrame({by: names, "share": share, "rest": rest, "p": p})
    return table[counts > 1].copy(), max(1 / (500 * lots + 1), 2.0 ** (1 - counts.max())), 1.0


def excluded(found):
    """How many occasions are left out of the rate, and why: frame `why, reason, n`."""
    n = found["why"].value_counts()
    rows = [(why, reason, int(n[why])) for why, reason in REASONS.items() if why in n]
    return pd.DataFrame(rows, columns=["why", "reason", "n"])


def median_overrun(found, column, rng, confidence=0.9):
    """Median of `column` (overrun_days, _km or _hours) over late occasions past that due point,
    those still open censored: `Estimate`.

    Product-limit estimate (Kaplan & Meier 1958); interval by drawing whole vehicles again, none
    below LEAST_VEHICLES (with three, 90% limits hold 69 times in 100 in simulation)."""
    is_late = found["in_rate"] & (found["outcome"] == "late") & (found["state"] != "missed")
    late = found[is_late & (found[column] > 0)]
    late = late.sort_values([column, "is_open"], kind="stable")  # of a tie, ends before censorings
    over, ended = late[column].to_numpy(), ~late["is_open"].to_numpy(dtype=bool)
    vehicle, names = pd.factorize(late["vehicle"])

    def median(weights):
        w = weights[:, vehicle]
        at_risk = np.cumsum(w[:, ::-1], axis=1)[:, ::-1]
        left = np.cumprod(1 - ended * w / np.maximum(at_risk, 1e-9), axis=1)
        half = np.hstack([left <= 0.5 + 1e-12, np.ones((len(w), 1), dtype=bool)])
        return np.append(over, nan)[half.argmax(axis=1)]

    unit = column.rsplit("_", 1)[1]
    found = bootstrap_by_vehicle(median, len(names), rng, confidence=confidence, unit=unit)
    if len(names) < LEAST_VEHICLES:
        found = replace(found, low=nan, high=nan, note=f"limits need {LEAST_VEHICLES} vehicles")
    return replace(found, n=len(late), n_censored=int((~ended).sum()))


def driven_overdue(found):
    """Distance driven with at least one task past its window, each km once, whether or not it
    counts in the rate: Series by vehicle."""
    late = (found["outcome"] == "late") | (found["state"] == "past-window")
    late = found[late & (found["driven_past_km"] > 0)]
    end = late["end_km"].to_numpy()
    vehicle, begin, until = merged(late["vehicle"], end - late["driven_past_km"].to_numpy(), end)
    return pd.Series(until - begin, vehicle.index).groupby(vehicle).sum()


def first_limits(found):
    """Which limit came first where one was reached: frame `first_limit, n, late`. Work due at once
    by no limit of its own is left out."""
    own = found[found["in_rate"] & found["first_limit"].isin(["distance", "hours", "date", "both"])]
    counts = (own["outcome"] == "late").groupby(own["first_limit"]).agg(n="size", late="sum")
    return counts.reset_index().sort_values("n", ascending=False, ignore_index=True)


def late_for_want_of_use(found, confidence=0.9):
    """Share of late jobs whose date came first with less than half of the distance limit driven:
    little-used vehicles. `Estimate`."""
    late = found[found["in_rate"] & (found["outcome"] == "late") & found["interval_km"].notna()]
    little = (late["first_limit"] == "date") & (late["overrun_km"] < -late["interval_km"] / 2)
    return proportion(little, np.ones(len(late)), late["vehicle"], confidence)


def early_work(found, confidence=0.9):
    """(share of counted occasions done before their window opened, median share of the interval
    that those gave away)."""
    counted = found[found["in_rate"]]
    is_early = counted["outcome"] == "early"
    share = proportion(is_early, np.ones(len(counted)), counted["vehicle"], confidence)
    return share, counted.loc[is_early, "early_share"].median()
