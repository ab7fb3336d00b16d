"""What has changed since an earlier report: the rate, what was overdue or not to be driven then, and what is new."""

from dataclasses import dataclass
from math import nan

import numpy as np
import pandas as pd
from scipy import stats

from wearbar.log.schema import TEXT
from wearbar.stats.estimate import MIN_VEHICLES, Estimate

__all__ = [
    "Earlier",
    "counts",
    "criterion_moves",
    "listed",
    "rate_change",
    "since_then",
    "what_became",
]

LISTED = {
    "vehicle": TEXT,
    "what": TEXT,
    "item": TEXT,
    "position": TEXT,
    "due_date": "datetime64[ns]",
    "anchor_date": "datetime64[ns]",
}
KEY = ["vehicle", "what", "item", "position"]
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
    by = (
        counted.assign(late=counted["outcome"] == "late")
        .groupby("vehicle", observed=True)["late"]
        .agg(["size", "sum"])
    )
    return by.reset_index().set_axis(["vehicle", "n", "late"], axis=1)


def listed(found, danger):
    """What is overdue or must not be driven: frame `vehicle, what, item, position, due_date, anchor_date`.

    danger: of `actionlist.actions`. what: task, or the danger's kind. due_date: by whichever limit came first. anchor_date: of a
    task, when it was last done.
    """
    tasks = found[found["is_current"] & (found["state"] == "past-window")].assign(what="task")
    tasks = tasks.drop(columns=["item", "due_date"], errors="ignore").rename(
        columns={"task": "item", "expected_date": "due_date"}
    )
    danger = danger.rename(columns={"kind": "what"})
    rows = [frame.reindex(columns=list(LISTED)).astype(LISTED) for frame in (danger, tasks)]
    return pd.concat(rows, ignore_index=True).fillna({"position": ""})


def rate_change(then, now, confidence=0.9):
    """The rate now less the rate then: `Estimate`, a share; then, now: of `counts`.

    The two share most of their occasions, so vehicles are paired: each is left out of both rates at once. Jackknife with Student's t on
    vehicles - 1 (Efron & Tibshirani 1993, ch. 11, from memory). No limits below three vehicles, or where fewer than `FEWEST` of what came
    since would be late, or in time, at the rate of all: there they would cover 79 to 87 times for 90. Above, they cover 88 to 92 in
    simulation with 3 to 100 vehicles.
    """
    both = then.set_index("vehicle").add_suffix("_then")
    both = both.join(now.set_index("vehicle").add_suffix("_now"), how="outer")
    both = both.astype(float).fillna(0.0)
    total = both.sum()
    if not min(total["n_then"], total["n_now"]) > 0:
        return Estimate(
            nan,
            nan,
            nan,
            confidence,
            0,
            unit="share",
            note="no occasion had run its course, then or now",
        )
    value, rest, n = _change(total), _change(total - both), len(both)
    spread = np.sqrt((n - 1) / n * ((rest - rest.mean()) ** 2).sum(skipna=False))
    late = total["late_now"] / total["n_now"]
    few = (both["n_now"] - both["n_then"]).abs().sum() * min(late, 1 - late) < FEWEST
    if n < MIN_VEHICLES or few or not spread > 0:
        why = (
            "an interval needs at least three vehicles"
            if n < MIN_VEHICLES
            else "too little has come since to give it an interval"
        )
        return Estimate(
            float(value), nan, nan, confidence, int(total["n_now"]), unit="share", note=why
        )
    half = stats.t.ppf((1 + confidence) / 2, n - 1) * spread
    method = f"jackknife over {n} vehicles, paired, t with {n - 1} degrees of freedom"
    return Estimate(
        float(value),
        float(value - half),
        float(value + half),
        confidence,
        int(total["n_now"]),
        unit="share",
        method=method,
    )


def _change(sums):
    with np.errstate(invalid="ignore", divide="ignore"):
        return sums["late_then"] / sums["n_then"] - sums["late_now"] / sums["n_now"]


def since_then(found, then):
    """The jobs that fell due since an `Earlier` report."""
    return found[found["late_edge_date"] > then.as_of]


def what_became(then, found, table, danger):
    """Each thing listed then or now: frame `vehicle, what, item, position, due_date, became, done_date`, the new first.

    then: an `Earlier`. table: of `items`. became: new; still (as then); done (done, closed or renewed since, on done_date); gone (no
    longer listed, and not by being done: sold, out of the plan, or an entry was put right).
    """
    now = listed(found, danger)
    last = found.loc[found["is_current"], ["vehicle", "task", "position", "anchor_date"]].assign(
        what="task"
    )
    last = last.rename(columns={"task": "item", "anchor_date": "done_date"})
    closed = table.loc[
        ~table["is_open"], ["vehicle", "what", "item", "due_date", "done_date"]
    ].drop_duplicates([*KEY[:3], "due_date"])
    old = then.listed.merge(last, on=KEY, how="left")
    old["done_date"] = old["done_date"].where(old["done_date"] > old["anchor_date"])
    ended = then.listed.merge(closed, on=[*KEY[:3], "due_date"], how="left")["done_date"]
    old["done_date"] = old["done_date"].fillna(ended)
    here = (
        old.merge(now[KEY].drop_duplicates(), on=KEY, how="left", indicator=True)["_merge"]
        .eq("both")
        .to_numpy()
    )
    old["became"] = np.where(old["done_date"].notna(), "done", np.where(here, "still", "gone"))
    same = now.merge(
        old.loc[old["became"] == "still", KEY].drop_duplicates(), on=KEY, how="left", indicator=True
    )["_merge"].eq("both")
    new = now[~same.to_numpy()].assign(became="new", done_date=pd.NaT)
    rows = pd.concat([part for part in (old, new) if len(part)] or [old]).astype(
        {"done_date": "datetime64[ns]"}
    )
    rank = rows["became"].map({name: at for at, name in enumerate(BECAME)})
    rows = rows.assign(rank=rank).sort_values(
        ["rank", "due_date", "vehicle", "item"], kind="stable", ignore_index=True
    )
    return rows[[*KEY, "due_date", "became", "done_date"]]


def criterion_moves(found, other):
    """How two ways of scoring the same occasions differ: dict of counts `late_by_plan` and `late_by_criterion` (by that one alone) and
    `waiting` (counted by the plan's window, not yet by the criterion). found, other: of `occasions`, other with a `late_share`."""
    a, b = found["in_rate"].to_numpy(), other["in_rate"].to_numpy()
    late, again = found["outcome"].eq("late").to_numpy(), other["outcome"].eq("late").to_numpy()
    both = a & b
    counted = {
        "late_by_plan": both & late & ~again,
        "late_by_criterion": both & ~late & again,
        "waiting": a & ~b,
    }
    return {name: int(rows.sum()) for name, rows in counted.items()}
