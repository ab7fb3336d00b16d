"""A year ahead, many times over: distance, what falls due and is done, parts that reach their limit, bills that nobody planned.

Every draw has its own rates of use (with what all vehicles share), its own prices and repair rates, and its own days: the bands hold what
is not known of the parameters as well as chance. Week by week; vehicles in lots, so that memory stays small.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearbar.outlook.bills import draw_bills, visit_rates
from wearbar.outlook.prices import CLASSES
from wearbar.usage.days_of_use import usual_layups
from wearbar.usage.distance import days_of
from wearbar.usage.forecast import WIDEN_AT

__all__ = ["MONTHS", "Simulated", "month_edges", "paths", "simulate"]

MONTHS, WEEK = 12, 7
LOT = 150  # vehicles at once
LEAST_BILLS = 10  # of a class of money that is shown
SOON_DAYS = 14  # work already due is done within this
EARLY_TEST = -0.04  # of its interval, a test is taken before its certificate ends


@dataclass(frozen=True, eq=False)
class Simulated:
    """starts: first day of each month ahead. chance, mean: (rows of the work ahead, months), of at least one doing, and of how many.
    totals: dict of (draws, months) arrays: jobs, hours, planned, wear, unplanned, other (money), and km. by_row: (draws, rows) doings in
    the year. by_task, by_site: frames of draws, a column each: doings in the year, hours in the year. sets: (draws, groups) replacements
    in the year. set_month: (groups, months) mean. untold: of hours and each class of money, doings a year of which no figure is known.
    blind: those of jobs, hours and the classes of money of which the log and the plan hold nothing to go by. bills: parts that wear and
    days of unplanned work with a price on record.
    """

    starts: pd.DatetimeIndex
    chance: np.ndarray
    mean: np.ndarray
    totals: dict
    by_row: np.ndarray
    by_task: pd.DataFrame
    by_site: pd.DataFrame
    sets: np.ndarray
    set_month: np.ndarray
    untold: dict
    blind: frozenset
    bills: dict

    @property
    def thin(self):
        """Classes of money that too few bills tell of: no figure of them is shown, and the money is without them."""
        return frozenset(name for name, n in self.bills.items() if n < LEAST_BILLS)


def simulate(log, model, ahead, sets, prices, rng, draws=400, common_sd=0.0):
    """`Simulated`. sets: of `outlook.parts.sets_of`; prices: `Prices`; common_sd: of the log of use that all vehicles share."""
    edges, starts = month_edges(log.as_of)
    weeks = np.arange(0, edges[-1] + WEEK, WEEK)
    month = np.clip(np.searchsorted(edges, weeks - WEEK / 2, "right") - 1, 0, MONTHS - 1)
    common = rng.standard_normal(draws) * common_sd
    fleet = log.tables["vehicles"]
    names = pd.Index(fleet.loc[~fleet["disposed"].le(log.as_of), "vehicle"])
    price = _task_prices(ahead, prices, rng, draws)
    out = _empty(ahead, sets, draws)
    leave = _leaving(log)
    stays = _stays(log)
    for at in range(0, len(names), LOT):
        some = names[at : at + LOT]
        km, gone = (
            paths(model, some, log.as_of, weeks, rng, common),
            _gone(leave, len(some), draws, weeks, rng),
        )
        laid = _laid_up(stays, some, weeks)
        hours = _hour_paths(log, model, ahead, some, weeks, rng, common, km)
        km, hours = (np.where(laid.all(axis=1)[:, None], x[:, :, :1], x) for x in (km, hours))
        out["km"] += np.stack(
            [
                np.where(gone[:, :, 1:], 0, np.diff(km, axis=2))[:, :, month[1:] == k].sum(
                    axis=(1, 2)
                )
                for k in range(MONTHS)
            ],
            axis=1,
        )
        _do_jobs(out, ahead, some, (km, hours), gone | laid, weeks, month, price, rng)
        _wear_out(out, sets, some, km, gone, month, prices, rng)
    still = stays.loc[(stays["begin"] <= 0) & np.isinf(stays["end"]), "vehicle"]
    _bills(out, log, prices, names[~names.isin(still)], leave, rng)
    return _finished(
        out, ahead, starts, draws, _blind(log, ahead, sets, prices), _on_record(log, prices)
    )


def month_edges(as_of):
    """(days before each of the months ahead and after the last, first day of each): they run from the day after `as_of`."""
    first = as_of + pd.Timedelta(days=1)
    starts = pd.DatetimeIndex([first + pd.DateOffset(months=k) for k in range(MONTHS + 1)])
    return (starts - first).days.to_numpy(), starts[:MONTHS]


def _empty(ahead, sets, draws):
    n, g = len(ahead.rows), len(sets.rows)
    out = {
        name: np.zeros((draws, MONTHS))
        for name in ("jobs", "hours", "planned", "wear", "unplanned", "other", "km")
    }
    tasks, sites = (np.unique(ahead.rows[c].fillna("").astype(str)) for c in ("task", "site"))
    out |= {
        "chance": np.zeros((n, MONTHS)),
        "mean": np.zeros((n, MONTHS)),
        "by_row": np.zeros((draws, n), dtype=np.int16),
    }
    out |= {
        "sets": np.zeros((draws, g)),
        "set_month": np.zeros((g, MONTHS)),
        "tasks": tasks,
        "sites": sites,
    }
    out["untold"] = dict.fromkeys(("hours", *CLASSES), 0.0)
    return out | {
        "by_task": np.zeros((draws, len(tasks))),
        "by_site": np.zeros((draws, len(sites))),
    }


def _blind(log, ahead, sets, prices):
    no_task, no_part = not len(ahead.rows), not len(sets.rows)
    no_work = not len(log.tables["work"]) and not len(prices.bills)
    none = {
        "jobs": no_task,
        "hours": no_task and no_part and no_work,
        "planned": no_task,
        "wear": no_part,
    }
    return frozenset(
        name
        for name, is_none in (none | {"unplanned": no_work, "other": no_work}).items()
        if is_none
    )


def _on_record(log, prices):
    bills, every = prices.bills, prices.pieces.index.get_level_values(2) == ""
    days = bills["what"].eq("unplanned") & (bills["date"] <= log.as_of) & bills["amount"].notna()
    return {"wear": int(prices.pieces.loc[every, "n"].sum()), "unplanned": int(days.sum())}


def _finished(out, ahead, starts, draws, blind, bills):
    totals = {
        name: out[name] for name in ("jobs", "hours", "planned", "wear", "unplanned", "other", "km")
    }
    by_task, by_site = (
        pd.DataFrame(out[f"by_{c}"], columns=out[f"{c}s"]) for c in ("task", "site")
    )
    told = (by_task, by_site, out["sets"], out["set_month"] / draws, out["untold"], blind, bills)
    return Simulated(starts, out["chance"], out["mean"], totals, out["by_row"], *told)


def paths(model, vehicles, as_of, weeks, rng, common):
    """Cumulative km of each draw and vehicle at the end of each of `weeks` (days from as_of): (draws, vehicles, weeks), never falling."""
    draws = len(common)
    row, known = model.of(vehicles)
    n, m = len(row), len(weeks)
    today = int(days_of([as_of])[0])
    start = days_of(known["last_date"])
    end = np.tile(today + weeks, n).astype(np.int64)
    used = model.clock.between(np.repeat(row, m), np.repeat(start, m), end).reshape(n, m)
    told = known["method"].isin(["own", "kind-and-site"]).to_numpy()
    rate, variance, drift, dispersion, df = (
        np.where(told, known[c], fill) for c, fill in
        (("rate_km_per_day", 0.0), ("log_variance", 0.0), ("drift_per_day", 0.0), ("dispersion_days", 0.0), ("df", 1e6))
    )  # fmt: skip
    used = np.where(told[:, None], np.maximum(used, 0.0), 0.0)
    step = np.maximum(np.diff(used, axis=1, prepend=0.0), 0.0)
    scale = np.sqrt(df / rng.chisquare(np.minimum(df, 1e6), (draws, n)))
    walk = np.cumsum(rng.standard_normal((draws, n, m)) * np.sqrt(drift[:, None] * step), axis=2)
    level = rng.standard_normal((draws, n)) * np.sqrt(variance)
    noise = rng.standard_normal((draws, n, m)) * np.sqrt(dispersion[:, None] * step)
    spent = np.cumsum(np.maximum(step * np.exp(walk) + noise, 0.0), axis=2)
    with np.errstate(divide="ignore", invalid="ignore"):
        off = np.log(spent / used) * scale[:, :, None] + (level * scale)[:, :, None]
        off = (
            np.nan_to_num(off, nan=0.0, posinf=0.0, neginf=-3.0)
            * np.interp(used, WIDEN_AT, model.widen)
            + common[:, None, None]
        )
    far = known["last_km"].fillna(0.0).to_numpy()[:, None] + rate[:, None] * used * np.exp(
        np.clip(off, -3, 3)
    )
    return np.maximum.accumulate(far, axis=2)


def _hour_paths(log, model, ahead, some, weeks, rng, common, km):
    """As `paths`, of the hour meters; nil throughout where no work ahead is counted in hours."""
    asked = np.isfinite(ahead.rows[["due_hours", "every_hours"]].to_numpy(dtype=float)).any()
    return (
        paths(model.hours, some, log.as_of, weeks, rng, common)
        if asked and model.hours is not None
        else np.zeros_like(km[:1])
    )


def _leaving(log):
    """Vehicles that leave, a vehicle and year, by the log's own record; nil where none has."""
    fleet = log.tables["vehicles"]
    start = fleet["acquired"].fillna(fleet["in_service"]).clip(lower=log.first_day)
    end = fleet["disposed"].clip(upper=log.as_of).fillna(log.as_of)
    years = ((end - start).dt.days.clip(lower=0)).sum() / 365.25
    return float(fleet["disposed"].le(log.as_of).sum() / years) if years > 0 else 0.0


def _gone(leave, n, draws, weeks, rng):
    """(draws, vehicles, weeks): whether the vehicle has left by then."""
    day = (
        rng.exponential(365.25 / leave, (draws, n, 1))
        if leave > 0
        else np.full((draws, n, 1), np.inf)
    )
    return day < weeks


def _stays(log):
    """Lay-ups on record and those that are usual, in days from the log's day: frame `vehicle, begin, end`. One without an end that has
    lasted longer than is usual, or of which nothing is usual, goes on.
    """
    stays = usual_layups(log.tables["layups"], log.as_of)
    is_open = log.tables["layups"].dropna(subset=["from"])["to"].isna().to_numpy()
    begin, end = ((stays[c] - log.as_of).dt.days.to_numpy(dtype=float) for c in ("from", "to"))
    end[: len(is_open)] = np.where(
        is_open & ~(end[: len(is_open)] > 0), np.inf, end[: len(is_open)]
    )
    return pd.DataFrame({"vehicle": stays["vehicle"], "begin": begin, "end": end})


def _laid_up(stays, some, weeks):
    """(vehicles, weeks): laid up then: work waits until the return."""
    stays = stays[stays["vehicle"].isin(some)]
    laid = np.zeros((len(some), len(weeks)), dtype=bool)
    inside = (weeks >= stays["begin"].to_numpy()[:, None]) & (
        weeks < stays["end"].to_numpy()[:, None]
    )
    np.logical_or.at(laid, some.get_indexer(stays["vehicle"]), inside)
    return laid


def _task_prices(ahead, prices, rng, draws):
    """(amount (draws, rows), its spread (rows), hours (rows)) of one doing of each row; NaN not known."""
    key = pd.MultiIndex.from_frame(ahead.rows[["plan", "task"]])
    table = prices.tasks.reindex(key)
    amount = table["amount"].to_numpy(dtype=float)
    codes, which = np.unique(ahead.rows["task"].fillna("").astype(str), return_inverse=True)
    common = rng.standard_normal((draws, len(codes)))[:, which]
    drawn = np.maximum(amount + common * table["amount_se"].fillna(0.0).to_numpy(), 0.0)
    return (
        drawn,
        table["amount_sd"].fillna(0.0).to_numpy(dtype=float),
        table["hours"].to_numpy(dtype=float),
    )


def _do_jobs(out, ahead, some, driven, away, weeks, month, price, rng):
    """What falls due is done, as late as work is done here (a vehicle's together), and falls due again; what it covers starts anew with
    it. driven: (km, hours) of `paths`; of hours one draw may stand for all.
    """
    rows = np.flatnonzero(ahead.rows["vehicle"].isin(some))
    if not len(rows):
        return
    r = ahead.rows.iloc[rows]
    km, hours = driven
    who, draws = some.get_indexer(r["vehicle"]), len(km)
    every_km, every_hours, every_day = (
        r[c].to_numpy() for c in ("every_km", "every_hours", "every_days")
    )
    expiry, past = r["is_expiry"].to_numpy(dtype=bool), r["past_share"].to_numpy()
    shift = rng.standard_normal((draws, 1)) * ahead.habit_sd
    habit = _shares(ahead.habits[rows], past, expiry, rng.random((draws, len(some)))[:, who], shift)
    again_km, again_hours, again_day = (
        np.where(np.isfinite(x), x, 0.0) for x in (every_km, every_hours, every_day)
    )
    soon = rng.uniform(0, SOON_DAYS, (draws, len(rows)))
    point = np.repeat(ahead.again.base[:, None, rows], draws, axis=1)
    point[2] -= ahead.again.today
    climbs = np.flatnonzero(ahead.again.on_ladder[rows])
    due_km = r["due_km"].to_numpy() + habit * again_km
    due_day = np.maximum(r["due_day"].to_numpy() + habit * again_day, soon)
    due_hours = r["due_hours"].to_numpy() + habit * again_hours
    late = (due_km <= km[:, who, 0]) | (due_hours <= hours[:, who, 0])
    due_day = np.where(late, np.minimum(due_day, soon), due_day)
    due_km, due_hours = (np.where(late, np.inf, x) for x in (due_km, due_hours))
    inside = {row: at for at, row in enumerate(rows)}
    pairs = [
        (inside[a], inside[b])
        for a, b in zip(*ahead.covers, strict=True)
        if a in inside and b in inside
    ]
    counts = np.zeros((draws, len(rows), MONTHS), dtype=np.int16)
    for w in range(1, len(weeks)):
        here, run = km[:, who, w], np.broadcast_to(hours[:, who, w], due_hours.shape)
        done = ((here >= due_km) | (run >= due_hours) | (weeks[w] >= due_day)) & ~away[:, who, w]
        counts[:, :, month[w]] += done
        fresh = done.copy()
        for a, b in pairs:
            fresh[:, b] |= done[:, a]
        share = _shares(
            ahead.habits[rows],
            np.full(len(rows), -1.0),
            expiry,
            rng.random((draws, len(some)))[:, who],
            shift,
        )
        run = (run + hours[:, who, w - 1]) / 2  # as of the days: in the middle of the week
        next_km, next_hours = here + every_km, run + every_hours
        next_day = np.broadcast_to(weeks[w] - WEEK / 2 + every_day, fresh.shape).copy()
        draw, at = np.nonzero(fresh[:, climbs])
        at = climbs[at]
        point[:, draw, at] = ahead.again.points(
            rows[at], here[draw, at], run[draw, at], weeks[w] - WEEK / 2, point[:, draw, at]
        )[0]
        next_km[draw, at], next_hours[draw, at], next_day[draw, at] = point[:, draw, at]
        due_km = np.where(fresh, next_km + share * again_km, due_km)
        due_hours = np.where(fresh, next_hours + share * again_hours, due_hours)
        due_day = np.where(fresh, next_day + share * again_day, due_day)
    _count(out, ahead, rows, counts, price, rng)


def _shares(habits, past, expiry, chance, shift):
    """How late each doing is, in shares of its interval: of the habits not yet behind it, that at a chance; tests before their day."""
    n = habits.shape[1]
    gone = (habits < past[:, None]).sum(axis=1)
    at = np.minimum((gone + chance * (n - gone)).astype(int), n - 1)
    share = habits[np.arange(len(past)), at] + shift
    return np.maximum(np.where(expiry, EARLY_TEST, share), past)


def _count(out, ahead, rows, counts, price, rng):
    amount, spread, hours = (p[..., rows] for p in price)
    out["chance"][rows], out["mean"][rows] = (counts > 0).mean(axis=0), counts.mean(axis=0)
    out["jobs"] += counts.sum(axis=1)
    out["by_row"][:, rows] = counts.sum(axis=2)
    priced = np.isfinite(amount[0])
    money = np.einsum("dsm,ds->dm", counts[:, priced], amount[:, priced])
    noise = np.sqrt(np.einsum("dsm,s->dm", counts[:, priced], spread[priced] ** 2))
    out["planned"] += np.maximum(money + noise * rng.standard_normal(noise.shape), 0.0)
    for name, blank in (("planned", ~priced), ("hours", np.isnan(hours))):
        out["untold"][name] += float(counts[:, blank].sum() / len(counts))
    out["hours"] += np.einsum("dsm,s->dm", counts, np.nan_to_num(hours))
    year = counts.sum(axis=2)
    for name, weight in (("task", np.ones(len(rows))), ("site", np.nan_to_num(hours))):
        code = np.searchsorted(out[f"{name}s"], ahead.rows[name].iloc[rows].fillna("").astype(str))
        np.add.at(out[f"by_{name}"].T, code, (year * weight).T)


def _wear_out(out, sets, some, km, gone, month, prices, rng):
    """Each set is renewed when its governing part reaches its limit, as late and as whole as is usual here, and again after another life;
    a damaged part is renewed alone."""
    rows = np.flatnonzero(sets.rows["vehicle"].isin(some))
    if not len(rows):
        return
    r, draws = sets.rows.iloc[rows], len(km)
    who = some.get_indexer(r["vehicle"])
    limit, harm = (km[:, who, 0] + left(rows, draws, rng) for left in (sets.left, sets.damage))
    table = prices.piece(r["kind"], r["category"], r["item"])
    amount, sd, hours = (table[c].to_numpy(dtype=float) for c in ("amount", "amount_sd", "hours"))
    blank, amount, hours = (
        {"wear": np.isnan(amount), "hours": np.isnan(hours)},
        amount + sets.extra(r, prices),
        np.nan_to_num(hours),
    )
    size = r["size"].to_numpy()
    common = np.nan_to_num(
        sd / np.sqrt(np.maximum(table["n"].to_numpy(dtype=float), 1.0))
    ) * rng.standard_normal((draws, 1))
    for w in range(1, km.shape[2]):
        here = km[:, who, w]
        worn, hurt = ((here >= end) & ~gone[:, who, w] for end in (limit, harm))
        done = worn | hurt
        if not done.any():
            continue
        whole, fresh = sets.is_whole(rows, draws, rng), sets.life(rows, draws, rng)
        rest = np.where(
            whole, fresh, fresh * rng.random(fresh.shape)
        )  # one alone: its mate is anywhere in its life
        limit = np.where(worn, here + rest, np.where(hurt & (size == 1), here + fresh, limit))
        harm = np.where(done, here + sets.damage(rows, draws, rng), harm)
        pieces = np.where(worn, np.where(whole, size, 1), hurt)
        out["sets"][:, rows] += pieces / size
        out["set_month"][rows, month[w]] += (pieces / size).sum(axis=0)
        for name, which in blank.items():
            out["untold"][name] += float(done[:, which].sum() / draws)
        spend = pieces * np.maximum(np.nan_to_num(amount) + common, 0.0)
        noise = np.sqrt((pieces * np.nan_to_num(sd**2)).sum(axis=1))
        out["wear"][:, month[w]] += np.maximum(
            spend.sum(axis=1) + noise * rng.standard_normal(draws), 0.0
        )
        out["hours"][:, month[w]] += (pieces * hours).sum(axis=1)
        code = np.searchsorted(out["sites"], r["site"].fillna("").astype(str))
        known = code < len(out["sites"])
        np.add.at(out["by_site"].T, code[known], (pieces * hours)[:, known].T)


def _bills(out, log, prices, names, leave, rng):
    """Unplanned and other work at its own rate, each day of it with a bill out of the log."""
    kind = (
        log.tables["vehicles"]
        .drop_duplicates("vehicle")
        .set_index("vehicle")["kind"]
        .reindex(names)
        .to_numpy(dtype=object)
    )
    kept = np.exp(-leave * (np.arange(MONTHS) + 0.5) / MONTHS)
    for what in ("unplanned", "other"):
        bills = prices.bills[prices.bills["what"].eq(what) & (prices.bills["date"] <= log.as_of)]
        rate = visit_rates(log, bills, names, rng, len(out["jobs"]))
        money, hours, untold = draw_bills(rate, kept, bills, kind, log.as_of, MONTHS, rng)
        out[what] += money
        out["hours"] += hours
        for name, n in zip((what, "hours"), untold, strict=True):
            out["untold"][name] += n
