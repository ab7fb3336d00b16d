"""Was the work on time, and what is due: the rate of work done on time, overruns, what must not be driven, and today's list.

Takes the occasions of `wearbar.occasions` and the items of `wearbar.items`. The rate counts matured occasions alone: done ones whose window
is still open and open ones not yet late are both left out, since counting either would flatter it.
"""

from dataclasses import dataclass
from math import nan

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.estimate import bootstrap_by_vehicle, proportion
from wearbar.forecast import forecast_dates
from wearbar.items import GRAVE, items
from wearbar.occasions import REASONS, STALE_DAYS, occasions

__all__ = [
    "FORECAST_DAYS",
    "REASONS",
    "SMALL_SITE",
    "Seen",
    "by_vehicle",
    "compliance",
    "driven_overdue",
    "due_list",
    "early_work",
    "excluded",
    "first_limits",
    "first_services",
    "items",
    "late_for_want_of_use",
    "median_overrun",
    "must_not_drive",
    "occasions",
    "overdue",
    "placed",
    "put_off",
    "rate",
    "seen",
    "sites_told",
    "untold",
]

FORECAST_DAYS = 60
SMALL_SITE = 3  # vehicles
NO_RECORD = "no earlier record"
_TEXT = pd.StringDtype("pyarrow", na_value=np.nan)
GUARDED = ("defects", "certificates", "campaigns")  # tables without which a danger can't be seen
_STATES = ("past-window", "due", "in-window", "not-known")
_SOON = "before-window"


@dataclass(frozen=True)
class Seen:
    """Vehicles on the log's day: owned; with a reading in the last STALE_DAYS; judged, no open task of theirs being not known; and how old
    the oldest last reading is (None: there is none)."""

    owned: int
    read: int
    judged: int
    oldest_days: int | None = None


def seen(log, readings, found):
    """How many vehicles the report can speak of. A vehicle laid up since its last reading, or without a meter, needs no fresh one."""
    fleet = log.tables["vehicles"]
    fleet = fleet[~fleet["disposed"].le(log.as_of)]
    last = usage.daily_rate(readings, log.as_of).set_index("vehicle")["last_date"].reindex(fleet["vehicle"])
    age = (log.as_of - last).dt.days
    now = found[found["is_current"] & (found["state"] != "not-finished")] if "is_current" in found else found
    unsure = set(now.loc[now["state"] == "not-known", "vehicle"])
    judged = fleet["vehicle"].isin(set(now["vehicle"]) - unsure)
    oldest = int(age.max()) if age.notna().any() else None
    return Seen(len(fleet), int(age.le(STALE_DAYS).sum()), int(judged.sum()), oldest)


def placed(found, log):
    """The occasions with `kind`, `site` (where the vehicle was when its window closed, or else is) and `month` (of the late edge)."""
    day = found["late_edge_date"].fillna(log.as_of)
    kind = log.tables["vehicles"].set_index("vehicle")["kind"]
    site = usage.site_at(log, found["vehicle"], day)
    return found.assign(kind=found["vehicle"].map(kind), site=site, month=found["late_edge_date"].dt.to_period("M").dt.to_timestamp())


def rate(found, confidence=0.9):
    """Share of the occasions that count which were done on or before their late edge: an `Estimate`; several vehicles are clusters."""
    counted = found[found["in_rate"]]
    by = counted.assign(good=counted["outcome"] != "late").groupby("vehicle", observed=True)["good"].agg(["sum", "size"])
    several = by.index if len(by) > 1 else None
    return proportion(by["sum"], by["size"], several, confidence)


def compliance(found, by, confidence=0.9):
    """The rate in each group: frame `*by, share, low, high, n, late, vehicles`, in the order of `by`; missing groups are left out."""
    rows = []
    for name, part in found[found["in_rate"]].groupby(by, observed=True, sort=True):
        e = rate(part, confidence)
        late = int((part["outcome"] == "late").sum())
        rows.append((*name, e.value, e.low, e.high, e.n, late, part["vehicle"].nunique()))
    return pd.DataFrame(rows, columns=[*by, "share", "low", "high", "n", "late", "vehicles"])


def sites_told(table):
    """The rates of sites, those of fewer than SMALL_SITE vehicles without figures: they could point at a person."""
    small = table["vehicles"] < SMALL_SITE
    return table.assign(**{c: table[c].mask(small) for c in ("share", "low", "high", "late")})


def excluded(found):
    """How many occasions are left out of the rate, and why: frame `why, reason, n`, in the order of `REASONS`."""
    n = found["why"].value_counts()
    rows = [(why, reason, int(n.get(why, 0))) for why, reason in REASONS.items() if n.get(why, 0)]
    return pd.DataFrame(rows, columns=["why", "reason", "n"])


def median_overrun(found, column, rng, confidence=0.9):
    """Median of `column` (overrun_days or overrun_km) over late occasions past that due point, those still open censored: `Estimate`.

    Product-limit estimate (Kaplan & Meier 1958); interval by drawing whole vehicles again.
    """
    late = found[found["in_rate"] & (found["outcome"] == "late") & (found["state"] != "missed") & (found[column] > 0)]
    late = late.sort_values(column, kind="stable")
    over, ended = late[column].to_numpy(), ~late["is_open"].to_numpy(dtype=bool)
    vehicle, names = pd.factorize(late["vehicle"])

    def median(weights):
        w = weights[:, vehicle]
        at_risk = np.cumsum(w[:, ::-1], axis=1)[:, ::-1]
        left = np.cumprod(1 - ended * w / np.maximum(at_risk, 1e-9), axis=1)
        half = left <= 0.5 + 1e-12
        return np.where(half.any(axis=1), over[half.argmax(axis=1)], nan) if len(over) else np.full(len(w), nan)

    unit = column.rsplit("_", 1)[1]
    estimate = bootstrap_by_vehicle(median, len(names), rng, confidence=confidence, unit=unit)
    return type(estimate)(**{**vars(estimate), "n": len(late), "n_censored": int((~ended).sum())})


def overdue(found):
    """Open occasions past their window, the longest past it first."""
    late = found[found["is_open"] & (found["state"] == "past-window")]
    return late.sort_values(["past_days", "past_km"], ascending=False, kind="stable")


def driven_overdue(found):
    """Distance driven with at least one counted task past its window, each km once: Series by vehicle."""
    late = found[found["in_rate"] & (found["outcome"] == "late") & (found["driven_past_km"] > 0)]
    late = late.assign(start=late["end_km"] - late["driven_past_km"]).sort_values(["vehicle", "start"], kind="stable")
    before = late.groupby("vehicle")["end_km"].cummax().groupby(late["vehicle"]).shift()
    fresh = (late["end_km"] - late["start"].where(before.isna() | (before < late["start"]), before)).clip(lower=0.0)
    return fresh.groupby(late["vehicle"]).sum()


def first_limits(found):
    """Which limit came first where one was reached: frame `first_limit, n, late`. Work due at once by no limit of its own is left out."""
    own = found[found["in_rate"] & found["first_limit"].isin(["distance", "hours", "date", "both"])]
    counts = own.assign(late=own["outcome"] == "late").groupby("first_limit")["late"].agg(["size", "sum"]).reset_index()
    return counts.set_axis(["first_limit", "n", "late"], axis=1).sort_values("n", ascending=False, ignore_index=True)


def late_for_want_of_use(found, confidence=0.9):
    """Share of late occasions whose date came first with less than half of the distance limit driven: little-used vehicles."""
    late = found[found["in_rate"] & (found["outcome"] == "late") & found["interval_km"].notna()]
    little = (late["first_limit"] == "date") & (late["overrun_km"] < -late["interval_km"] / 2)
    several = late["vehicle"] if late["vehicle"].nunique() > 1 else None
    return proportion(little.astype(float), np.ones(len(late)), several, confidence)


def first_services(found):
    """The run-in services: every occasion by the first limits."""
    return found[(found["basis"] == "first")].sort_values("due_date", kind="stable")


def early_work(found, confidence=0.9):
    """(share of counted occasions done before their window opened, median share of the interval that those gave away)."""
    counted = found[found["in_rate"]]
    is_early = counted["outcome"] == "early"
    several = counted["vehicle"] if counted["vehicle"].nunique() > 1 else None
    return proportion(is_early.astype(float), np.ones(len(counted)), several, confidence), counted.loc[is_early, "early_share"].median()


def untold(log):
    """Of the tables that tell of danger, those that the log does not have, or holds no usable row of: neither shows that there is none."""
    used = log.ledger.set_index("table")["used"].reindex(GUARDED).fillna(0)
    return [name for name in GUARDED if name not in log.present or not used[name]]


def must_not_drive(table, log):
    """What stands in the way of driving: open off-road and before-next-use defects, expired certificates, open safety recalls.

    table: of `items`. Frame as `items` with `reason` (off-road, before-next-use, expired-certificate, safety-recall) and `is_laid_up`,
    whether the vehicle is laid up on the log's day; the gravest and oldest first.
    """
    is_open = table[table["is_open"]]
    lapsed = is_open["what"].eq("certificate") & is_open["state"].eq("past-window")
    recall = is_open["what"].eq("campaign") & is_open["grade"].eq("safety-recall")
    grave = is_open["what"].eq("defect") & is_open["grade"].isin(GRAVE)
    reason = is_open["grade"].where(grave | recall, "expired-certificate")
    stays = log.tables["layups"]
    now = stays[(stays["from"] <= log.as_of) & ~(stays["to"] < log.as_of)]
    rows = is_open.assign(reason=reason, is_laid_up=is_open["vehicle"].isin(now["vehicle"]))[grave | recall | lapsed]
    rank = rows["reason"].map({name: at for at, name in enumerate([*GRAVE, "expired-certificate", "safety-recall"])})
    return rows.assign(rank=rank).sort_values(["rank", "due_date"], kind="stable").drop(columns="rank").reset_index(drop=True)


def put_off(log):
    """Why work was put off: frame `reason, n, vehicles`, the commonest first."""
    d = log.tables["deferrals"]
    found = d.groupby("reason")["vehicle"].agg(["size", "nunique"]).reset_index()
    return found.set_axis(["reason", "n", "vehicles"], axis=1).sort_values(["n", "reason"], ascending=[False, True], ignore_index=True)


def due_list(found, table, log, readings, confidence=0.9, days=FORECAST_DAYS):
    """Today's list: one row a thing to do, what must not be driven first, then overdue, due, may be done, not known, and what is coming.

    Frame `order, vehicle, site, task, position, state, first_limit, due_date, due_odometer_km, past_days, past_km, expected_date, low_date,
    high_date, note`. Coming: not yet due, and due by its date or by the forecast median within `days` of the log's day; low_date, high_date
    are the forecast's limits, never after the due date. note: the log's text of a defect or recall, or NO_RECORD.
    """
    danger = must_not_drive(table, log)
    tasks = _tasks_now(found, log, readings, confidence, days)
    lesser = table[table["is_open"] & table["what"].isin(["recheck", "deferral", "certificate", "campaign"])]
    lesser = lesser[lesser["state"].isin(_STATES) & ~(lesser["what"].eq("recheck") & lesser["state"].eq("not-known"))]
    known = danger[["what", "vehicle", "item"]].apply(tuple, axis=1)
    lesser = lesser[~lesser[["what", "vehicle", "item"]].apply(tuple, axis=1).isin(set(known))]
    parts = [_as_rows(danger, danger["reason"], 0), _as_rows(lesser, lesser["what"], 1), tasks.assign(step=1, what="task")]
    parts = [p.reindex(columns=_COLUMNS) for p in parts if len(p)]
    if not parts:
        return pd.DataFrame(columns=[*_COLUMNS[1:], "site", "order"]).astype(_TYPES)
    rows = pd.concat([p.dropna(axis=1, how="all") for p in parts], ignore_index=True).reindex(columns=_COLUMNS).astype(_TYPES)
    rank = rows["state"].map({name: at for at, name in enumerate([*_STATES, _SOON])})
    is_danger = rows["step"] == 0
    by = rows["expected_date"].fillna(rows["due_date"]).mask(is_danger, log.first_day)
    rows = rows.assign(rank=np.where(is_danger, -len(rows) + np.arange(len(rows)), rank), by=by)
    rows = rows.sort_values(["rank", "by", "vehicle", "task"], kind="stable", ignore_index=True)
    site = usage.site_at(log, rows["vehicle"], np.repeat(log.as_of.to_datetime64(), len(rows)))
    return rows.drop(columns=["rank", "by", "step"]).assign(site=site, order=np.arange(len(rows)) + 1)


_COLUMNS = [
    *("step", "what", "vehicle", "task", "position", "state", "first_limit", "due_date", "due_odometer_km", "past_days", "past_km"),
    *("expected_date", "low_date", "high_date", "duty", "severe_due_km", "severe_due_date", "probably", "is_laid_up", "note"),
]
_TYPES = {c: "datetime64[ns]" for c in _COLUMNS if c.endswith("_date")} | {c: float for c in _COLUMNS if c.endswith(("_km", "_days"))}


def _tasks_now(found, log, readings, confidence, days):
    """Open tasks that are overdue, due, may be done, are not known, or come due within `days`."""
    if "is_current" not in found:
        return found
    tasks = found[found["is_current"] & found["state"].isin([*_STATES, _SOON])]
    tasks = _with_forecast(tasks, log, readings, confidence) if len(tasks) else tasks.assign(expected_date=pd.NaT)
    tasks = tasks.assign(note=np.where(tasks["basis"] == "unknown-history", NO_RECORD, None))
    return tasks[(tasks["state"] != _SOON) | (tasks["expected_date"] <= log.as_of + pd.Timedelta(days=days))]


def by_vehicle(rows):
    """The list with one row a vehicle and state: `tasks` said together, the earliest dates, the most past; items stay apart."""
    name, place, task = (rows[c].fillna("").astype(str) for c in ("vehicle", "position", "task"))
    apart = ~rows["what"].isin(["task", "recheck"])
    group = (name + " " + rows["note"].fillna("").astype(str)).mask(apart, rows["order"].astype(str) + " " + name)
    rows = rows.assign(group=group, position=place, task=task)
    said = rows.groupby(["group", "state", "task"], sort=False, observed=True)["position"].agg(", ".join).reset_index()
    said["tasks"] = said["task"].where(said["position"] == "", said["task"] + " (" + said["position"] + ")")
    by = rows.groupby(["group", "state"], sort=False, observed=True)
    first = [
        "order",
        "vehicle",
        "site",
        "what",
        "first_limit",
        "expected_date",
        "low_date",
        "high_date",
        "due_date",
        "due_odometer_km",
        "note",
    ]
    told = by[first].first()
    told["tasks"] = said.groupby(["group", "state"], sort=False)["tasks"].agg(", ".join)
    told["past_days"], told["past_km"], told["n"] = by["past_days"].max(), by["past_km"].max(), by.size()
    told = told.astype({"tasks": _TEXT, "what": _TEXT, "note": _TEXT})
    return told.reset_index().sort_values("order", ignore_index=True).drop(columns="group")


def _as_rows(table, what, step):
    """Items as rows of the list."""
    past = table["days_open"].where(table["state"] == "past-window")
    return table.assign(step=step, what=what, task=table["item"], note=table["text"], past_days=past, past_km=table["driven_km"])


def _with_forecast(tasks, log, readings, confidence):
    """Open occasions with the date that each is expected to fall due, and its limits."""
    ahead = tasks["due_km"].notna()
    fleet, stays = log.tables["vehicles"][["vehicle", "kind", "site"]], log.tables["layups"]
    asked = tasks.loc[ahead, ["vehicle", "due_km"]]
    told = forecast_dates(readings, fleet, asked["vehicle"], asked["due_km"], log.as_of, confidence, stays).reindex(tasks.index)
    due = tasks["due_date"]
    both = {name: pd.concat([due, told[column]], axis=1).min(axis=1) for name, column in (("expected_date", "date"), ("low_date", "low"))}
    return tasks.assign(**both, high_date=pd.concat([due, told["high"]], axis=1).min(axis=1))
