"""Which groups of work differ in the share done on time: each is tested against the others
together, by units that are independent.

Sites and kinds: vehicles are dealt among the groups again (a permutation test of a studentised
difference: Janssen 1997, Stat. Probab. Lett. 36:9, from memory). Tasks: each vehicle's own task
beside its own other tasks, and those differences change sign at random. Vehicles: visits are dealt
among the vehicles. Holm's p over the groups. In simulation (tests/reference/coverage.md) groups
that are alike are said to differ in about 5 logs of 100.
"""

import numpy as np
import pandas as pd

from wearbar.intervals.rates import visit_day
from wearbar.stats.deals import inside_outside, least_p
from wearbar.stats.estimate import holm, untold

CLEAR_JOBS = 10  # that a group needs to be compared
CLEAR_P = 0.05
MOST_DEALS, LEAST_DEALS, WORK = 9999, 499, 2e7  # deals, and deals times units
COLUMNS = ["share", "rest", "p", "p_holm", "is_clear"]


def differences(found, by, rng=None):
    """The groups of `by` (site, kind, task or vehicle) beside the others together: frame `by,
    *COLUMNS`, the lowest share first.

    found: of `placed`. share, rest: done on time, of the group and of the others (of a task: of the
    same vehicles' other tasks). Groups with fewer than CLEAR_JOBS jobs, those not known, those of
    one unit and sites that could point at a person are left out; empty where fewer than two remain
    or where no outcome could be clear: `attrs["reason"]` is then "groups" or "units".
    `attrs["unknown"]`: jobs whose group is not known. `attrs["p_all"]`: of vehicles, that all are
    alike.
    """
    counted = found[found["in_rate"]].assign(won=lambda f: f["outcome"] != "late")
    none, unknown = pd.DataFrame(columns=[by, *COLUMNS]), int(counted[by].isna().sum())
    none.attrs.update(reason="groups", unknown=unknown)
    counted = counted.dropna(subset=[by])
    if (counted[by].value_counts() >= CLEAR_JOBS).sum() < 2:
        return none
    if by == "site":
        small = untold(counted.groupby("site", observed=True)["vehicle"].nunique())
        counted = counted[~counted["site"].isin(small.index[small])]
    none.attrs.update(reason="units")
    units = _units(counted, by)
    sums = units.groupby(by)["n"].agg(["sum", "size"])
    kept = sums.index[(sums["sum"] >= CLEAR_JOBS) & (sums["size"] > 1)]
    if len(kept) < 2:
        return none
    rng = np.random.default_rng(0) if rng is None else rng
    test = _within if by == "task" else _between
    table, least_p, p_all = test(units[units[by].isin(kept)], by, rng)
    if not len(table) or least_p * len(table) > CLEAR_P:
        return none
    table["p_holm"] = holm(table["p"].to_numpy())
    table = table.assign(is_clear=table["p_holm"] < CLEAR_P)[[by, *COLUMNS]]
    table = table.sort_values("share", kind="stable", ignore_index=True)
    table.attrs.update(unknown=unknown, p_all=p_all if by == "vehicle" else 1.0)
    return table


def _units(counted, by):
    """One row a unit and group: `unit, by, n, won`. A vehicle is at the site where most of its jobs
    were."""
    unit = counted["vehicle"]
    if by == "vehicle":
        unit = unit.astype(str) + visit_day(counted).dt.strftime(" %Y-%m-%d").fillna("")
    units = counted.assign(unit=unit).groupby(["unit", by], observed=True)["won"]
    units = units.agg(n="size", won="sum").reset_index()
    if by == "task":
        return units
    main = units.sort_values(["unit", "n"], kind="stable").drop_duplicates("unit", keep="last")
    whole = units.groupby("unit")[["n", "won"]].sum().reindex(main["unit"]).reset_index()
    return whole.assign(**{by: main[by].to_numpy()})


def _deals(n_units, n_groups):
    return int(np.clip(min(WORK / n_units, max(200 * n_groups, 1999)), LEAST_DEALS, MOST_DEALS))


def _between(units, by, rng):
    """(frame, least p that could come, p of all alike) of groups between which whole units are
    dealt."""
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


def _within(units, by, rng):
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
    p = (above + 1) / (500 * lots + 1)
    total = np.maximum(weight.sum(axis=0), 1e-12)
    share, rest = ((weight * x).sum(axis=0) / total for x in (won / n, rest_won / rest_n))
    counts = both.sum(axis=0)
    table = pd.DataFrame({by: names, "share": share, "rest": rest, "p": p})
    return table[counts > 1].copy(), max(1 / (500 * lots + 1), 2.0 ** (1 - counts.max())), 1.0
