"""One row a physical part's life, and the readings taken of it: what every question about lives and wear starts from.

Rows of `fitted` that share a `part` (and category) are one life across positions, seasons and vehicles, with the time in store left out;
any other row is a life of its own. Distances are cumulative through changed instruments.
"""

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.tables import TEXT

__all__ = ["GOES_ON", "looks_of", "segments_of", "spans_of", "watched"]

ENDS = ("worn", "failed")
GOES_ON = ("rotated", "moved", "stored")
CAUSES = {"convenience": "removed-early"}  # every other reason is its own cause
WORN_QUANTITIES = ("depth", "thickness", "elongation")
NEARLY_NEW = 0.9  # of the new depth: on the day of a change such a reading is the new part's


def segments_of(log, readings):
    """The rows of `fitted` in SI, each with its part and where it began and ended on its vehicle.

    Adds `part_key`, `start` and `end` (days; start NaT where blank, end the log's or the vehicle's last where still on), `start_km`,
    `end_km`, `watch_km` (where the record of the vehicle begins), all cumulative, `on` (still on), and `before_km`, the part's distance
    before the row: in earlier rows and before the log. NaN where not known.
    """
    path = usage.path_of(readings)
    rows = log.si("fitted").reset_index(names="line")
    fleet = log.tables["vehicles"].drop_duplicates("vehicle").set_index("vehicle")
    last = fleet["disposed"].clip(upper=log.as_of).fillna(log.as_of)
    watch = fleet["acquired"].fillna(fleet["in_service"]).clip(lower=log.first_day)
    rows["is_on"], rows["watch"] = rows["removed"].isna(), rows["vehicle"].map(watch)
    rows["start"], rows["end"] = rows["fitted"], rows["removed"].fillna(rows["vehicle"].map(last))
    rows["start_km"] = usage.distance_of(path, rows["vehicle"], rows["fitted"], rows["fitted_odometer_km"])["distance_km"].to_numpy()
    end_km = usage.distance_of(path, rows["vehicle"], rows["end"], rows["removed_odometer_km"])["distance_km"].to_numpy()
    at_last, at_first = _last_and_first(path, rows["vehicle"])
    rows["end_km"] = np.where(np.isnan(end_km) & rows["is_on"], at_last, end_km)
    watch_km = usage.distance_at(path, rows["vehicle"], rows["watch"])["distance_km"].to_numpy()
    rows["watch_km"] = np.fmax(np.where(np.isnan(watch_km), at_first, watch_km), at_first)
    own = rows["part"].notna()
    rows["part_key"] = rows["part"].where(own, "row " + rows["line"].astype(str)).astype(TEXT)
    rows = rows.sort_values(["category", "part_key", "start", "line"], na_position="first", kind="stable", ignore_index=True)
    length = (rows["end_km"] - rows["start_km"]).clip(lower=0)
    same = rows["category"].eq(rows["category"].shift()) & rows["part_key"].eq(rows["part_key"].shift()) & rows["part"].notna()
    rows["life"] = (~same).cumsum()
    earlier = length.groupby(rows["life"]).cumsum(skipna=False).groupby(rows["life"]).shift(fill_value=0.0)
    rows["before_km"] = earlier + rows["life"].map(_prior(rows).groupby(rows["life"]).first())
    return rows


def _last_and_first(path, vehicle):
    first, last = path.rows(vehicle)
    if not len(path.day):
        return np.full(len(vehicle), np.nan), np.full(len(vehicle), np.nan)
    has = last > first
    return np.where(has, path.high[np.maximum(last - 1, 0)], np.nan), np.where(has, path.low[np.minimum(first, len(path.low) - 1)], np.nan)


def _prior(rows):
    """Distance on the part when first fitted: 0 unless it was used, and then only as far as the log says."""
    used = rows["condition"].eq("part-worn")
    return rows["prior_distance_km"].where(used | rows["prior_distance_km"].notna(), 0.0)


def spans_of(log, category=None, readings=None):
    """One row a physical part's life: everything that the log tells of it.

    part_key, vehicle, site, kind (the last vehicle that it was on), kind, category, item, position (the one it did most distance in),
    positions (all of them), last_position, and last_start, the day it went there, n_rows. start, end, watched_from (days). seen_km: its
    vehicle's distance from the record's first day to `end`. entry_km, duration_km: its distance when the record began to watch it and
    when it was last seen, storage left out; NaN where not known. age_known: that both are; a part on before the log with a blank fitted
    reading, or bought used without a distance, has none and serves for wear alone. duration_days: days on. observed: ended worn or
    failed. cause: worn, failed, damaged, removed-early, age, unsuited, recalled, disposed, stored (or moved), still-on, not-told. is_on:
    on a vehicle now. price, fitting_cost: sums, NaN where the first is blank. new_depth_mm, fitted_depth_mm, removed_depth_mm,
    limit_depth_mm. n_readings: days on which its wear was read. last_seen_km: its distance at the last reading before it came off worn
    (the end lies after that).
    """
    readings = usage.readings(log) if readings is None else readings
    rows = segments_of(log, readings)
    rows = rows if category is None else rows[rows["category"].eq(category)].reset_index(drop=True)
    if rows.empty:
        return pd.DataFrame({name: pd.Series(dtype=kind) for name, kind in _EMPTY.items()})
    rows["length"] = (rows["end_km"] - rows["start_km"]).clip(lower=0)
    rows["unwatched"] = (np.minimum(rows["end_km"], rows["watch_km"]) - rows["start_km"]).clip(lower=0)
    rows["days"] = (rows["end"] - rows["start"]).dt.days
    life = rows.groupby("life", sort=False)
    first, last = life.nth(0).reset_index(drop=True), life.nth(-1).reset_index(drop=True)
    frame = last[["part_key", "vehicle"]].copy()
    frame["site"] = usage.site_at(log, last["vehicle"], last["end"]).to_numpy()
    frame["kind"] = last["vehicle"].map(log.tables["vehicles"].drop_duplicates("vehicle").set_index("vehicle")["kind"])
    frame[["category", "item"]] = last[["category", "item"]]
    frame["position"], frame["positions"] = _positions(rows)
    frame["n_rows"] = life.size().to_numpy()
    frame["last_position"], frame["last_start"] = last["position"], last["start"]
    frame["start"], frame["end"] = first["start"], last["end"]
    frame["watched_from"] = first["start"].fillna(first["watch"]).clip(lower=first["watch"])
    frame["seen_km"] = (last["end_km"] - last["watch_km"]).clip(lower=0)
    prior = first["before_km"].to_numpy()
    frame["entry_km"] = prior + life["unwatched"].sum(min_count=1).where(life["length"].count().eq(life.size())).to_numpy()
    frame["duration_km"] = prior + life["length"].sum(min_count=1).where(life["length"].count().eq(life.size())).to_numpy()
    frame["age_known"] = frame["duration_km"].notna() & frame["entry_km"].notna()
    frame["duration_days"] = life["days"].sum(min_count=1).where(life["days"].count().eq(life.size())).to_numpy()
    frame["cause"] = _cause(last, log)
    frame["observed"], frame["is_on"] = frame["cause"].isin(ENDS), frame["cause"].eq("still-on")
    for money in ("price", "fitting_cost"):
        # a part moved about is bought once, in its first row: nil in the others is not its price
        frame[money] = life[money].sum(min_count=1).where(first["price"].notna().to_numpy()).to_numpy()
    frame[["new_depth_mm", "fitted_depth_mm"]] = first[["new_depth_mm", "fitted_depth_mm"]]
    frame[["removed_depth_mm", "limit_depth_mm"]] = last[["removed_depth_mm", "limit_depth_mm"]]
    return _with_looks(frame, looks_of(log, readings, rows))


_EMPTY = dict.fromkeys(["part_key", "vehicle", "site", "kind", "category", "item", "position", "positions", "last_position", "cause"], TEXT)
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
    ["entry_km", "duration_km", "seen_km", "duration_days", "price", "fitting_cost", "new_depth_mm", "fitted_depth_mm"], float
)
_EMPTY |= dict.fromkeys(["removed_depth_mm", "limit_depth_mm", "last_seen_km"], float)


def _positions(rows):
    by = rows.assign(length=rows["length"].fillna(0)).groupby(["life", "position"], sort=False, as_index=False)["length"].sum()
    most = by.sort_values("length", ascending=False, kind="stable").drop_duplicates("life").set_index("life")["position"].sort_index()
    return most.to_numpy(), by.groupby("life")["position"].agg(", ".join).to_numpy()


def _cause(last, log):
    disposed = last["vehicle"].map(log.tables["vehicles"].drop_duplicates("vehicle").set_index("vehicle")["disposed"])
    gone = last["is_on"] & (disposed <= log.as_of)
    cause = last["reason"].replace(CAUSES).mask(last["is_on"], "still-on").mask(gone, "disposed")
    return cause.fillna("not-told").astype(TEXT)


def _with_looks(frame, looks):
    looks = looks[looks["source"].eq("reading")]
    seen = looks.groupby("part_key")["date"].nunique()
    latest = looks.merge(frame[["part_key", "end"]], on="part_key")
    latest = latest[latest["date"] < latest["end"]].groupby("part_key")["distance_km"].max()
    frame["n_readings"] = frame["part_key"].map(seen).fillna(0).astype(int)
    frame["last_seen_km"] = frame["part_key"].map(latest).where(frame["cause"].eq("worn"))
    return frame


def looks_of(log, readings, segments=None):
    """Every reading of a part's wear, on the part's own distance: one row a place.

    `part_key, vehicle, category, position, date, distance_km, place, value, quantity, source, line`: distance on the part, or on its
    vehicle since the record began where its age is not known (`distance_is_own` False). source: "reading" of `measurements`, or what
    `fitted` says: "new" (its new depth at its fitting), "fitted", "removed". A reading belongs to the `part` it names, or else to what
    was on at that position that day; on the day of a change to the part that comes off, unless it is nearly the new one's depth.
    """
    segments = segments_of(log, readings) if segments is None else segments
    own = segments["start_km"].notna() & segments["before_km"].notna()
    segments = segments.assign(own=own, zero_km=np.where(own, segments["start_km"] - segments["before_km"], segments["watch_km"]))
    taken = log.si("measurements").reset_index(names="line")
    taken = taken[taken["quantity"].isin(WORN_QUANTITIES)].reset_index(drop=True)
    at = usage.distance_of(usage.path_of(readings), taken["vehicle"], taken["date"], taken["odometer_km"])
    taken["at_km"] = at["distance_km"].to_numpy()
    columns = ["part_key", "zero_km", "own", "start", "end", "new_depth_mm", "position"]
    named = taken[taken["part"].notna()].merge(
        segments[["category", "vehicle", *columns]].rename(columns={"position": "on"}),
        left_on=["category", "vehicle", "part"],
        right_on=["category", "vehicle", "part_key"],
    )
    placed = taken[taken["part"].isna()].merge(segments[["vehicle", "category", *columns]], on=["vehicle", "category", "position"])
    found = pd.concat([named, placed], ignore_index=True)
    found = found[(found["start"].isna() | (found["start"] <= found["date"])) & (found["date"] <= found["end"])]
    found = _one_part_each(found).assign(source="reading")
    found["distance_km"] = found["at_km"] - found["zero_km"]
    looks = pd.concat([found, *_told_by_fitting(segments)], ignore_index=True).rename(columns={"own": "distance_is_own"})
    looks["place"] = looks["place"].fillna("")
    keep = [
        "part_key",
        "vehicle",
        "category",
        "position",
        "date",
        "distance_km",
        "distance_is_own",
        "place",
        "value",
        "quantity",
        "source",
        "line",
    ]
    looks = looks.loc[looks["distance_km"].notna() & looks["value"].notna(), keep]
    return looks.sort_values(["part_key", "distance_km", "line"], kind="stable", ignore_index=True)


def _one_part_each(found):
    """On a day of change a reading fits two parts: the new one's where it is nearly its new depth, the old one's otherwise."""
    is_new = found["start"].eq(found["date"]) & found["value"].ge(NEARLY_NEW * found["new_depth_mm"]) & ~found["quantity"].eq("elongation")
    rank = np.where(found["end"].eq(found["date"]), 1, np.where(found["start"].eq(found["date"]), np.where(is_new, 0, 2), 0))
    return found.assign(rank=rank).sort_values(["line", "rank"], kind="stable").drop_duplicates("line")


def _told_by_fitting(segments):
    """New, fitted and removed depths as readings of the whole part, the quantity as the category's own."""
    first = ~segments["life"].duplicated()
    new = segments[first & segments["own"] & ~segments["condition"].eq("part-worn") & (segments["before_km"] == 0)]
    told = [
        (new, "new_depth_mm", "new", new["start"], 0.0),
        (segments, "fitted_depth_mm", "fitted", segments["start"], segments["start_km"] - segments["zero_km"]),
        (segments, "removed_depth_mm", "removed", segments["removed"], segments["end_km"] - segments["zero_km"]),
    ]
    common = ["part_key", "vehicle", "category", "position", "own", "line"]
    for rows, column, source, date, distance in told:
        yield (
            rows[common].assign(value=rows[column], source=source, date=date, distance_km=distance).dropna(subset=["value", "distance_km"])
        )


def watched(spans):
    """The spans that life can be judged from: age known, and watched for some distance. `duration_km`, `entry_km`, `observed` "
    "are as the fits want."""
    return spans[spans["age_known"] & (spans["duration_km"] > spans["entry_km"])]
