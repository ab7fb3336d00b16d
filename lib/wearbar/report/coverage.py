"""How well a log covers its own period, and what its doubtful rows would change.

Counts of the log itself are complete, so none of this has an interval.
"""

from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.log.rules import RULES
from wearbar.log.schema import MAIN_DATE, PERIODS, TABLES

__all__ = [
    "STALE_DAYS",
    "Timeline",
    "by_table",
    "headlines",
    "moved",
    "problems",
    "record",
    "timeline",
]

STALE_DAYS = 45  # a vehicle not read for longer is not judged (common practice, no source)
GAP_DAYS = 60  # as usage.gaps
MOST_ROWS = 40  # of a timeline; the vehicles with the longest gaps
MOVES = (
    0.005  # a headline figure that doubtful rows move by less than this share is not said to move
)
MOVED = ["rule", "table", "rows", "figure", "with_them", "without", "change_share"]
COVERS = (
    "odometer",
    "work",
    "fitted",
    "measurements",
    "fuel",
    "use",
    "fixed_costs",
)  # tables whose rows ought to fill the record
COSTS = ["labour_cost", "parts_cost", "other_cost"]


def by_table(log):
    """One row a table of the format: table, is_present, rows, first, last, n_vehicles with a row, months_share.

    months_share: of the months that vehicles were in this log, the share with a row of this table, or inside the period of one; NaN for
    tables of things that need not happen.
    """
    life = _life(log)
    months = pd.DataFrame(
        {"vehicle": life.index, "month": _months(life["begin"]), "stop": _months(life["stop"])}
    )
    read = months[
        months["vehicle"].map(life["has_meter"])
    ]  # the others have nothing for the table of readings
    return pd.DataFrame(
        [_one_table(log, name, read if name == "odometer" else months) for name in TABLES]
    )


def _one_table(log, name, months):
    frame = log.tables[name]
    total = float((months["stop"] - months["month"] + 1).clip(lower=0).sum())
    dates = [frame[c] for c in MAIN_DATE.get(name, ())] or [
        pd.Series(pd.NaT, frame.index, dtype="datetime64[ns]")
    ]
    begin = pd.concat(dates, axis=1).bfill(axis=1).iloc[:, 0]
    row = {
        "table": name, "is_present": name in log.present, "rows": len(frame), "first": begin.min(), "last": begin.max(),
        "n_vehicles": frame["vehicle"].nunique() if "vehicle" in frame else 0, "months_share": np.nan,
    }  # fmt: skip
    if name not in COVERS or name not in log.present or not total:
        return row
    end = frame[PERIODS[name][1]].fillna(log.as_of) if name in PERIODS else begin
    spans = pd.DataFrame(
        {
            "vehicle": frame["vehicle"].to_numpy(),
            "a": _months(begin.fillna(log.first_day)),
            "b": _months(end),
        }
    )
    spans = spans.merge(months, on="vehicle")
    a, b = np.maximum(spans["a"], spans["month"]), np.minimum(spans["b"], spans["stop"])
    return {
        **row,
        "months_share": _distinct_months(spans["vehicle"], a.to_numpy(), b.to_numpy()) / total,
    }


def _distinct_months(vehicle, a, b):
    """How many different (vehicle, month) the spans a to b touch."""
    length = np.maximum(b - a + 1, 0)
    who = np.repeat(pd.factorize(vehicle)[0], length)
    within = np.arange(length.sum()) - np.repeat(np.cumsum(length) - length, length)
    return len(np.unique(who.astype(np.int64) * 100_000 + np.repeat(a, length) + within))


def _months(dates):
    dates = pd.Series(np.asarray(dates, "datetime64[ns]"))
    return (dates.dt.year.fillna(0) * 12 + dates.dt.month.fillna(1)).astype(np.int64).to_numpy()


def _life(log):
    """begin and stop of each vehicle in this log (index vehicle): acquired or the first day, to disposed or the report date."""
    fleet = log.tables["vehicles"].set_index("vehicle")
    begin = fleet["acquired"].fillna(fleet["in_service"]).clip(lower=log.first_day)
    stop = fleet["disposed"].fillna(log.as_of).clip(upper=log.as_of)
    return pd.DataFrame(
        {
            "begin": begin,
            "stop": stop,
            "is_kept": fleet["disposed"].isna(),
            "has_meter": fleet["meter"].ne("none"),
        }
    )


def _seen(readings, life):
    """One reading a vehicle and day, of its time in this log."""
    days = readings.drop_duplicates(["vehicle", "date"])
    return days[days["date"] >= life["begin"].reindex(days["vehicle"]).to_numpy()]


def _holes(log, readings):
    """`usage.gaps` that declared lay-ups do not account for; `days` is what they leave."""
    holes = usage.gaps(readings)
    days = holes["days"] - usage.layup_days(log, holes["vehicle"], holes["start"], holes["end"])
    return holes.assign(days=days)[days > GAP_DAYS]


def record(log, readings):
    """One row a vehicle, the longest gap first: how its readings cover its time in this log.

    vehicle, n_readings (days with one), first, last, longest_gap_days (in storage or not), gap_days (in gaps that no lay-up accounts for),
    observed_share (of its days in this log, those not in a gap or beyond its readings), since_days (from the last reading to the report date,
    or disposal), n_changes (of the instrument), is_kept, has_meter, is_stale (kept, and not read for `STALE_DAYS`, or never).
    One without a meter has nothing to read: it is never stale, and its observed_share is NaN.
    """
    life = _life(log)
    days = _seen(readings, life)
    table = life.join(
        days.groupby("vehicle")["date"].agg(n_readings="size", first="min", last="max")
    )
    span = days.groupby("vehicle")["date"].diff().dt.days.groupby(days["vehicle"]).max()
    holes = _holes(log, days).groupby("vehicle")["days"].sum()
    table["longest_gap_days"] = span.reindex(table.index)
    table["gap_days"] = holes.reindex(table.index).fillna(0).where(table["n_readings"].notna())
    table["since_days"] = (table["stop"] - table["last"]).dt.days.clip(lower=0)
    table["longest_gap_days"] = table[["longest_gap_days", "since_days"]].max(axis=1)
    inside = (table["last"] - table["first"]).dt.days - table["gap_days"]
    share = (inside / (table["stop"] - table["begin"]).dt.days.clip(lower=1)).clip(0, 1).fillna(0.0)
    table["observed_share"] = share.where(table["has_meter"])
    changes = log.tables["odometer"].dropna(subset=["restarts_at"]).groupby("vehicle").size()
    table["n_changes"] = changes.reindex(table.index).fillna(0).astype(int)
    table["n_readings"] = table["n_readings"].fillna(0).astype(int)
    table["is_stale"] = table["is_kept"] & table["has_meter"] & ~(table["since_days"] <= STALE_DAYS)
    table = table.drop(columns=["begin", "stop"]).rename_axis("vehicle").reset_index()
    return table.sort_values(
        ["longest_gap_days", "vehicle"],
        ascending=[False, True],
        na_position="first",
        ignore_index=True,
    )


@dataclass(frozen=True)
class Timeline:
    """What a timeline of readings draws: `vehicles` from the top down, and frames of their marks.

    readings: vehicle, date. gaps, layups: vehicle, start, end. changes: vehicle, date of a new instrument.
    begins, ends: vehicle, date of joining and of disposal.
    n_vehicles: of the log; those not drawn have shorter gaps.
    """

    vehicles: tuple
    readings: pd.DataFrame
    gaps: pd.DataFrame
    layups: pd.DataFrame
    changes: pd.DataFrame
    ends: pd.DataFrame
    begins: pd.DataFrame
    n_vehicles: int
    first_day: pd.Timestamp
    as_of: pd.Timestamp


def timeline(log, readings, most=MOST_ROWS):
    """The `Timeline` of a log: all its vehicles by name, or where they are more than `most` the ones with the longest gaps first."""
    table = record(log, readings)
    names = sorted(table["vehicle"]) if len(table) <= most else table["vehicle"].head(most).tolist()
    life = _life(log).loc[names]

    def of(frame, **columns):
        frame = frame[frame["vehicle"].isin(names)]
        return pd.DataFrame(
            {"vehicle": frame["vehicle"], **{new: frame[old] for new, old in columns.items()}}
        ).reset_index(drop=True)

    layups = log.tables["layups"].assign(to=log.tables["layups"]["to"].fillna(log.as_of))
    seen = _seen(readings, _life(log))
    holes = _holes(log, seen)
    changes, left = (
        log.tables["odometer"].dropna(subset=["restarts_at"]),
        log.tables["vehicles"].dropna(subset=["disposed"]),
    )
    return Timeline(
        vehicles=tuple(names),
        readings=of(seen, date="date"),
        gaps=of(holes, start="start", end="end"),
        layups=of(layups, start="from", end="to"),
        changes=of(changes, date="date"),
        begins=life["begin"].rename_axis("vehicle").rename("date").reset_index(),
        ends=of(left, date="disposed"),
        n_vehicles=len(table),
        first_day=log.first_day,
        as_of=log.as_of,
    )


def problems(log):
    """Rows that broke a rule, counted: table, rule, action, rows, first_line, and its column, value and remedy.

    action: what became of the rows: "set aside", "kept", or "kept, that cell not used".
    """
    both = pd.concat(
        [log.set_aside.assign(action="set aside"), log.warnings.assign(action=_kept(log.warnings))],
        ignore_index=True,
    )
    if both.empty:
        return pd.DataFrame(
            columns=["table", "rule", "action", "rows", "first_line", "column", "value", "remedy"]
        )
    by = both.sort_values("line").groupby(["action", "table", "rule"], sort=False)
    out = by.agg(
        rows=("line", "nunique"),
        first_line=("line", "first"),
        column=("column", "first"),
        value=("value", "first"),
        remedy=("remedy", "first"),
    )
    out = out.reset_index().sort_values(
        ["action", "rows", "table"], ascending=[False, False, True], ignore_index=True
    )
    return out[["table", "rule", "action", "rows", "first_line", "column", "value", "remedy"]]


def _kept(warnings):
    is_whole = warnings["rule"].map({code: rule.severity == "warn" for code, rule in RULES.items()})
    return np.where(is_whole.fillna(True).astype(bool), "kept", "kept, that cell not used")


def headlines(log):
    """The figures that a reader remembers: distance_km driven, fuel_l, l_per_100km, work_money, work_money_per_km; NaN: not known."""
    read = usage.readings(log)
    span = read.groupby("vehicle")["distance_km"].agg(["min", "max"])
    distance = float((span["max"] - span["min"]).sum()) or np.nan
    fuel = log.si("fuel")
    litres = fuel.loc[~fuel["kind"].isin(["electric", "urea"]), "volume_l"].sum(min_count=1)
    work = log.tables["work"]
    money = work[COSTS].sum(axis=1, min_count=1).sum(min_count=1) - work["recovered"].sum()
    values = {
        "distance_km": distance,
        "fuel_l": litres,
        "l_per_100km": 100 * litres / distance,
        "work_money": money,
    }
    return pd.Series({**values, "work_money_per_km": money / distance}, dtype=float)


def moved(log):
    """Which headline figures the doubtful rows move: rule, table, rows, figure, with_them, without, change_share; the largest first.

    Doubtful: rows that are kept whole with a warning. Each rule's rows of one table are left out in turn, but for work that is
    doubtful in its name alone.
    """
    kept = (_kept(log.warnings) == "kept") & log.warnings["rule"].ne("task-near")
    doubtful = log.warnings[
        kept & log.warnings["table"].isin(["odometer", "work", "fuel", "measurements", "fitted"])
    ]
    base, parts = headlines(log), []
    for (rule, table), found in doubtful.groupby(["rule", "table"]):
        cut = log.tables[table].drop(index=found["line"].unique(), errors="ignore")
        without = headlines(
            replace(log, tables=MappingProxyType({**log.tables, table: cut}), _si={})
        )
        change = without / base - 1
        told = (
            pd.DataFrame({"with_them": base, "without": without, "change_share": change})
            .rename_axis("figure")
            .reset_index()
        )
        told = told.assign(rule=rule, table=table, rows=found["line"].nunique())
        parts.append(told[told["change_share"].abs() >= MOVES])
    if not parts:
        return pd.DataFrame(columns=MOVED)
    frame = pd.concat(parts, ignore_index=True)[MOVED]
    return frame.sort_values(
        "change_share",
        key=lambda c: c.abs().round(6),
        ascending=False,
        kind="stable",
        ignore_index=True,
    )
