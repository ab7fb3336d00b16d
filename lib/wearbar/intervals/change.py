"""What has changed since an earlier report: the rate, what was overdue or not to be driven then,
and what is new."""

from dataclasses import dataclass
from math import nan

import numpy as np
import pandas as pd
from scipy import stats

from wearbar.log.keys import is_among, stacked
from wearbar.log.schema import TEXT
from wearbar.stats.estimate import FEW_VEHICLES, MIN_VEHICLES, Estimate

KEY = ["vehicle", "what", "item", "position"]
LISTED = dict.fromkeys(KEY, TEXT) | dict.fromkeys(["due_date", "anchor_date"], "datetime64[ns]")
FEWEST = 8  # expected late, and in time, among the occasions that came since
BECAME = ["new", "still", "gone", "done"]


@dataclass(frozen=True, eq=False)
class Earlier:
    """What an earlier report left: its day, the `counts` by vehicle, and what it `listed`."""

    as_of: pd.Timestamp
    counts: pd.DataFrame
    listed: pd.DataFrame

    @property
    def share(self):
        """The rate then."""
        return 1 - self.counts["late"].sum() / self.counts["n"].sum() if len(self.counts) else nan


def counts(found):
    """Occasions that count, by vehicle: frame `vehicle, n, late`."""
    counted = found[found["in_rate"]]
    by = (counted["outcome"] == "late").groupby(counted["vehicle"], observed=True)
    return by.agg(n="size", late="sum").reset_index()


def listed(found, danger):
    """What is overdue or must not be driven: frame `vehicle, what, item, position, due_date,
    anchor_date`.

    danger: of `action_list.actions`. what: task, or the danger's kind. due_date: by whichever limit
    came first. anchor_date: of a task, when it was last done.
    """
    tasks = found[found["is_current"] & (found["state"] == "past-window")]
    names = {"item": "task", "due_date": "expected_date"}
    tasks = tasks.assign(what="task", **{name: tasks[of] for name, of in names.items()})
    danger = danger.rename(columns={"kind": "what"})
    rows = [frame.reindex(columns=list(LISTED)).astype(LISTED) for frame in (danger, tasks)]
    return pd.concat(rows, ignore_index=True).fillna({"position": ""})


def rate_change(then, now, confidence=0.9):
    """The rate now less the rate then: `Estimate`, a share; then, now: of `counts`.

    The two share most of their occasions, so vehicles are paired: each is left out of both rates at
    once. Jackknife with Student's t on vehicles - 1 (Efron & Tibshirani 1993, ch. 11, from memory).
    No limits below three vehicles, or where fewer than `FEWEST` of what came since would be late,
    or in time, at the rate of all: there they would cover 79 to 87 times for 90. Above, they cover
    88 to 92 in simulation with 3 to 100 vehicles.
    """
    both = then.set_index("vehicle").add_suffix("_then")
    both = both.join(now.set_index("vehicle").add_suffix("_now"), how="outer")
    both = both.astype(float).fillna(0.0)
    total, n = both.sum(), len(both)
    if not min(total["n_then"], total["n_now"]) > 0:
        note = "no occasion had run its course, then or now"
        return Estimate(nan, nan, nan, confidence, 0, unit="share", note=note)
    value, rest = float(_change(total)), _change(total - both)
    spread = np.sqrt((n - 1) / n * ((rest - rest.mean()) ** 2).sum(skipna=False))
    late = total["late_now"] / total["n_now"]
    few = (both["n_now"] - both["n_then"]).abs().sum() * min(late, 1 - late) < FEWEST
    half, method, note = nan, "", ""
    if n < MIN_VEHICLES:
        note = FEW_VEHICLES
    elif few or not spread > 0:
        note = "too little has come since to give it an interval"
    else:
        half = float(stats.t.ppf((1 + confidence) / 2, n - 1) * spread)
        method = f"jackknife over {n} vehicles, paired, t with {n - 1} degrees of freedom"
    limits, jobs = (value, value - half, value + half), int(total["n_now"])
    return Estimate(*limits, confidence, jobs, unit="share", method=method, note=note)


def _change(sums):
    with np.errstate(invalid="ignore", divide="ignore"):
        return sums["late_then"] / sums["n_then"] - sums["late_now"] / sums["n_now"]


def since_then(found, then):
    """The jobs that fell due since an `Earlier` report."""
    return found[found["late_edge_date"] > then.as_of]


def what_became(then, found, table, danger):
    """Each thing listed then or now: frame `vehicle, what, item, position, due_date, became,
    done_date`, the new first.

    then: an `Earlier`. table: of `items`. became: new; still (as then); done (done, closed or
    renewed since, on done_date); gone (no longer listed, and not by being done: sold, out of the
    plan, or an entry was put right).
    """
    now, old = listed(found, danger), then.listed.reset_index(drop=True)
    last = found.loc[found["is_current"], ["vehicle", "task", "position", "anchor_date"]]
    last = last.set_axis(["vehicle", "item", "position", "done_date"], axis=1).assign(what="task")
    since = old.merge(last, on=KEY, how="left")["done_date"]
    one = [*KEY[:3], "due_date"]
    closed = table.loc[~table["is_open"], [*one, "done_date"]].drop_duplicates(one)
    closed = old.merge(closed, on=one, how="left")["done_date"]
    old = old.assign(done_date=since.where(since > old["anchor_date"]).fillna(closed).to_numpy())
    kinds = [old["done_date"].notna(), is_among(old, now, KEY)]
    old["became"] = np.select(kinds, ["done", "still"], "gone")
    new = now[~is_among(now, old[old["became"] == "still"], KEY)]
    new = new.assign(became="new", done_date=pd.NaT)
    rows = stacked([old, new]).astype({"done_date": "datetime64[ns]"})
    rank = rows["became"].map({name: at for at, name in enumerate(BECAME)})
    order = ["rank", "due_date", "vehicle", "item"]
    rows = rows.assign(rank=rank).sort_values(order, kind="stable", ignore_index=True)
    return rows[[*KEY, "due_date", "became", "done_date"]]


def criterion_moves(found, other):
    """How two ways of scoring the same occasions differ: dict of counts `late_by_plan` and
    `late_by_criterion` (by that one alone) and `waiting` (counted by the plan's window, not yet by
    the criterion). found, other: of `occasions`, other with a `late_share`."""
    a, b = (rows["in_rate"].to_numpy() for rows in (found, other))
    late, again = (rows["outcome"].eq("late").to_numpy() for rows in (found, other))
    return {
        "late_by_plan": int((a & b & late & ~again).sum()),
        "late_by_criterion": int((a & b & ~late & again).sum()),
        "waiting": int((a & ~b).sum()),
    }
