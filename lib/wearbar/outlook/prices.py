"""What work has cost here, by class, and how often work that nobody planned comes.

Classes: "planned" (tasks of the plan with a limit, tests, and the parts they fit), "wear" (parts
whose wear is read, what is fitted with them, and the work of fitting them), "unplanned" (work for
defects or on advice beyond that), "other" (what else was planned); accidents and recalls in none.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from wearbar.cost.bills import money_lines, part_of_task
from wearbar.intervals import occasions
from wearbar.log.keys import look_up
from wearbar.log.once import kept_with
from wearbar.log.schema import TEXT

CLASSES = ("planned", "wear", "unplanned", "other")
PERIOD_DAYS, YEAR = 730, 365.25
LEAST_ROWS, TOGETHER = 3, 0.8
FEW_SD = 0.2  # of a price that fewer rows tell, as a share of it: judgement
TASK, PIECE, OF_KIND = ["plan", "task"], ["kind", "category", "item"], ["kind", "category"]
MONEY = {"amount": ("amount", "mean"), "amount_sd": ("amount", "std"), "n": ("amount", "count")}
LEAST_BILLS, LEAST_CELLS = 20, 10
PRIOR_LEVEL_SD, PRIOR_AGE_SD = 1.0, 0.15  # of the log rate; of its rise a year of age: judgement
# bills that usual ones are worth, and the sd of their log: judgement
PRIOR_BILLS, PRIOR_BILL_SD, MANY_BILLS = 2.0, 1.0, 2000


@dataclass(frozen=True, eq=False)
class Prices:
    """What work and parts cost here, NaN where nothing tells it."""

    # one doing at one position, by `TASK`: `amount, amount_sd, amount_se, hours, source`; `labour`,
    # what of the amount is a workshop's labour
    tasks: pd.DataFrame
    # a piece with what is fitted with it, by `PIECE`, item "" all; `price`: its own
    pieces: pd.DataFrame
    # a day of a vehicle: `vehicle, kind, date, what` (unplanned or other), `amount, hours`
    bills: pd.DataFrame
    worn: frozenset  # categories whose wear is read, and those fitted with them

    def of_tasks(self, rows):
        """`tasks` of each of `rows`."""
        return rows[TASK].join(self.tasks, on=TASK).drop(columns=TASK)

    def of_pieces(self, rows):
        """`pieces` of each of `rows`, by the item's own price, else by those of its category."""
        asked = rows[PIECE].astype(TEXT)
        own, every = (r.join(self.pieces, on=PIECE) for r in (asked, asked.assign(item="")))
        return own.fillna(every).drop(columns=PIECE)


@kept_with
def classed(log, worn):
    """The workshop's money lines with `what` (of CLASSES or ""), hours of labour, `kind, plan`."""
    lines, tasks = money_lines(log).rename(columns={"detail": "task"}), log.plan_or_empty.tasks
    lines = lines[lines["source"].isin(["work", "fitted"])]
    is_work, task, why = lines["source"].eq("work"), lines["task"], lines["why"]
    limited = tasks.filter(regex="^every_").notna().any(axis=1)
    planned, asked = tasks[limited], tasks[~limited & tasks["fits"].isin(worn)]
    what = {
        "": why.isin(["accident", "campaign"]),
        "planned": task.isin(planned["code"]).where(is_work, task.isin(planned["fits"])),
        "wear": task.isin(asked["code"]).where(is_work, task.isin(worn)),
        "unplanned": why.isin(["defect", "advice"]),
    }
    what = np.select(list(what.values()), list(what), "other")
    hours = lines["line"].map(log.tables["work"]["labour_hours"]).where(is_work)
    kind, plan = look_up(lines["vehicle"], log.vehicles["kind"]), log.plan_for(lines["vehicle"])
    return lines.assign(what=what, hours=hours, kind=kind, plan=plan)


@kept_with
def prices_of(log, worn):
    """The `Prices` of a log by its last two years; hours and pieces that they do not tell, by all.
    worn: categories whose wear is read, a frozenset."""
    # what is fitted with one whose wear is read, four times in five
    fitted = log.tables["fitted"].dropna(subset=["fitted"])
    fitted = fitted[["vehicle", "fitted", "category"]].drop_duplicates()
    other = fitted.rename(columns={"category": "other"})
    pairs = fitted[fitted["category"].isin(worn)].merge(other[~other["other"].isin(worn)])
    pairs = pairs.groupby(["category", "other"]).size().rename("n").reset_index()
    n = fitted["category"].value_counts()
    most = np.fmax(pairs["category"].map(n), pairs["other"].map(n))
    pairs = pairs[pairs["n"] >= (TOGETHER * most).clip(lower=LEAST_ROWS)]
    worn = frozenset([*worn, *pairs["other"]])
    since, lines = log.as_of - pd.Timedelta(days=PERIOD_DAYS), classed(log, worn)
    lines = lines[(lines["date"] <= log.as_of).to_numpy()]
    bills = lines[lines["what"].isin(["unplanned", "other"])]
    bills = bills.groupby(["vehicle", "kind", "date", "what"], observed=True)[["amount", "hours"]]
    bills = bills.sum(min_count=1).reset_index()
    # a piece fitted: its price, its fitting and the work of it, by item and over all
    fitted = log.tables["fitted"].sort_values("fitted", kind="stable")
    moved = fitted.index[fitted.duplicated("part") & fitted["part"].notna()]
    is_work, part = lines["source"].eq("work"), lines["task"].map(part_of_task(log.plan_or_empty))
    told = lines.assign(category=lines["task"].mask(is_work, part).astype(TEXT))
    work = told[is_work & lines["what"].eq("wear") & (lines["date"] > since)]
    bought = told[~is_work & told["category"].isin(worn) & ~told["line"].isin(moved)]
    bought = bought.join(fitted[["item", "price"]], on="line")
    bought = pd.concat([bought, bought.assign(item="")])
    recent, every = (
        rows.groupby(PIECE).agg(**MONEY, price=("price", "mean"), pieces=("price", "size"))
        for rows in (bought[bought["date"] > since], bought)
    )
    by = pd.concat([recent[recent["n"] > 0], every])
    by = by[~by.index.duplicated()]
    n = recent.query("item == ''").droplevel("item")["pieces"]
    of = by.index.droplevel("item")
    each = work.groupby(OF_KIND)[["amount", "hours"]].sum(min_count=1)
    each = each.reindex(n.index).div(n, axis=0).reindex(of).set_axis(by.index)
    amount = by["amount"] + each["amount"].fillna(0.0)
    whole = amount.rename("extra").rename_axis(["kind", "other", "item"]).reset_index()
    extra = pairs.merge(whole.query("item == ''"), on="other").groupby(OF_KIND)["extra"].sum()
    amount = amount + extra.reindex(of).fillna(0.0).to_numpy()
    sd = by["amount_sd"].mask(by["n"] < LEAST_ROWS, FEW_SD * by["amount"])
    pieces = by.assign(amount=amount, amount_sd=sd, hours=each["hours"])
    return Prices(_tasks(log, lines, since), pieces, bills, worn)


def _tasks(log, lines, since):
    """By the log where it tells, else by the plan's hours and parts; hours by like tasks too."""
    planned = lines[lines["what"].eq("planned")]
    work, fitted = (planned[planned["source"].eq(source)] for source in ("work", "fitted"))
    labour = work["line"].map(log.tables["work"]["labour_cost"]).fillna(0.0)
    asked = work["date"] >= log.first_day  # what was done before then is no occasion
    work = work.assign(labour=labour.where(work["amount"].notna()), rows=asked)
    fitted, of_row = fitted[fitted["date"] > since], work[work["date"] > since].groupby(TASK)
    mean = {"mean_hours": ("hours", "mean"), "labour": ("labour", "mean")}
    of_row = of_row.agg(**MONEY, **mean, rows=("rows", "sum"))
    done = occasions(log)[[*TASK, "done_date"]]
    done = done[(done["done_date"] > since).to_numpy()].groupby(TASK).size().rename("done")
    tasks = log.plan_or_empty.tasks[["plan", "code", "fits", "action", "hours", "parts"]]
    tasks = tasks.drop_duplicates(["plan", "code"], keep="last")
    t = tasks.rename(columns={"code": "task"}).join(of_row, on=TASK).join(done, on=TASK)
    t = t.join(work.groupby(TASK)["hours"].mean().rename("all_hours"), on=TASK)
    t = t.join(fitted.groupby(TASK)["amount"].mean().rename("fitted"), on=["plan", "fits"])
    each = (t["rows"] / t["done"]).clip(0.1, 3.0).fillna(1.0)
    by_log = t["amount"] * each + t["fitted"].fillna(0.0)
    # the plan's hours at the log's money an hour, and its parts by what is used of a pack
    paid = lines[(lines["date"] > since) & (lines["hours"] > 0) & (lines["amount"] > 0)]
    labour = log.tables["work"].loc[paid["line"], "labour_cost"].sum()
    rate = labour / paid["hours"].sum() if labour > 0 else np.nan
    parts = [sum(p["quantity"] / p["pack"] * p["price"] for p in parts) for parts in t["parts"]]
    by_plan = t["hours"] * rate + np.array(parts, dtype=float)
    amount, n = by_log.fillna(by_plan), t["n"].fillna(0)
    sd = (t["amount_sd"] * each).where(n >= LEAST_ROWS, FEW_SD * amount)
    hours = (t["mean_hours"].fillna(t["all_hours"]) * each).fillna(t["hours"])
    made = {
        "amount": amount,
        "amount_sd": sd,
        "amount_se": sd / np.sqrt(n.clip(lower=1)),
        "labour": (t["labour"] * each).where(by_log.notna(), t["hours"] * rate),
        "hours": hours.fillna(hours.groupby([t["plan"], t["action"]]).transform("mean")),
        "source": np.select([by_log.notna(), by_plan.notna()], ["log", "plan"], ""),
    }
    return t[TASK].assign(**made).set_index(TASK)


def visit_rates(log, bills, vehicles, rng, draws):
    """Days of such work in the year ahead by vehicle: (draws, vehicles) means. A Poisson regression
    on the vehicles' years of record, with a level for each kind, one rise with age and normal
    priors; each draw has its own parameters, and a gamma draw for what varies beyond that."""
    # a cell is a vehicle and year of record: its days, the age halfway, and how often it came
    n_years = max(int(np.ceil(((log.as_of - log.first_day).days + 1) / YEAR)), 1)
    ends = [log.as_of - pd.DateOffset(years=k) for k in range(n_years, -1, -1)]
    years = pd.DataFrame({"year": range(n_years), "after": ends[:-1], "to": ends[1:]})
    fleet = log.tables["vehicles"][["vehicle", "kind", "in_service"]]
    fleet = fleet.join(log.record_periods, on="vehicle")
    cells, bills = years.merge(fleet, how="cross"), bills[bills["date"] >= log.first_day]
    year = pd.cut(bills["date"], ends, labels=False).rename("year")
    cells = cells.join(bills.groupby([year, "vehicle"]).size().rename("n"), on=["year", "vehicle"])
    start = cells["begin"].clip(lower=cells["after"] + pd.Timedelta(days=1))
    days = cells["end"].clip(upper=cells["to"]) - start
    age = (start + days / 2 - cells["in_service"]).dt.days / YEAR
    cells = cells.assign(age=age, years=(days.dt.days + 1) / YEAR, n=cells["n"].fillna(0))
    cells = cells[cells["years"] > 0]
    kinds = pd.Index(sorted(fleet["kind"].dropna().unique()))
    fleet = fleet.set_index("vehicle").reindex(vehicles)
    age = (log.as_of - fleet["in_service"]).dt.days / YEAR + 0.5

    def design(kind, age):
        """A level for each kind, and age about five years."""
        level = kinds.get_indexer(kind)[:, None] == np.arange(len(kinds))
        return np.column_stack([level, np.nan_to_num(age) - 5.0]).astype(float)

    x, ahead = design(cells["kind"], cells["age"]), design(fleet["kind"], age)
    n, years = cells["n"].to_numpy(dtype=float), cells["years"].to_numpy()
    if not years.sum() > 0:
        return np.zeros((draws, len(vehicles)))
    start = np.log((n.sum() + 0.5) / years.sum())
    prior = np.append(np.full(len(kinds), PRIOR_LEVEL_SD), PRIOR_AGE_SD) ** -2.0
    centre = mode = np.append(np.full(len(kinds), start), 0.0)
    for _ in range(30):
        mean = years * np.exp(np.clip(x @ mode, -12, 6))
        curve = (x * mean[:, None]).T @ x + np.diag(prior)
        slope = x.T @ (n - mean) - prior * (mode - centre)
        mode = mode + np.clip(np.linalg.solve(curve, slope), -1, 1)
    spare, dispersion = max(len(n) - x.shape[1], 1), 1.0
    if spare >= LEAST_CELLS:
        dispersion = max(((n - mean) ** 2 / np.maximum(mean, 0.05)).sum() / spare, 1.0)
    variance = np.linalg.inv(curve)
    variance = (variance + variance.T) / 2 * dispersion
    drawn = rng.multivariate_normal(mode, variance, draws)
    rate = np.exp(np.clip(drawn @ ahead.T, -12, 6))
    return rng.gamma(rate / (dispersion - 1), dispersion - 1) if dispersion > 1.05 else rate


def draw_bills(rate, kept, bills, kind, as_of, rng):
    """(money, hours, unknown): two (draws, months) arrays, Poisson days of work, each with a bill
    of the log's last two years, of its kind where enough; and how many days a year have no money,
    and no hours. rate: (draws, vehicles) a year; kept: (months,) chance to be here still."""
    draws, months = len(rate), len(kept)
    sums, unknown = np.zeros((2, draws, months)), [0.0, 0.0]
    recent = bills[bills["date"] > as_of - pd.Timedelta(days=PERIOD_DAYS)]
    for name in pd.unique(kind) if len(bills) else ():
        pools = (recent[recent["kind"].eq(name)], recent)
        pool = next((p for p in pools if len(p) >= LEAST_BILLS), bills)
        mine = rate[:, np.asarray(kind == name)].sum(axis=1)
        count = rng.poisson(mine[:, None] * kept / months)
        where = np.repeat(np.arange(count.size), count.ravel())
        for i, column in enumerate(("amount", "hours")):
            known = pool[column].dropna().to_numpy()
            if len(known):
                drawn = _weighed(known, where // months, draws, rng)
                sums[i] += np.bincount(where, drawn, count.size).reshape(count.shape)
            else:
                unknown[i] += len(where) / draws
    return *sums, unknown


def _weighed(known, draw, draws, rng):
    """A bill for each entry of `draw` (the number of its draw), which has weights of its own over
    the bills on record (the Bayesian bootstrap: Rubin 1981, from memory), and over PRIOR_BILLS more
    of the log's mean but spread as repair bills are: so the mean's own error is in the draws."""
    if len(known) > MANY_BILLS:
        return known[rng.integers(0, len(known), len(draw))]
    usual = np.exp(PRIOR_BILL_SD * stats.norm.ppf((np.arange(9) + 0.5) / 9))
    amounts = np.append(known, known.mean() * usual / usual.mean())
    shape = np.append(np.ones(len(known)), np.full(len(usual), PRIOR_BILLS / len(usual)))
    upto = np.cumsum(rng.standard_gamma(shape, (draws, len(shape))), axis=1)
    upto = upto / upto[:, -1:] + np.arange(draws)[:, None]
    at = np.searchsorted(upto.ravel(), draw + rng.random(len(draw)), "right")
    return amounts[np.minimum(at - draw * len(shape), len(shape) - 1)]
