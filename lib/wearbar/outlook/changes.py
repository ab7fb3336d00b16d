"""What has changed since an earlier report of the same log: what was on its action list and is
done, still open or gone, what is new; what became of the days it forecast; the money spent."""

from dataclasses import dataclass
from math import nan

import numpy as np
import pandas as pd

from wearbar.cost.account import account
from wearbar.intervals import items, occasions
from wearbar.log.keys import is_among, look_up, stacked
from wearbar.log.schema import TEXT
from wearbar.outlook.action_list import DANGER, PRESSING, URGENCY

KEY = ["kind", "vehicle", "item", "position"]
# of the rows of `action_list.actions`, in words, what a later report needs
KEPT = dict.fromkeys([*KEY, "urgency", "what"], TEXT)
KEPT |= dict.fromkeys(["by", "due_date", "anchor_date"], "datetime64[ns]")
# kinds of several at once, each known by its own date; a task is by when it was last done
DATED = ("finding", "certificate", "campaign", "recheck", "deferral")
BECAME = ["new", "done", "gone", "still"]


@dataclass(frozen=True, eq=False)
class Earlier:  # what an earlier report left
    as_of: pd.Timestamp
    counts: pd.DataFrame  # of `intervals.counts`
    actions: pd.DataFrame  # `KEPT`
    spent: pd.DataFrame  # of `spent`, to its report date

    @property
    def share(self):
        """The on-time rate then."""
        return 1 - self.counts["late"].sum() / self.counts["n"].sum() if len(self.counts) else nan


def spent(log, after=None, until=None):
    """Known money of dated rows (fixed costs apart): frame `vehicle, amount`, a row each vehicle of
    the log; of the days after `after`, to `until`; None is without end."""
    lines = account(log).lines
    lines = lines[~lines["is_fixed"] & lines["amount"].notna()]
    lines = lines if after is None else lines[lines["date"] > after]
    lines = lines if until is None else lines[lines["date"] <= until]
    amount, vehicles = lines.groupby("vehicle")["amount"].sum(), log.tables["vehicles"]
    amount = look_up(vehicles["vehicle"], amount).fillna(0.0)
    return vehicles[["vehicle"]].assign(amount=amount).reset_index(drop=True)


def spent_since(then, log):
    """Money since an `Earlier`: dict of `days` since, `now` spent in them, `before` in as many days
    before, NaN where the record is shorter, and `late`: of days up to then, but not in its sum."""
    days, until = log.as_of - then.as_of, then.as_of
    both = spent(log, until=until).merge(then.spent, on="vehicle", suffixes=("", "_then"))
    before = spent(log, until - days, until) if log.first_day <= until - days else None
    told = {"now": spent(log, until)["amount"].sum()}
    told["before"] = nan if before is None else before["amount"].sum()
    told["late"] = (both["amount"] - both["amount_then"]).sum()
    return {"days": days.days} | {name: round(float(x), 2) for name, x in told.items()}


def listed(rows):
    """Of an action list, what is overdue or must not be driven: frame `vehicle, what, item,
    position, due_date, anchor_date`, due by whichever limit came first."""
    is_task = rows["kind"].eq("task")
    rows = rows[rows["urgency"].isin(DANGER) | is_task & rows["urgency"].eq("overdue")]
    rows = rows.assign(due_date=rows["expected_date"].fillna(rows["due_date"]))
    rows = rows.drop(columns="what", errors="ignore").rename(columns={"kind": "what"})
    return rows[["vehicle", "what", "item", "position", "due_date", "anchor_date"]]


def what_became(then, now, log):
    """Each action of an `Earlier` list or of now: frame `KEPT` (as it was then; of new ones as it
    is), `became, done_date, urgency_now, forecast`, the new first, each by urgency.

    now: of `action_list.actions`, with `what` in words. became: new; done (or closed, renewed,
    replaced since, on done_date); still (open); gone (listed no longer and not done). A task done
    and listed again is both done and new. forecast: of what was to fall due (`by`) after then and
    by now: done; due; later (not due yet); unsure (no recent reading); gone. unforeseen: a task
    that is due and was not on the list. "" of all else.
    """
    now = now.reindex(columns=list(KEPT)).astype(KEPT).fillna({"position": "", "item": ""})
    old = then.actions.fillna({"position": "", "item": ""}).reset_index(drop=True)
    old["done_date"] = _done(old, then.as_of, log)
    # what tells an action from another of its kind, vehicle, item and position
    points = (x["due_date"].where(x["kind"].isin(DATED)).astype(str) for x in (now, old))
    now, old = (x.assign(point=at) for x, at in zip((now, old), points, strict=True))
    one = [*KEY, "point"]
    stands = now.drop_duplicates(one).set_index(one)["urgency"]
    old["urgency_now"] = stands.reindex(pd.MultiIndex.from_frame(old[one])).to_numpy()
    is_done = old["done_date"].notna()
    old["urgency_now"] = old["urgency_now"].mask(is_done)
    old["became"] = np.select([is_done, old["urgency_now"].notna()], ["done", "still"], "gone")
    is_foreseen = old["by"].gt(then.as_of) & old["by"].le(log.as_of) & old["kind"].ne("warranty")
    gone, stands = old["became"].eq("gone"), old["urgency_now"].fillna("")
    kinds = [~is_foreseen, is_done, gone, stands.isin(PRESSING), stands.eq("not known")]
    old["forecast"] = np.select(kinds, ["", "done", "gone", "due", "unsure"], "later")
    new = now[~is_among(now, old[old["became"].eq("still")], one)]
    is_due = new["kind"].eq("task") & new["urgency"].isin(["overdue", "due"])
    is_due &= ~is_among(new, old, KEY)
    new = new.assign(became="new", forecast=np.where(is_due, "unforeseen", ""))
    new = new.assign(done_date=pd.NaT, urgency_now=new["urgency"], urgency="")
    types = KEPT | {"done_date": "datetime64[ns]", "urgency_now": TEXT}
    columns = [*types, "became", "forecast"]
    rows = stacked([x[columns].astype(types) for x in (new, old)])
    order = {"became": pd.Categorical(rows["became"], BECAME).codes}
    order["urgency"] = pd.Categorical(rows["urgency_now"].fillna(rows["urgency"]), URGENCY).codes
    order |= {name: rows[name] for name in ("due_date", "vehicle", "what")}
    rows = rows.loc[pd.DataFrame(order).sort_values(list(order), kind="stable").index]
    return rows[[*KEPT, "became", "done_date", "urgency_now", "forecast"]].reset_index(drop=True)


def _done(old, day, log):
    """The day that each action listed on `day` was done; NaT where it was not."""
    done, place = pd.Series(pd.NaT, old.index, dtype="datetime64[ns]"), ["vehicle", "position"]
    # a task: its last doing after the one that it counted from
    found = occasions(log).rename(columns={"task": "item"})
    work = found.groupby([*place, "item"], observed=True)["done_date"].max().reset_index()
    work = old.merge(work.assign(kind="task"), "left", KEY)["done_date"]
    done = done.fillna(work.mask(work <= old["anchor_date"]))
    # what has a due point of its own
    own = items(log).rename(columns={"what": "kind"}).dropna(subset="done_date")
    own, one = own[~own["is_open"]].fillna({"position": "", "item": ""}), [*KEY, "due_date"]
    own = own[[*one, "done_date"]].drop_duplicates(one)
    done = done.fillna(old.merge(own, "left", one)["done_date"])
    # a worn or old part: what was fitted there since
    parts = log.tables["fitted"][[*place, "category", "fitted"]].fillna({"position": ""})
    parts = parts.rename(columns={"category": "item"})
    parts = parts[parts["fitted"] > day].groupby([*place, "item"])["fitted"].max().reset_index()
    part = old.merge(parts, "left", [*place, "item"])["fitted"]
    return done.fillna(part.where(old["kind"].isin(["wear", "age"])))
