"""A year ahead, many times over: distance, what falls due and is done, parts that reach their
limit, bills that nobody planned.

Every draw has its own rates of use (with what all vehicles share), prices, repair rates and days:
the bands hold what is not known of the parameters as well as chance. Week by week; vehicles in
lots, so that memory stays small.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearbar.intervals.due import DAY, HOURS
from wearbar.outlook import paths
from wearbar.outlook.ahead import BASE, EVERY, POINT
from wearbar.outlook.bills import draw_bills, visit_rates
from wearbar.outlook.paths import MONTHS
from wearbar.outlook.prices import CLASSES

WEEK, LOT = 7, 150  # days; vehicles at once
LEAST_BILLS = 10  # of a class of money that is shown
SOON_DAYS = 14  # work already due is done within this
EARLY_TEST = -0.04  # of its interval, a test is taken before its certificate ends


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

    @property
    def thin(self):
        """Classes of money with too few bills: no figure of them is shown, nor in the sum."""
        return frozenset(name for name, n in self.bills.items() if n < LEAST_BILLS)


def simulate(log, model, ahead, sets, prices, rng, draws=400, common_sd=0.0):
    """`Simulated`. sets: of `parts.sets_of`; common_sd: of the log of use that vehicles share."""
    edges, starts = paths.month_edges(log.as_of)
    weeks = np.arange(0, edges[-1] + WEEK, WEEK)
    month = np.clip(np.searchsorted(edges, weeks - WEEK / 2, "right") - 1, 0, MONTHS - 1)
    common = rng.standard_normal(draws) * common_sd
    names = pd.Index(log.here)
    price = _task_prices(ahead, prices, rng, draws)
    pieces = sets.rows.join(prices.of_pieces(sets.rows))
    out = _empty(log, ahead, sets, prices, starts, draws)
    leave, stays = paths.leaving_rate(log), paths.stays_of(log)
    by_hours = np.isfinite(ahead.rows[["due_hours", "every_hours"]].to_numpy(dtype=float))
    for at in range(0, len(names), LOT):
        some = names[at : at + LOT]
        km = paths.paths(model, some, log.as_of, weeks, rng, common)
        gone = np.zeros((draws, len(some), len(weeks)), dtype=bool)
        if leave > 0:
            gone = rng.exponential(365.25 / leave, (draws, len(some), 1)) < weeks
        laid = paths.laid_up(stays, some, weeks)
        hours = np.zeros((1, len(some), len(weeks)))
        if by_hours.any() and model.hours is not None:
            hours = paths.paths(model.hours, some, log.as_of, weeks, rng, common)
        km, hours = (np.where(laid.all(axis=1)[:, None], x[:, :, :1], x) for x in (km, hours))
        driven = np.where(gone[:, :, 1:], 0, np.diff(km, axis=2)).sum(axis=1)
        for k in range(MONTHS):
            out.totals["km"][:, k] += driven[:, month[1:] == k].sum(axis=1)
        meters = (km, hours, np.broadcast_to(weeks, (1, len(some), len(weeks))))
        rows = np.flatnonzero(ahead.rows["vehicle"].isin(some))
        if len(rows):
            done = _jobs_done(ahead, rows, some, meters, gone | laid, month, rng)
            _count(out, rows, done, price, rng)
        _wear_out(out, sets, some, km, gone, month, pieces, rng)
    still = stays.loc[(stays["begin"] <= 0) & np.isinf(stays["end"]), "vehicle"]
    _bills(out, log, prices, names[~names.isin(still)], leave, rng)
    return out


def _empty(log, ahead, sets, prices, starts, draws):
    """A `Simulated` in which nothing has been counted yet."""
    pieces, bills, work = prices.pieces, prices.bills, log.tables["work"]
    days = bills["what"].eq("unplanned") & bills["amount"].notna()
    no_task, no_part, no_work = ahead.rows.empty, sets.rows.empty, work.empty and bills.empty
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


def _task_prices(ahead, prices, rng, draws):
    """(amount (draws, rows), its spread, hours (rows)) of one doing of each; NaN not known."""
    table = prices.of_tasks(ahead.rows)
    amount, hours = (table[c].to_numpy(dtype=float) for c in ("amount", "hours"))
    se, sd = (table[c].fillna(0.0).to_numpy(dtype=float) for c in ("amount_se", "amount_sd"))
    codes, which = np.unique(ahead.rows["task"].fillna("").astype(str), return_inverse=True)
    common = rng.standard_normal((draws, len(codes)))[:, which]
    return np.maximum(amount + common * se, 0.0), sd, hours


def _jobs_done(ahead, rows, some, meters, away, month, rng):
    """(draws, rows, months) doings: what falls due is done, as late as work is done here (a
    vehicle's together), and falls due again; what it covers starts anew with it.

    meters: km, hours and days, (draws, vehicles, weeks); of each one draw may stand for all.
    """
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
    counts, hours = np.zeros((*shape, MONTHS), dtype=np.int16), stand(0)[HOURS]
    for w in range(1, len(month)):
        at = stand(w)
        done = (at >= due).any(axis=0) & ~away[:, who, w]
        counts[:, :, month[w]] += done
        fresh = done.copy()
        for a, b in pairs:
            fresh[:, b] |= done[:, a]
        late_by = lateness(np.full(len(rows), -1.0))
        at[DAY] -= WEEK / 2  # in the middle of the week, and the hours as of then
        at[HOURS], hours = (at[HOURS] + hours) / 2, at[HOURS].copy()
        again = at + every
        draw, climber = np.nonzero(fresh[:, climbs])
        cell = draw, climbs[climber]
        told = ahead.points(rows[cell[1]], at[:, *cell], point[:, *cell])[0]
        point[:, *cell] = again[:, *cell] = told
        due = np.where(fresh, again + late_by, due)
    return counts


def _shares(habits, past, expiry, chance, shift):
    """How late each is, in shares of its interval, by the habits not yet behind it."""
    n = habits.shape[1]
    gone = (habits < past[:, None]).sum(axis=1)
    at = np.minimum((gone + chance * (n - gone)).astype(int), n - 1)
    share = habits[np.arange(len(past)), at] + shift
    return np.maximum(np.where(expiry, EARLY_TEST, share), past)


def _count(out, rows, counts, price, rng):
    """Adds the doings of some rows, with their money and hours."""
    amount, spread, hours = (p[..., rows] for p in price)
    totals, priced = out.totals, np.isfinite(amount[0])
    totals["jobs"] += counts.sum(axis=1)
    out.by_row[:, rows] = counts.sum(axis=2)
    money = np.einsum("dsm,ds->dm", counts[:, priced], amount[:, priced])
    noise = np.sqrt(np.einsum("dsm,s->dm", counts[:, priced], spread[priced] ** 2))
    totals["planned"] += np.maximum(money + noise * rng.standard_normal(noise.shape), 0.0)
    for name, blank in (("planned", ~priced), ("hours", np.isnan(hours))):
        out.unknown[name] += float(counts[:, blank].sum() / len(counts))
    totals["hours"] += np.einsum("dsm,s->dm", counts, np.nan_to_num(hours))


def _wear_out(out, sets, some, km, gone, month, pieces, rng):
    """Each set is renewed when its governing part reaches its limit, as late and as whole as is
    usual here, and again after another life; a damaged part is renewed alone."""
    rows = np.flatnonzero(sets.rows["vehicle"].isin(some))
    if not len(rows):
        return
    r, draws, totals = pieces.iloc[rows], len(km), out.totals
    who, size, together = some.get_indexer(r["vehicle"]), *r[["size", "together"]].to_numpy().T
    limit, harm = (km[:, who, 0] + left(rows, draws, rng) for left in (sets.left, sets.damage))
    each, sd, hours, n = r[["amount", "amount_sd", "hours", "n"]].to_numpy(dtype=float).T
    blank = {"wear": np.isnan(each), "hours": np.isnan(hours)}
    each, sd, hours = np.nan_to_num((each, sd, hours))
    se = sd / np.sqrt(np.fmax(n, 1.0))
    each = np.maximum(each + se * rng.standard_normal((draws, 1)), 0.0)
    for w in range(1, km.shape[2]):
        here = km[:, who, w]
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


def _bills(out, log, prices, names, leave, rng):
    """Unplanned and other work at its own rate, each day of it with a bill out of the log."""
    kind = names.map(log.tables["vehicles"].set_index("vehicle")["kind"])
    kept = np.exp(-leave * (np.arange(MONTHS) + 0.5) / MONTHS)
    for what in ("unplanned", "other"):
        bills = prices.bills[prices.bills["what"].eq(what)]
        rate = visit_rates(log, bills, names, rng, len(out.sets))
        money, hours, unknown = draw_bills(rate, kept, bills, kind, log.as_of, rng)
        out.totals[what] += money
        out.totals["hours"] += hours
        for name, n in zip((what, "hours"), unknown, strict=True):
            out.unknown[name] += n
