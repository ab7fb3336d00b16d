"""A year ahead, many times over: distance, what falls due and is done, parts that reach their
limit, bills that nobody planned.

Every draw has its own rates of use (with what all vehicles share), prices, repair rates and days:
the bands hold what is not known of the parameters as well as chance. Week by week; vehicles in
lots, so that memory stays small.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearbar.intervals.due import DAY
from wearbar.outlook import paths
from wearbar.outlook.bills import draw_bills, visit_rates
from wearbar.outlook.paths import MONTHS
from wearbar.outlook.prices import CLASSES

WEEK, LOT = 7, 150  # days; vehicles at once
LEAST_BILLS = 10  # of a class of money that is shown
SOON_DAYS = 14  # work already due is done within this
EARLY_TEST = -0.04  # of its interval, a test is taken before its certificate ends
AXES = ("km", "hours", "day")


@dataclass(frozen=True, eq=False)
class Simulated:
    """A year ahead, a row a draw.

    starts: first day of each month ahead. totals: dict of (draws, months) arrays: jobs, hours,
        planned, wear, unplanned, other (money), and km.
    by_row: (draws, rows of the work ahead) doings in the year. sets: (draws, sets) replacements in
        the year, a part alone as its share of the set.
    unknown: of hours and each class of money, doings a year of which no figure is known. blind:
        those of jobs, hours and the classes of which the log and the plan hold nothing to go by.
    bills: parts that wear and days of unplanned work with a price on record.
    """

    starts: pd.DatetimeIndex
    totals: dict
    by_row: np.ndarray
    sets: np.ndarray
    unknown: dict
    blind: frozenset
    bills: dict

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
    out = _empty(log, ahead, sets, prices, starts, draws)
    leave, stays = paths.leaving_rate(log), paths.stays_of(log)
    for at in range(0, len(names), LOT):
        some = names[at : at + LOT]
        km = paths.paths(model, some, log.as_of, weeks, rng, common)
        gone = paths.gone_by(leave, len(some), draws, weeks, rng)
        laid = paths.laid_up(stays, some, weeks)
        hours = paths.hour_paths(log, model, ahead, some, weeks, rng, common)
        km, hours = (np.where(laid.all(axis=1)[:, None], x[:, :, :1], x) for x in (km, hours))
        driven = np.where(gone[:, :, 1:], 0, np.diff(km, axis=2))
        for k in range(MONTHS):
            out.totals["km"][:, k] += driven[:, :, month[1:] == k].sum(axis=(1, 2))
        _do_jobs(out, ahead, some, (km, hours), gone | laid, weeks, month, price, rng)
        _wear_out(out, sets, some, km, gone, month, prices, rng)
    still = stays.loc[(stays["begin"] <= 0) & np.isinf(stays["end"]), "vehicle"]
    _bills(out, log, prices, names[~names.isin(still)], leave, rng)
    return out


def _empty(log, ahead, sets, prices, starts, draws):
    """A `Simulated` in which nothing has been counted yet."""
    bills, every = prices.bills, prices.pieces.index.get_level_values(2) == ""
    days = bills["what"].eq("unplanned") & (bills["date"] <= log.as_of) & bills["amount"].notna()
    no_task, no_part = not len(ahead.rows), not len(sets.rows)
    no_work = not len(log.tables["work"]) and not len(bills)
    blind = {"jobs": no_task, "hours": no_task and no_part and no_work, "planned": no_task}
    blind |= {"wear": no_part, "unplanned": no_work, "other": no_work}
    return Simulated(
        starts,
        {name: np.zeros((draws, MONTHS)) for name in ("jobs", "hours", *CLASSES, "km")},
        np.zeros((draws, len(ahead.rows)), dtype=np.int16),
        np.zeros((draws, len(sets.rows))),
        dict.fromkeys(("hours", *CLASSES), 0.0),
        frozenset(name for name, is_none in blind.items() if is_none),
        {"wear": int(prices.pieces.loc[every, "n"].sum()), "unplanned": int(days.sum())},
    )


def _task_prices(ahead, prices, rng, draws):
    """(amount (draws, rows), its spread, hours (rows)) of one doing of each; NaN not known."""
    table = prices.task(ahead.rows)
    amount, hours = (table[c].to_numpy(dtype=float) for c in ("amount", "hours"))
    se, sd = (table[c].fillna(0.0).to_numpy(dtype=float) for c in ("amount_se", "amount_sd"))
    codes, which = np.unique(ahead.rows["task"].fillna("").astype(str), return_inverse=True)
    common = rng.standard_normal((draws, len(codes)))[:, which]
    return np.maximum(amount + common * se, 0.0), sd, hours


def _do_jobs(out, ahead, some, driven, away, weeks, month, price, rng):
    """What falls due is done, as late as work is done here (a vehicle's together), and falls due
    again; what it covers starts anew with it.

    driven: (km, hours) of `paths`; of hours one draw may stand for all. Points are of `AXES`: (3,
    draws, rows).
    """
    rows = np.flatnonzero(ahead.rows["vehicle"].isin(some))
    if not len(rows):
        return
    r, draws = ahead.rows.iloc[rows], len(driven[0])
    who, shape = some.get_indexer(r["vehicle"]), (draws, len(rows))
    due, every = (
        r[[f"{what}_{x}" for x in axes]].to_numpy(dtype=float).T[:, None]
        for what, axes in (("due", AXES), ("every", ("km", "hours", "days")))
    )
    span = np.where(np.isfinite(every), every, 0.0)
    expiry, shift = r["is_expiry"].to_numpy(bool), rng.standard_normal((draws, 1)) * ahead.habit_sd

    def lateness(past):
        chance = rng.random((draws, len(some)))[:, who]
        return _shares(ahead.habits[rows], past, expiry, chance, shift) * span

    due = due + lateness(r["past_share"].to_numpy())
    soon = rng.uniform(0, SOON_DAYS, shape)
    due[DAY] = np.maximum(due[DAY], soon)
    late = np.logical_or(*(x <= meter[:, who, 0] for x, meter in zip(due, driven, strict=False)))
    due[DAY] = np.where(late, np.minimum(due[DAY], soon), due[DAY])
    due[:DAY] = np.where(late, np.inf, due[:DAY])
    point = np.repeat(ahead.again.base[:, None, rows], draws, axis=1)
    point[DAY] -= ahead.again.today
    climbs, (does, done_too) = np.flatnonzero(ahead.again.on_ladder[rows]), ahead.covers
    inside = np.isin(does, rows) & np.isin(done_too, rows)
    pairs = np.searchsorted(rows, [does[inside], done_too[inside]]).T
    counts = np.zeros((*shape, MONTHS), dtype=np.int16)
    for w in range(1, len(weeks)):
        km, hours = (np.broadcast_to(meter[:, who, w], shape) for meter in driven)
        done = (km >= due[0]) | (hours >= due[1]) | (weeks[w] >= due[DAY])
        done &= ~away[:, who, w]
        counts[:, :, month[w]] += done
        fresh = done.copy()
        for a, b in pairs:
            fresh[:, b] |= done[:, a]
        late_by = lateness(np.full(len(rows), -1.0))
        hours = (hours + driven[1][:, who, w - 1]) / 2  # as of the days: in the middle of the week
        day = weeks[w] - WEEK / 2
        again = np.stack([km, hours, np.full(shape, day)]) + every
        draw, at = np.nonzero(fresh[:, climbs])
        cell = draw, climbs[at]
        told = ahead.again.points(rows[cell[1]], km[cell], hours[cell], day, point[:, *cell])[0]
        point[:, *cell] = again[:, *cell] = told
        due = np.where(fresh, again + late_by, due)
    _count(out, rows, counts, price, rng)


def _shares(habits, past, expiry, chance, shift):
    """How late each is, in shares of its interval, by the habits not yet behind it."""
    n = habits.shape[1]
    gone = (habits < past[:, None]).sum(axis=1)
    at = np.minimum((gone + chance * (n - gone)).astype(int), n - 1)
    share = habits[np.arange(len(past)), at] + shift
    return np.maximum(np.where(expiry, EARLY_TEST, share), past)


def _count(out, rows, counts, price, rng):
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


def _wear_out(out, sets, some, km, gone, month, prices, rng):
    """Each set is renewed when its governing part reaches its limit, as late and as whole as is
    usual here, and again after another life; a damaged part is renewed alone."""
    rows = np.flatnonzero(sets.rows["vehicle"].isin(some))
    if not len(rows):
        return
    r, draws, totals = sets.rows.iloc[rows], len(km), out.totals
    who, size = some.get_indexer(r["vehicle"]), r["size"].to_numpy()
    limit, harm = (km[:, who, 0] + left(rows, draws, rng) for left in (sets.left, sets.damage))
    table = prices.piece(r["kind"], r["category"], r["item"])
    columns = ("amount", "amount_sd", "hours", "n")
    amount, sd, hours, n = table[list(columns)].to_numpy(dtype=float).T
    blank = {"wear": np.isnan(amount), "hours": np.isnan(hours)}
    amount, hours, sd = np.nan_to_num(amount + sets.extra(r, prices)), *np.nan_to_num((hours, sd))
    se = sd / np.sqrt(np.fmax(n, 1.0))
    each = np.maximum(amount + se * rng.standard_normal((draws, 1)), 0.0)
    for w in range(1, km.shape[2]):
        here = km[:, who, w]
        worn, hurt = ((here >= end) & ~gone[:, who, w] for end in (limit, harm))
        done = worn | hurt
        if not done.any():
            continue
        whole, fresh = sets.is_whole(rows, draws, rng), sets.life(rows, draws, rng)
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
    kind = log.tables["vehicles"].set_index("vehicle")["kind"]
    kind = kind.reindex(names).to_numpy(dtype=object)
    kept = np.exp(-leave * (np.arange(MONTHS) + 0.5) / MONTHS)
    for what in ("unplanned", "other"):
        bills = prices.bills[prices.bills["what"].eq(what) & (prices.bills["date"] <= log.as_of)]
        rate = visit_rates(log, bills, names, rng, len(out.sets))
        money, hours, unknown = draw_bills(rate, kept, bills, kind, log.as_of, MONTHS, rng)
        out.totals[what] += money
        out.totals["hours"] += hours
        for name, n in zip((what, "hours"), unknown, strict=True):
            out.unknown[name] += n
