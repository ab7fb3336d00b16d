"""A year ahead, many times over: distance, work done, parts at their limit, unplanned bills. Every
draw has its own rates of use (with what all vehicles share), prices, repair rates and days: the
bands hold what is not known of the parameters as well as chance. Vehicles in lots: for memory."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearbar.intervals.due import DAY
from wearbar.outlook.ahead import BASE, EVERY, POINT
from wearbar.outlook.prices import CLASSES, draw_bills, visit_rates
from wearbar.usage.days_of_use import usual_layups
from wearbar.usage.distance import days_of
from wearbar.usage.forecast import WIDEN_AT

MONTHS = 12
WEEK, LOT = 7, 150  # days; vehicles at once
LEAST_BILLS = 10  # of a class of money that is shown
SOON_DAYS = 14  # work already due is done within this
EARLY_TEST = -0.04  # of its interval, a test is taken before its certificate ends
RATES = ["rate_km_per_day", "log_variance", "drift_per_day", "dispersion_days"]


@dataclass(frozen=True, eq=False)
class Simulated:
    """A year ahead, a row a draw."""

    starts: pd.DatetimeIndex  # the first day of each month ahead
    totals: dict  # (draws, months) arrays: jobs, hours, km, the classes of money
    by_row: np.ndarray  # (draws, rows of the work ahead) doings
    sets: np.ndarray  # (draws, sets) replacements, a part alone as its share of the set
    unknown: dict  # of hours and each class, doings of which no figure is known
    blind: frozenset  # of jobs, hours and classes, those that log and plan hold nothing of
    bills: dict  # parts that wear and days of unplanned work with a price on record
    far: frozenset = frozenset()  # of jobs and hours: past years were too far off for a range

    @property
    def thin(self):
        """Classes of money with too few bills: no figure of them is shown, nor in the sum."""
        return frozenset(name for name, n in self.bills.items() if n < LEAST_BILLS)


def month_edges(as_of):
    """(days before each of the months ahead and after the last, first day of each)."""
    first = as_of + pd.Timedelta(days=1)
    starts = pd.DatetimeIndex([first + pd.DateOffset(months=k) for k in range(MONTHS + 1)])
    return (starts - first).days.to_numpy(), starts[:MONTHS]


def days_of_use(model, vehicles, as_of, days):
    """(rows of `model.vehicles`, days of use (vehicles, days) by the end of each of `days`)."""
    row, known = model.of(vehicles)
    n, m = len(row), len(days)
    end = np.tile(int(days_of([as_of])[0]) + np.asarray(days), n).astype(np.int64)
    start = np.repeat(days_of(known["last_date"]), m)
    used = model.clock.between(np.repeat(row, m), start, end).reshape(n, m)
    is_known = known["method"].isin(["own", "kind-and-site"])
    known[RATES] = known[RATES].where(is_known, 0.0)
    known = known.assign(df=known["df"].where(is_known, 1e6), last_km=known["last_km"].fillna(0.0))
    return known, np.where(is_known.to_numpy()[:, None], used, 0.0)


def paths(model, vehicles, as_of, weeks, rng, common):
    """Cumulative km of each draw and vehicle at the end of each of `weeks` (days from as_of):
    (draws, vehicles, weeks), never falling. common: (draws,) of the log of use."""
    known, used = days_of_use(model, vehicles, as_of, weeks)
    rate, variance, drift, dispersion = known[RATES].to_numpy(dtype=float).T[..., None]
    df, last = known[["df", "last_km"]].to_numpy(dtype=float).T
    draws, used = len(common), np.maximum(used, 0.0)
    n, m = used.shape
    step = np.maximum(np.diff(used, axis=1, prepend=0.0), 0.0)
    scale = np.sqrt(df / rng.chisquare(np.minimum(df, 1e6), (draws, n)))[..., None]
    walk = np.cumsum(rng.standard_normal((draws, n, m)) * np.sqrt(drift * step), axis=2)
    level = rng.standard_normal((draws, n))[..., None] * np.sqrt(variance)
    noise = rng.standard_normal((draws, n, m)) * np.sqrt(dispersion * step)
    spent = np.cumsum(np.maximum(step * np.exp(walk) + noise, 0.0), axis=2)
    with np.errstate(divide="ignore", invalid="ignore"):
        off = np.log(spent / used) * scale + level * scale
        off = np.nan_to_num(off, nan=0.0, posinf=0.0, neginf=-3.0)
        off = off * np.interp(used, WIDEN_AT, model.widen) + common[:, None, None]
    far = last[:, None] + rate * used * np.exp(np.clip(off, -3, 3))
    return np.maximum.accumulate(far, axis=2)


def simulate(log, model, ahead, sets, prices, rng, draws=400, common_sd=0.0):
    """`Simulated`. sets: of `parts.sets_of`; common_sd: of the log of use that vehicles share."""
    edges, starts = month_edges(log.as_of)
    weeks = np.arange(0, edges[-1] + WEEK, WEEK)
    month = np.clip(np.searchsorted(edges, weeks - WEEK / 2, "right") - 1, 0, MONTHS - 1)
    common = rng.standard_normal(draws) * common_sd
    of_wear, of_bills = rng.spawn(2)  # else a life changed would change the luck of all the rest
    names, record = pd.Index(log.here), log.record_periods
    # lay-ups held, then those that are usual; one longer than is usual goes on
    held = log.tables["layups"].dropna(subset="from")
    stays = usual_layups(held, log.as_of)
    begin, end = ((stays[c] - log.as_of).dt.days.to_numpy(dtype=float) for c in ("from", "to"))
    is_open = np.isin(np.arange(len(stays)), np.flatnonzero(held["to"].isna()))
    end = np.where(is_open & ~(end > 0), np.inf, end)
    stays = stays[["vehicle"]].assign(begin=begin, end=end)
    # what one doing of each row costs in each draw: a task's mean is as sure as its rows make it
    each, pieces = prices.of_tasks(ahead.rows), sets.rows.join(prices.of_pieces(sets.rows))
    codes, which = np.unique(ahead.rows["task"].fillna("").astype(str), return_inverse=True)
    off = rng.standard_normal((draws, len(codes)))[:, which]
    off *= each["amount_se"].fillna(0.0).to_numpy(dtype=float)
    amount = np.maximum(each["amount"].to_numpy(dtype=float) + off, 0.0)
    out = _empty(log, ahead, sets, prices, starts, draws)
    # vehicles that leave, a vehicle and year, by the log's own record
    years = (record["end"] - record["begin"]).dt.days.clip(lower=0).sum() / 365.25
    leave = float((len(record) - len(names)) / years) if years > 0 else 0.0
    by_hours = np.isfinite(ahead.rows[["due_hours", "every_hours"]].to_numpy(dtype=float)).any()
    for at in range(0, len(names), LOT):
        some = names[at : at + LOT]
        km = paths(model, some, log.as_of, weeks, rng, common)
        gone = np.zeros((draws, len(some), len(weeks)), dtype=bool)
        if leave > 0:
            gone = rng.exponential(365.25 / leave, (draws, len(some), 1)) < weeks
        laid = np.zeros((len(some), len(weeks)), dtype=bool)  # work waits until the return
        for stay in stays[stays["vehicle"].isin(some)].itertuples():
            laid[some.get_loc(stay.vehicle)] |= (weeks >= stay.begin) & (weeks < stay.end)
        hours = np.zeros((1, len(some), len(weeks)))
        if by_hours and model.hours is not None:
            hours = paths(model.hours, some, log.as_of, weeks, rng, common)
        km, hours = (np.where(laid.all(axis=1)[:, None], x[:, :, :1], x) for x in (km, hours))
        driven = np.where(gone[:, :, 1:], 0, np.diff(km, axis=2)).sum(axis=1)
        out.totals["km"] += driven @ (month[1:, None] == np.arange(MONTHS))
        meters = (km, hours, np.broadcast_to(weeks, (1, len(some), len(weeks))))
        rows = np.flatnonzero(ahead.rows["vehicle"].isin(some))
        if len(rows):
            cost = amount[:, rows], each.iloc[rows]
            _do_jobs(out, ahead, rows, some, meters, gone | laid, month, cost, rng)
        _wear_out(out, sets, some, km, gone, month, pieces, of_wear.spawn(len(weeks)))
    # unplanned and other work at its own rate, each day of it with a bill out of the log
    names = names[~names.isin(stays.loc[(stays["begin"] <= 0) & np.isinf(stays["end"]), "vehicle"])]
    kind = names.map(log.vehicles["kind"])
    kept = np.exp(-leave * (np.arange(MONTHS) + 0.5) / MONTHS)
    for what in ("unplanned", "other"):
        bills = prices.bills[prices.bills["what"].eq(what)]
        rate = visit_rates(log, bills, names, of_bills, draws)
        money, hours, unknown = draw_bills(rate, kept, bills, kind, log.as_of, of_bills)
        out.totals[what] += money
        out.totals["hours"] += hours
        for name, n in zip((what, "hours"), unknown, strict=True):
            out.unknown[name] += n
    return out


def _empty(log, ahead, sets, prices, starts, draws):
    """A `Simulated` in which nothing has been counted yet."""
    pieces, bills = prices.pieces, prices.bills
    days = bills["what"].eq("unplanned") & bills["amount"].notna()
    no_task, no_part = ahead.rows.empty, sets.rows.empty
    no_work = log.tables["work"].empty and bills.empty
    blind = {"jobs": no_task, "hours": no_task and no_part and no_work, "planned": no_task}
    blind |= {"wear": no_part, "unplanned": no_work, "other": no_work}
    return Simulated(
        starts,
        totals={name: np.zeros((draws, MONTHS)) for name in ("jobs", "hours", *CLASSES, "km")},
        by_row=np.zeros((draws, len(ahead.rows)), dtype=np.int16),
        sets=np.zeros((draws, len(sets.rows))),
        unknown=dict.fromkeys(("hours", *CLASSES), 0.0),
        blind=frozenset(name for name, is_none in blind.items() if is_none),
        bills={"wear": int(pieces.query("item == ''")["n"].sum()), "unplanned": int(days.sum())},
    )


def _do_jobs(out, ahead, rows, some, meters, away, month, cost, rng):
    """What falls due is done as late as is usual here, and falls due again with what it covers.
    meters: km, hours and days, (draws, vehicles, weeks); of each one draw may stand for all."""
    r, covers, shape = ahead.rows.iloc[rows], ahead.covers, (len(away), len(rows))
    who, climbs = some.get_indexer(r["vehicle"]), np.flatnonzero(r["on_ladder"])
    due, every, base = (r[names].to_numpy(dtype=float).T[:, None] for names in (POINT, EVERY, BASE))
    span, point = np.where(np.isfinite(every), every, 0.0), np.repeat(base, len(away), axis=1)
    pairs = np.searchsorted(rows, covers[:, np.isin(covers, rows).all(axis=0)]).T
    expiry, shift = r["is_expiry"].to_numpy(bool), rng.standard_normal((len(away), 1))

    def lateness(past):
        chance = rng.random((len(away), len(some)))[:, who]
        return _shares(ahead.habits[rows], past, expiry, chance, shift * ahead.habit_sd) * span

    def stand(week):
        return np.stack([np.broadcast_to(meter[:, who, week], shape) for meter in meters])

    due = due + lateness(r["past_share"].to_numpy())
    soon = rng.uniform(0, SOON_DAYS, shape)
    due[DAY] = np.maximum(due[DAY], soon)
    late = (due[:DAY] <= stand(0)[:DAY]).any(axis=0)
    due[DAY] = np.where(late, np.minimum(due[DAY], soon), due[DAY])
    due[:DAY] = np.where(late, np.inf, due[:DAY])
    counts, before = np.zeros((*shape, MONTHS), dtype=np.int16), stand(0)[:DAY]
    for w in range(1, len(month)):
        at = stand(w)
        done = (at >= due).any(axis=0) & ~away[:, who, w]
        counts[:, :, month[w]] += done
        fresh = done.copy()
        for a, b in pairs:
            fresh[:, b] |= done[:, a]
        late_by = lateness(np.full(len(rows), -1.0))
        at[DAY] -= WEEK / 2  # in the middle of the week, and km and hours as of then
        at[:DAY], before = (at[:DAY] + before) / 2, at[:DAY].copy()
        again = at + every
        draw, climber = np.nonzero(fresh[:, climbs])
        cell = draw, climbs[climber]
        told = ahead.points(rows[cell[1]], at[:, *cell], point[:, *cell])[0]
        point[:, *cell] = again[:, *cell] = told
        due = np.where(fresh, again + late_by, due)
    # with its money and hours
    amount, each = cost
    sd, hours = (each[c].fillna(0.0).to_numpy(dtype=float) for c in ("amount_sd", "hours"))
    out.totals["jobs"] += counts.sum(axis=1)
    out.by_row[:, rows] = counts.sum(axis=2)
    money = np.einsum("dsm,ds->dm", counts, np.nan_to_num(amount))
    noise = np.sqrt(np.einsum("dsm,s->dm", counts, sd**2))
    out.totals["planned"] += np.maximum(money + noise * rng.standard_normal(noise.shape), 0.0)
    out.totals["hours"] += np.einsum("dsm,s->dm", counts, hours)
    for name, figure in (("planned", "amount"), ("hours", "hours")):
        out.unknown[name] += float(counts[:, each[figure].isna()].sum() / len(counts))


def _shares(habits, past, expiry, chance, shift):
    """How late each is, in shares of its interval, by the habits not yet behind it."""
    n = habits.shape[1]
    gone = (habits < past[:, None]).sum(axis=1)
    at = np.minimum((gone + chance * (n - gone)).astype(int), n - 1)
    share = habits[np.arange(len(past)), at] + shift
    return np.maximum(np.where(expiry, EARLY_TEST, share), past)


def _wear_out(out, sets, some, km, gone, month, pieces, luck):
    """Each set is renewed when its governing part reaches its limit, as late and as whole as is
    usual here, and again after another life; a damaged part is renewed alone. luck: an rng of the
    parts fitted now, then one a week."""
    rows = np.flatnonzero(sets.rows["vehicle"].isin(some))
    if not len(rows):
        return
    r, draws, totals = pieces.iloc[rows], len(km), out.totals
    who, size, together = some.get_indexer(r["vehicle"]), *r[["size", "together"]].to_numpy().T
    rng = luck[0]
    limit, harm = (km[:, who, 0] + left(rows, draws, rng) for left in (sets.left, sets.damage))
    each, sd, hours, n = r[["amount", "amount_sd", "hours", "n"]].to_numpy(dtype=float).T
    blank = {"wear": np.isnan(each), "hours": np.isnan(hours)}
    each, sd, hours = np.nan_to_num((each, sd, hours))
    se = sd / np.sqrt(np.fmax(n, 1.0))
    each = np.maximum(each + se * rng.standard_normal((draws, 1)), 0.0)
    for w in range(1, km.shape[2]):
        here, rng = km[:, who, w], luck[w]
        worn, hurt = ((here >= end) & ~gone[:, who, w] for end in (limit, harm))
        done = worn | hurt
        if not done.any():
            continue
        whole, fresh = rng.random(here.shape) < together, sets.life(rows, draws, rng)
        # one alone: its mate is anywhere in its life
        rest = np.where(whole, fresh, fresh * rng.random(fresh.shape))
        limit = np.where(worn, here + rest, np.where(hurt & (size == 1), here + fresh, limit))
        harm = np.where(done, here + sets.damage(rows, draws, rng), harm)
        pieces = np.where(worn, np.where(whole, size, 1), hurt)
        out.sets[:, rows] += pieces / size
        for name, which in blank.items():
            out.unknown[name] += float(done[:, which].sum() / draws)
        noise = np.sqrt((pieces * sd**2).sum(axis=1)) * rng.standard_normal(draws)
        totals["wear"][:, month[w]] += np.maximum((pieces * each).sum(axis=1) + noise, 0.0)
        totals["hours"][:, month[w]] += (pieces * hours).sum(axis=1)
