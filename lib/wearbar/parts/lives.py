"""One row a physical part's life."""

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.log.keys import look_up
from wearbar.log.plan import SHARES
from wearbar.log.schema import TEXT
from wearbar.parts.fitted import segments_of, unrecorded_of, use_of
from wearbar.parts.inspections import looks_of

__all__ = ["spans_of", "watched"]

ENDS = ("worn", "failed")
CAUSES = {"convenience": "removed-early"}  # every other reason is its own cause
HOLE = "record-gap"  # the cause of a piece that ends where the record has a hole


def spans_of(log, category=None, readings=None):
    """One row a physical part's life: everything that the log tells of it.

    part_key, vehicle, site, kind (the last vehicle that it was on), kind, category, item, position (the one it did most distance in),
    positions (all of them), last_position, and last_start, the day it went there, n_rows. start, end, watched_from (days). seen_km: its
    vehicle's distance from the record's first day to `end`. entry_km, duration_km: its distance when the record began to watch it and
    when it was last seen, storage left out; NaN where not known. age_known: that both are; a part on before the log with a blank fitted
    reading, or bought used without a distance, has none and serves for wear alone. duration_days: days on. observed: ended worn or
    failed. cause: worn, failed, damaged, removed-early, age, unsuited, recalled, disposed, stored (or moved), still-on, not-told. is_on:
    on a vehicle now. price, fitting_cost: sums, NaN where the first is blank. new_depth_mm, fitted_depth_mm, removed_depth_mm,
    limit_depth_mm (of a chain: percent). n_readings: days on which its wear was read. last_seen_km: its distance when it was last read
    and went on: of one that ended worn, at the reading before its end (which lies between the two); NaN where it was not read.
    unrecorded_km: (from, to) pairs of its distance that fall in a hole of the record. coverage_share, loose, mud_water ... and
    loose_coverage_share ...: what it was used in, as `usage.use_shares` has it.
    """
    readings = usage.readings(log) if readings is None else readings
    rows = segments_of(log, readings)
    rows = rows if category is None else rows[rows["category"].eq(category)].reset_index(drop=True)
    if rows.empty:
        return pd.DataFrame({name: pd.Series(dtype=kind) for name, kind in _EMPTY.items()})
    rows["length"] = (rows["end_km"] - rows["start_km"]).clip(lower=0)
    rows["unwatched"] = (np.minimum(rows["end_km"], rows["watch_km"]) - rows["start_km"]).clip(
        lower=0
    )
    rows["days"] = (rows["end"] - rows["start"]).dt.days
    life = rows.groupby("life", sort=False)
    first, last = life.nth(0).reset_index(drop=True), life.nth(-1).reset_index(drop=True)
    frame = last[["part_key", "vehicle"]].copy()
    frame["site"] = usage.site_at(log, last["vehicle"], last["end"]).to_numpy()
    frame["kind"] = last["vehicle"].map(
        log.tables["vehicles"].drop_duplicates("vehicle").set_index("vehicle")["kind"]
    )
    frame[["category", "item"]] = last[["category", "item"]]
    frame["position"], frame["positions"] = _positions(rows)
    frame["n_rows"] = life.size().to_numpy()
    frame["last_position"], frame["last_start"] = last["position"], last["start"]
    frame["start"], frame["end"] = first["start"], last["end"]
    frame["watched_from"] = first["start"].fillna(first["watch"]).clip(lower=first["watch"])
    frame["seen_km"] = (last["end_km"] - last["watch_km"]).clip(lower=0)
    prior = first["before_km"].to_numpy()
    frame["entry_km"] = (
        prior
        + life["unwatched"]
        .sum(min_count=1)
        .where(life["length"].count().eq(life.size()))
        .to_numpy()
    )
    frame["duration_km"] = (
        prior
        + life["length"].sum(min_count=1).where(life["length"].count().eq(life.size())).to_numpy()
    )
    frame["age_known"] = frame["duration_km"].notna() & frame["entry_km"].notna()
    frame["duration_days"] = (
        life["days"].sum(min_count=1).where(life["days"].count().eq(life.size())).to_numpy()
    )
    frame["cause"] = _cause(last, log)
    frame["observed"], frame["is_on"] = frame["cause"].isin(ENDS), frame["cause"].eq("still-on")
    for money in ("price", "fitting_cost"):
        # a part moved about is bought once, in its first row: nil in the others is not its price
        frame[money] = (
            life[money].sum(min_count=1).where(first["price"].notna().to_numpy()).to_numpy()
        )
    frame[["new_depth_mm", "fitted_depth_mm"]] = first[["new_depth_mm", "fitted_depth_mm"]]
    frame[["removed_depth_mm", "limit_depth_mm"]] = last[["removed_depth_mm", "limit_depth_mm"]]
    holes = last["life"].map(unrecorded_of(log, readings, rows))
    frame["unrecorded_km"] = holes.where(holes.notna(), pd.Series([()] * len(frame), dtype=object))
    frame = frame.merge(
        use_of(log, readings, rows), how="left", left_on=["category", "part_key"], right_index=True
    )
    return _with_looks(frame, looks_of(log, readings, rows))


_EMPTY = dict.fromkeys(
    [
        "part_key",
        "vehicle",
        "site",
        "kind",
        "category",
        "item",
        "position",
        "positions",
        "last_position",
        "cause",
    ],
    TEXT,
)
_EMPTY |= {
    "n_rows": int,
    "start": "datetime64[ns]",
    "end": "datetime64[ns]",
    "watched_from": "datetime64[ns]",
    "last_start": "datetime64[ns]",
    "age_known": bool,
    "observed": bool,
    "is_on": bool,
    "n_readings": int,
}
_EMPTY |= dict.fromkeys(
    [
        "entry_km",
        "duration_km",
        "seen_km",
        "duration_days",
        "price",
        "fitting_cost",
        "new_depth_mm",
        "fitted_depth_mm",
    ],
    float,
)
_EMPTY |= dict.fromkeys(
    ["removed_depth_mm", "limit_depth_mm", "last_seen_km", "coverage_share", *SHARES], float
)
_EMPTY |= dict.fromkeys([f"{name}_coverage_share" for name in SHARES], float) | {
    "unrecorded_km": object
}


def _positions(rows):
    by = (
        rows.assign(length=rows["length"].fillna(0))
        .groupby(["life", "position"], sort=False, as_index=False)["length"]
        .sum()
    )
    most = (
        by.sort_values("length", ascending=False, kind="stable")
        .drop_duplicates("life")
        .set_index("life")["position"]
        .sort_index()
    )
    return most.to_numpy(), by.groupby("life")["position"].agg(", ".join).to_numpy()


def _cause(last, log):
    disposed = last["vehicle"].map(
        log.tables["vehicles"].drop_duplicates("vehicle").set_index("vehicle")["disposed"]
    )
    gone = last["is_on"] & (disposed <= log.as_of)
    cause = last["reason"].replace(CAUSES).mask(last["is_on"], "still-on").mask(gone, "disposed")
    return cause.fillna("not-told").astype(TEXT)


def _with_looks(frame, looks):
    looks = looks[looks["source"].eq("reading")]
    seen = looks.groupby("part_key")["date"].nunique()
    latest = looks.merge(frame[["part_key", "end", "cause"]], on="part_key")
    latest = (
        latest[(latest["date"] < latest["end"]) | latest["cause"].ne("worn")]
        .groupby("part_key")["distance_km"]
        .max()
    )
    frame["n_readings"] = look_up(frame["part_key"], seen).fillna(0).astype(int)
    frame["last_seen_km"] = look_up(frame["part_key"], latest).where(frame["age_known"])
    return frame


def watched(spans):
    """The stretches that life can be judged from: age known, and watched for some distance; `duration_km`, `entry_km`, `observed` are as
    the fits want.

    One row a life, or several where its vehicle's record has holes: what no record saw, the last day of the hole with it, is at risk of
    nothing. A piece ends with cause "record-gap", not observed, and the next enters late; an end within a hole counts in none.
    """
    lives = spans[spans["age_known"] & (spans["duration_km"] > spans["entry_km"])].reset_index(
        drop=True
    )
    holes = lives.get("unrecorded_km", pd.Series(dtype=object)).explode().dropna()
    if holes.empty:
        return lives
    edge = pd.DataFrame(holes.tolist(), holes.index, columns=["from_km", "to_km"])
    begin = (
        pd.concat([lives["entry_km"], edge["to_km"]])
        .rename("entry_km")
        .rename_axis("row")
        .reset_index()
    )
    until = (
        pd.concat([edge["from_km"], lives["duration_km"]])
        .rename("duration_km")
        .rename_axis("row")
        .reset_index()
    )
    pieces = begin.sort_values(["row", "entry_km"], kind="stable", ignore_index=True)
    pieces["until_km"] = until.sort_values(["row", "duration_km"], kind="stable")[
        "duration_km"
    ].to_numpy()
    whole = lives.loc[pieces["row"]].reset_index(drop=True)
    ends = ~pieces["row"].duplicated(keep="last")
    entry = np.maximum(pieces["entry_km"], whole["entry_km"])
    cut = whole.assign(
        entry_km=entry, duration_km=pieces["until_km"], observed=whole["observed"] & ends
    )
    cut["cause"] = whole["cause"].where(ends, HOLE)
    cut["last_seen_km"] = whole["last_seen_km"].clip(entry, pieces["until_km"])
    return cut[cut["duration_km"] > cut["entry_km"]].reset_index(drop=True)
