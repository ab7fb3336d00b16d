"""What stands beside the month's figures: who moved most, spend to date and the budget, and what in
the log could change a figure."""

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.cost import account as money
from wearbar.log.schema import MAIN_DATE
from wearbar.outlook.month import END, SIDES, by_vehicle, months_of
from wearbar.stats.estimate import SMALL_SITE, shrink, untold

LEAST_MONTHS, MOST_MOVERS = 12, 3  # months before that a mover is set against; movers named
MOVER = ["who", "of", "measure", "this", "usual", "moved"]
SPENT, DRIVEN = ["spend", "cost_per_km"], ["on_time", "cost_per_km"]
# the tables whose rows a figure of the month is made from
FEEDS = {"work": ["on_time", *SPENT], "odometer": DRIVEN, "layups": ["downtime"]}
FEEDS |= dict.fromkeys(("fitted", "fuel", "fixed_costs"), SPENT)


def movers(log):
    """The `furthest` of the vehicles here in all of `months_of` and of sites with three of them."""
    grid, n = by_vehicle(log), len(months_of(log))
    whole = grid["is_whole"].groupby("vehicle").sum()
    here = whole.index[whole == n]
    if n <= LEAST_MONTHS or len(here) < SMALL_SITE:
        return pd.DataFrame(columns=MOVER)
    own = grid.loc[here, ["jobs", "won", "spend"]].rename_axis(["who", "month"])
    site = usage.site_at(log, here, log.as_of).set_axis(here)
    site = site.mask(site.isin([name for name, hid in untold(site.value_counts()).items() if hid]))
    at = own.index.get_level_values("who").map(site).rename("who")
    sites = own.groupby([at, own.index.get_level_values("month")]).sum()
    return furthest(pd.concat({"vehicle": own, "site": sites}, names=["of"]))


def furthest(units):
    """Who moved in the last month as none did in any month before: frame `MOVER`, three at most.

    units: jobs, won, spend by of (vehicle or site), who and month. Measures: spend, and late jobs
    beyond the unit's own rate. How far a month lies from the mean of the unit's others, over their
    spread (half its own, half that of all), must be more than any unit's in any other month. moved:
    that far, drawn towards the mean of all (`shrink`). Empty where none is clear.
    """
    late = units["jobs"] - units["won"]
    sums = units.assign(late=late).groupby(["of", "who"]).sum()
    beyond = late - units["jobs"].mul(sums["late"] / sums["jobs"].clip(lower=1))
    both = ({"spend": units["spend"], "on_time": y} for y in (beyond, late))
    x, this = (pd.concat(of, names=["measure"]).unstack("month") for of in both)
    n = x.shape[1]
    rest = (-x).add(x.sum(axis=1), axis=0) / (n - 1)
    var = (-(x**2)).add((x**2).sum(axis=1), axis=0) / (n - 2) - rest**2 * (n - 1) / (n - 2)
    spread = np.sqrt((var + var.groupby(["measure", "of"]).transform("mean")).clip(lower=0) / 2)
    z = ((x - rest) / spread.where(spread > 1e-9)).abs().fillna(0.0).to_numpy()
    apart, error = (x - rest).iloc[:, -1], spread.iloc[:, -1] * np.sqrt(n / (n - 1))
    made = pd.DataFrame({"this": this.iloc[:, -1], "usual": this.iloc[:, -1] - apart})
    made = made.assign(z=z[:, -1], moved=shrink(apart, error, x.index.droplevel("who")))
    made = made.reset_index()[z[:, -1] > z[:, :-1].max()]
    return made.nlargest(MOST_MOVERS, "z")[MOVER].reset_index(drop=True)


def to_date(log, site=""):
    """Spend of the calendar year up to the report month's end, and the budget: a dict.

    start, end, spend; budget, and what was spent of what its rows name; months with a row, of
    of_months; is_twice: two rows name the same money. site: whose vehicles the log was cut to: of
    other some there is no budget. {} without a whole month."""
    months = months_of(log)
    if not len(months):
        return {}
    start, end = max(months[-1].replace(month=1), log.first_day), months[-1] + END
    lines, plan = money.account(log).lines, log.tables["budget"]
    lines = lines[lines["date"].between(start, end)]
    is_all = log.ledger.set_index("table")["used"]["vehicles"] == len(log.tables["vehicles"])
    plan = plan[plan["month"].between(f"{start:%Y-%m}", f"{end:%Y-%m}")]
    plan = plan if is_all else plan[plan["site"].eq(site)]
    keys = {"month": lines["date"].dt.strftime("%Y-%m"), "category": lines["category"]}
    keys["kind"] = lines["vehicle"].map(log.vehicles["kind"])
    keys["site"] = usage.site_at(log, lines["vehicle"], lines["date"]) if is_all else site
    keys, times = pd.DataFrame(keys, lines.index), np.zeros(len(lines), int)
    for row in plan[[*keys]].to_dict("records"):
        same = [keys[name].eq(x) for name, x in row.items() if pd.notna(x)]
        times += np.logical_and.reduce(same)
    return {
        "start": start, "end": end, "spend": lines["amount"].sum(min_count=1),
        "budget": plan["amount"].sum(min_count=1), "spent": lines.loc[times > 0, "amount"].sum(),
        "months": plan["month"].nunique(), "of_months": end.month - start.month + 1,
        "is_twice": bool((times > 1).any()),
    }  # fmt: skip


def doubts(log):
    """What could change a figure of the months compared: frame `what, table, n, figures`. what:
    blank (rows with money whose amount is not known), aside and doubtful (rows of a table set
    aside, or used with a warning, from the year before on or without a day). figures: of
    `UNITS`."""
    rows, months, grid = [], months_of(log), by_vehicle(log)
    compared = [m - pd.DateOffset(months=n) for m in months[-1:] for n in (0, *SIDES.values())]
    blank = grid.loc[grid.index.isin(compared, level="month"), "blank"].sum()
    rows.append(("blank", "", int(blank), SPENT))
    for table, figures in FEEDS.items() if compared else ():
        kept, lines = log.tables[table], log.warnings.query("table == @table")["line"]
        aside = log.aside.get(table, kept.iloc[:0])
        for what, some in (("aside", aside), ("doubtful", kept[kept.index.isin(lines)])):
            day = some[MAIN_DATE[table][0]]
            near = ~(day > months[-1] + END) & ~(some.get("to", day) < min(compared))
            rows.append((what, table, int(near.sum()), figures))
    return pd.DataFrame(rows, columns=["what", "table", "n", "figures"]).query("n > 0")
