"""How well a log covers its own period, and what its doubtful rows would change. Counts of the log
itself are complete, so none of this has an interval."""

from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.intervals import STALE_DAYS
from wearbar.log.checks.problems import RULES
from wearbar.log.checks.rows import main_date
from wearbar.log.keys import stacked
from wearbar.log.schema import PERIODS, TABLES
from wearbar.usage.rates import GAP_DAYS

MOST_ROWS = 40  # of a timeline; the vehicles with the longest gaps
MOVES = 0.005  # least change of a headline figure that is said
# tables whose rows ought to fill the record, and those whose doubtful rows can move a figure
COVERS = ("odometer", "work", "fitted", "measurements", "fuel", "use", "fixed_costs")
DOUBTED = ("odometer", "work", "fuel", "measurements", "fitted")
COSTS = ["labour_cost", "parts_cost", "other_cost"]
# columns that say when what a timeline shows began and ended
ENDS = {"begin": "start", "date": "start", "from": "start", "disposed": "start"}
ENDS |= {"stop": "end", "to": "end"}


def by_table(log):
    """One row a table: table, is_present, rows, first, last, n_vehicles with a row, months_share.
    months_share: of the months that vehicles were in this log, the share with a row of this table,
    or inside the period of one; NaN for tables of things that need not happen."""
    life, rows = _life(log), []
    life = life.assign(joined=_month(life["begin"]), left=_month(life["stop"]))
    for name in TABLES:
        frame, is_present, share = log.tables[name], name in log.present, np.nan
        day = main_date(name, frame)
        if name in COVERS and is_present:
            end = frame[PERIODS[name][1]].fillna(log.as_of) if name in PERIODS else day
            first, last = _month(day.fillna(log.first_day)), _month(end)
            spans = pd.DataFrame({"vehicle": frame["vehicle"], "first": first, "last": last})
            # one without a meter has nothing for the table of readings
            who = life[life["has_meter"]] if name == "odometer" else life
            covered = {
                (row.vehicle, month)
                for row in spans.drop_duplicates().merge(who, on="vehicle").itertuples()
                for month in range(max(row.first, row.joined), min(row.last, row.left) + 1)
            }
            total = (who["left"] - who["joined"] + 1).clip(lower=0).sum()
            share = len(covered) / total if total else np.nan
        n_vehicles = frame["vehicle"].nunique() if "vehicle" in frame else 0
        rows.append((name, is_present, len(frame), day.min(), day.max(), n_vehicles, share))
    columns = ["table", "is_present", "rows", "first", "last", "n_vehicles", "months_share"]
    return pd.DataFrame(rows, columns=columns)


def _month(dates):
    """Months since the year 0; 1 where there is no date."""
    return (dates.dt.year.fillna(0) * 12 + dates.dt.month.fillna(1)).astype(int)


def _life(log):
    """begin, stop by vehicle: acquired or the first day, to disposed or the report date."""
    fleet = log.vehicles
    life = log.record_periods.rename(columns={"end": "stop"})
    return life.assign(is_kept=fleet["disposed"].isna(), has_meter=fleet["meter"].ne("none"))


def _read(log, life):
    """One reading a vehicle and day, and the gaps between them, of `days` not in storage."""
    seen = usage.readings(log).drop_duplicates(["vehicle", "date"])
    seen = seen[seen["date"] >= life["begin"].reindex(seen["vehicle"]).to_numpy()]
    holes = usage.gaps(usage.path_of(seen))
    days = holes["days"] - usage.layup_days(log, holes["vehicle"], holes["start"], holes["end"])
    return seen, holes.assign(days=days)[days > GAP_DAYS]


def record(log):
    """One row a vehicle, the longest gap first: how its readings cover its time in this log.

    vehicle, n_readings (days with one), first, last, longest_gap_days (in storage or not), gap_days
    (in gaps that no lay-up accounts for), observed_share (of its days in this log; NaN without a
    meter), since_days (from the last reading to the report date, or disposal), n_changes (of the
    instrument), is_kept, has_meter, is_stale (kept, metered and not read for `STALE_DAYS`).
    """
    life = _life(log)
    seen, holes = _read(log, life)
    days, new = seen.groupby("vehicle")["date"], log.tables["odometer"].dropna(subset="restarts_at")
    counts = {
        "n_readings": days.size(),
        "first": days.min(),
        "last": days.max(),
        "apart_days": days.diff().dt.days.groupby(seen["vehicle"]).max(),
        "gap_days": holes.groupby("vehicle")["days"].sum(),
        "n_changes": new.groupby("vehicle").size(),
    }
    t = life.join(pd.DataFrame(counts)).fillna({"n_readings": 0, "gap_days": 0, "n_changes": 0})
    t = t.astype({"n_readings": int, "n_changes": int})
    t["gap_days"] = t["gap_days"].where(t["n_readings"] > 0)
    t["since_days"] = (t["stop"] - t["last"]).dt.days.clip(lower=0)
    t["longest_gap_days"] = t[["apart_days", "since_days"]].max(axis=1)
    inside = (t["last"] - t["first"]).dt.days - t["gap_days"]
    share = (inside / (t["stop"] - t["begin"]).dt.days.clip(lower=1)).clip(0, 1).fillna(0.0)
    t["observed_share"] = share.where(t["has_meter"])
    t["is_stale"] = t["is_kept"] & t["has_meter"] & ~(t["since_days"] <= STALE_DAYS)
    t = t.drop(columns=["begin", "stop", "apart_days"]).rename_axis("vehicle").reset_index()
    order = {"by": ["longest_gap_days", "vehicle"], "ascending": [False, True]}
    return t.sort_values(**order, na_position="first", ignore_index=True)


def timeline(log, most=MOST_ROWS):
    """Marks of a timeline: vehicle, what (a category), start, end (a moment's: alike). Vehicles
    stand by their first mark: all by name, or the `most` with the longest gaps."""
    names = record(log)["vehicle"]
    names = sorted(names) if len(names) <= most else names.head(most).tolist()
    life, t, marks = _life(log), log.tables, []
    seen, holes = _read(log, life)
    frames = {
        "in the log": life.loc[names].reset_index(),
        "reading": seen,
        "gap in the record": holes,
        "in storage": t["layups"].fillna({"to": log.as_of}),
        "new instrument": t["odometer"].dropna(subset="restarts_at"),
        "disposed of": t["vehicles"].dropna(subset="disposed"),
    }
    for what, frame in frames.items():
        frame = frame.rename(columns=ENDS)
        end = frame.get("end", frame["start"])
        marks.append(frame[["vehicle", "start"]].assign(end=end, what=what))
    marks = stacked(marks)
    marks["what"] = pd.Categorical(marks["what"], list(frames))
    return marks[marks["vehicle"].isin(names)].reset_index(drop=True)


def problems(log):
    """Rows that broke a rule: table, rule, action, rows, first_line and its column, value, remedy.
    action: what became of the rows: "set aside", "kept", or "kept, that cell not used"."""
    warned = log.warnings.assign(action=_kept(log.warnings))
    both = pd.concat([log.set_aside.assign(action="set aside"), warned], ignore_index=True)
    by = both.sort_values("line").groupby(["table", "rule", "action"], sort=False)
    first = {name: (name, "first") for name in ("column", "value", "remedy")}
    out = by.agg(rows=("line", "nunique"), first_line=("line", "first"), **first).reset_index()
    order = {"by": ["action", "rows", "table"], "ascending": [False, False, True]}
    return out.sort_values(**order, ignore_index=True)


def _kept(warnings):
    of_cells = [code for code, rule in RULES.items() if rule.severity != "warn"]
    return np.where(warnings["rule"].isin(of_cells), "kept, that cell not used", "kept")


def headlines(log):
    """What a reader remembers: distance_km, fuel_l, l_per_100km, work_money, work_money_per_km."""
    by = usage.readings(log).groupby("vehicle")["distance_km"]
    distance = float((by.max() - by.min()).sum()) or np.nan
    fuel, work = log.si("fuel"), log.tables["work"]
    litres = fuel.loc[~fuel["kind"].isin(["electric", "urea"]), "volume_l"].sum(min_count=1)
    money = work[COSTS].sum(axis=1, min_count=1).sum(min_count=1) - work["recovered"].sum()
    values = {"distance_km": distance, "fuel_l": litres, "l_per_100km": 100 * litres / distance}
    values |= {"work_money": money, "work_money_per_km": money / distance}
    return pd.Series(values, dtype=float)


def moved(log):
    """Which headline figures the doubtful rows move, the largest first. Columns: rule, table, rows,
    figure, with_them, without, change_share. Doubtful: rows kept whole with a warning, not of a
    name alone. Each rule's rows of a table are left out in turn."""
    warned = log.warnings[(_kept(log.warnings) == "kept") & log.warnings["rule"].ne("task-near")]
    base, found = headlines(log), []
    for (rule, table), rows in warned[warned["table"].isin(DOUBTED)].groupby(["rule", "table"]):
        kept = log.tables[table].drop(index=rows["line"].unique(), errors="ignore")
        tables = MappingProxyType({**log.tables, table: kept})
        without = headlines(replace(log, tables=tables))
        change = without / base - 1
        for figure in change.index[change.abs() >= MOVES]:
            told = (base[figure], without[figure], change[figure])
            found.append((rule, table, rows["line"].nunique(), figure, *told))
    columns = ["rule", "table", "rows", "figure", "with_them", "without", "change_share"]
    size = {"key": lambda change: change.astype(float).abs().round(6), "ascending": False}
    moves = pd.DataFrame(found, columns=columns)
    return moves.sort_values("change_share", kind="stable", ignore_index=True, **size)
