"""What of the action list cannot wait, as jobs of the first visits."""

import numpy as np
import pandas as pd

from wearbar.outlook.action_frame import PRESSING
from wearbar.outlook.visits import Jobs

__all__ = ["at_once", "with_more"]

ROW = ["vehicle", "site", "task", "title", "position", "amount"]


def at_once(ahead, todo):
    """The pressing rows of an action list that the work ahead does not hold: frame `vehicle, site,
    task, title, position, amount, day`.

    task, title: the row in words. day: 0, now, or the end of the lay-up that its vehicle is in, infinite
    where that is not on record. Tasks and certificates are in the work ahead already.
    """
    if todo is None:
        return pd.DataFrame(columns=[*ROW, "day"]).astype({"amount": float, "day": float})
    mine = todo["urgency"].isin([*PRESSING, "recall"]) & ~todo["kind"].isin(["task", "certificate"])
    rows = todo[mine].reset_index(drop=True)
    wait = ahead.rows.groupby("vehicle")["wait_days"].max()
    day = rows["vehicle"].map(wait).astype(float).replace(0.0, np.nan).fillna(np.inf)
    rows = rows.assign(task=rows["job"], title=rows["job"], position="", amount=np.nan)
    return rows[ROW].assign(day=day.where(rows["is_laid_up"], 0.0))


def with_more(jobs, more):
    """The jobs, and rows of `at_once` that have a day, each done once."""
    more = more[np.isfinite(more["day"])]
    if more.empty:
        return jobs
    first, never = more["day"].to_numpy(), np.full((len(more), len(jobs.days)), 2.0 * jobs.days[-1])
    rows = [f[ROW].astype({"amount": float}) for f in (jobs.rows, more) if len(f)]
    return Jobs(
        pd.concat([f.astype(dict.fromkeys(ROW[:4], object)) for f in rows], ignore_index=True),
        jobs.days,
        *(np.append(x, first) for x in (jobs.first_early, jobs.first_due)),
        *(np.vstack([x, never]) for x in (jobs.early, jobs.due)),
    )
