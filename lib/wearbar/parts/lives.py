"""The rows of `fitted`, one row a physical part's life of them, and every reading of its wear."""

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.log.keys import look_up
from wearbar.log.once import kept_with
from wearbar.log.schema import TEXT

WORN_TABLES = ("fitted", "measurements")
GOES_ON = ("rotated", "moved", "stored")
NOT_LISTED = "item not in the log"
RISING = "elongation"  # grows as a part wears; the others fall
WORN_QUANTITIES = ("depth", "thickness", RISING)  # what tells of a part's wear
USED_MM = 0.5  # so far below its new depth when fitted, a part was used before
LEAST_DAYS = 60  # of a hole in the record, lay-ups left out
PERCENT = ("chain",)  # categories whose limit is a stretch in percent, not a depth
ENDS = ("worn", "failed")
CAUSES = {"convenience": "removed-early"}  # every other reason is its own cause
HOLE = "record-gap"  # the cause of a piece that ends where the record has a hole
NEARLY_NEW = 0.9  # of the new depth: on the day of a change such a reading is the new part's
# what looks are made of
TAKEN = "line vehicle category position date odometer_km part place value quantity"
SEGMENT = "line vehicle category position part part_key life start end removed condition start_km"
SEGMENT += " before_km end_km new_depth_mm fitted_depth_mm removed_depth_mm"
LOOK = "part_key vehicle category position date distance_km place value quantity source line"


def axle_of(positions):
    """Positions with their axle (front, rear, axle2 ...) for each; one that names none stays.

    >>> axle_of(pd.Series(["rear-left, rear-right", "axle2-1", "drive"])).tolist()
    ['rear, rear', 'axle2', 'drive']
    """
    return positions.str.replace(r"(^|, )(axle\d+|front|rear)-[^,]*", r"\1\2", regex=True)


@kept_with(of=WORN_TABLES)
def segments_of(log):
    """The rows of `fitted` in SI, each with its part and where it began and ended on its vehicle;
    and a used part of no known item wherever wear was read after `fitted` has the last one removed.

    Adds `part_key`, `life` (number of the part's life), `start`, `end` (days; the end of one still
    on is the log's or the vehicle's last), `watch` (when the record of the vehicle begins),
    `start_km`, `end_km`, `watch_km` (cumulative), `length_km`, `is_on`, and `before_km`, the part's
    distance in earlier rows and before the log; NaN where not known."""
    rows, path = log.si("fitted").reset_index(names="line"), usage.log_path(log)
    given = log.tables["fitted"]["limit_depth"].to_numpy()
    rows["limit_depth_mm"] = rows["limit_depth_mm"].mask(rows["category"].isin(PERCENT), given)
    # parts measured without a row: on since the last removal
    place, read = ["vehicle", "category", "position"], log.tables["measurements"]
    own = read["part"].isin(rows["part"].dropna())
    read = read.loc[read["quantity"].isin(WORN_QUANTITIES) & ~own, [*place, "date"]]
    if len(read):
        by = rows.assign(on=rows["removed"].isna()).groupby(place, dropna=False)
        known = by.agg(on=("on", "any"), fitted=("removed", "max")).reset_index()
        read = read.merge(known, on=place, how="left")
        read = read[~read.pop("on").eq(True) & ~(read["date"] <= read["fitted"])]
        read = read.drop_duplicates(place).drop(columns="date")
        read = read.assign(line=-1 - np.arange(len(read)), item=NOT_LISTED, condition="part-worn")
        rows = pd.concat([rows, read.astype(rows.dtypes[read.columns])], ignore_index=True)

    vehicle = rows["vehicle"]
    watch, last = (look_up(vehicle, of) for _, of in log.record_periods.items())
    rows["is_on"], rows["watch"] = rows["removed"].isna(), watch
    rows["start"], rows["end"] = rows["fitted"], rows["removed"].fillna(last)

    def at(day, odometer):
        return usage.distance_of(path, vehicle, rows[day], rows[odometer])["distance_km"]

    # between a vehicle's first day and its record nothing was read
    blank = rows["fitted_odometer_km"].isna() & (rows["start"] < rows["watch"])
    rows["start_km"] = at("start", "fitted_odometer_km").mask(blank)
    first, past = path.rows(vehicle)
    at_first = path.get("low", np.where(past > first, first, -1))
    end_km, at_last = at("end", "removed_odometer_km"), path.get("high", past - 1)
    rows["end_km"] = end_km.mask(end_km.isna() & rows["is_on"], at_last)
    watch_km = usage.distance_at(path, vehicle, rows["watch"])["distance_km"]
    rows["watch_km"] = np.fmax(watch_km, at_first)
    rows["length_km"] = (rows["end_km"] - rows["start_km"]).clip(lower=0)
    # an id may stand for pieces of two categories
    twice = rows.groupby("part")["category"].transform("nunique") > 1
    name = rows["part"].where(~twice, rows["part"] + " " + rows["category"])
    unnamed = "row " + rows["line"].astype(str)
    rows["part_key"] = name.where(rows["part"].notna(), unnamed).astype(TEXT)
    order = ["category", "part_key", "start", "line"]
    rows = rows.sort_values(order, na_position="first", kind="stable", ignore_index=True)
    goes_on = rows.duplicated(order[:2]) & rows["part"].notna()
    rows["life"] = life = (~goes_on).cumsum()
    earlier = rows["length_km"].groupby(life).cumsum(skipna=False)
    earlier = earlier.groupby(life).shift(fill_value=0.0)
    # when first fitted: nil unless it was used
    worn = rows["fitted_depth_mm"] < rows["new_depth_mm"] - USED_MM
    told = rows["prior_distance_km"]
    prior = told.where(rows["condition"].eq("part-worn") | worn | told.notna(), 0.0)
    return rows.assign(before_km=earlier + prior.where(~goes_on).groupby(life).transform("max"))


@kept_with(of=WORN_TABLES)
def spans_of(log, category=None):
    """One row a physical part's life: everything that the log tells of it.

    Of the part: part_key, vehicle, site, kind (its last vehicle's), category, item, position (of
    most distance), positions (all), last_position, last_start (the day it went there), start, end,
    is_on; cause: worn, failed (`observed`), damaged, removed-early, age, unsuited, recalled,
    disposed, stored (or moved), still-on, not-told. price, fitting_cost: sums, NaN where the first
    is blank. Depths in mm, limit_depth_mm of a chain in percent.

    Of what the record saw: watched_from (day); entry_km, duration_km: its distance when the record
    began to watch it and when last seen; age_known: that both are, else it serves for wear alone.
    seen_km: its vehicle's distance from the record's first day to `end`. n_readings: days on which
    its wear was read. last_seen_km: its distance when last read and still good. unrecorded_km:
    (from, to) pairs of its distance in a hole of the record."""
    rows = segments_of(log)
    rows = rows if category is None else rows[rows["category"].eq(category)].reset_index(drop=True)
    until = np.minimum(rows["end_km"], rows["watch_km"])
    rows["unwatched_km"] = (until - rows["start_km"]).clip(lower=0)
    life = rows.groupby("life", sort=False)
    first, last = life.nth(0).reset_index(drop=True), life.nth(-1).reset_index(drop=True)
    same = ["part_key", "vehicle", "category", "item", "end", "removed_depth_mm", "limit_depth_mm"]
    frame = last[same].assign(
        site=usage.site_at(log, last["vehicle"], last["end"]).to_numpy(),
        kind=look_up(last["vehicle"], log.vehicles["kind"]),
        last_position=last["position"],
        last_start=last["start"],
        start=first["start"],
        watched_from=first["start"].fillna(first["watch"]).clip(lower=first["watch"]),
        seen_km=(last["end_km"] - last["watch_km"]).clip(lower=0),
        new_depth_mm=first["new_depth_mm"],
    )
    held = rows.assign(length_km=rows["length_km"].fillna(0))
    held = held.groupby(["life", "position"], sort=False, as_index=False)["length_km"].sum()
    most = held.sort_values("length_km", ascending=False, kind="stable").drop_duplicates("life")
    frame["position"] = most.sort_values("life")["position"].to_numpy()
    frame["positions"] = held.groupby("life")["position"].agg(", ".join).to_numpy()
    sums = life[["unwatched_km", "length_km", "price", "fitting_cost"]].sum(min_count=1)
    sums = sums.reset_index(drop=True)
    is_whole = life["length_km"].count().eq(life.size()).to_numpy()
    for name, run in (("entry_km", "unwatched_km"), ("duration_km", "length_km")):
        frame[name] = first["before_km"] + sums[run].where(is_whole)
    frame["age_known"] = frame["duration_km"].notna() & frame["entry_km"].notna()
    # a part moved about is bought once, in its first row: nil in the others is not its price
    money = ["price", "fitting_cost"]
    frame[money] = sums[money].where(first["price"].notna())
    gone = last["is_on"] & ~last["vehicle"].isin(log.here)
    cause = last["reason"].replace(CAUSES).mask(last["is_on"], "still-on").mask(gone, "disposed")
    frame["cause"] = cause.fillna("not-told").astype(TEXT)
    frame["observed"], frame["is_on"] = frame["cause"].isin(ENDS), frame["cause"].eq("still-on")
    return _with_record(frame, last["life"], log, rows)


def _with_record(frame, life, log, rows):
    """The lives with what was read of them, and with the holes of the record in them: from the day
    the vehicle's record begins, where more than `LEAST_DAYS` were not in storage."""
    looks = looks_of(log)
    looks = looks.loc[looks["source"].eq("reading"), ["part_key", "date", "distance_km"]]
    looks = looks.merge(frame[["part_key", "end", "cause"]], on="part_key")
    is_good = (looks["date"] < looks["end"]) | looks["cause"].ne("worn")
    looks["good_km"] = looks["distance_km"].where(is_good)
    seen = looks.groupby("part_key").agg({"date": "nunique", "good_km": "max"})
    seen = seen.reindex(frame["part_key"]).set_axis(frame.index)
    frame["n_readings"] = seen["date"].fillna(0).astype(int)
    frame["last_seen_km"] = seen["good_km"].where(frame["age_known"])

    path = usage.log_path(log)
    rows = rows[["vehicle", "life", "watch", "start_km", "end_km", "before_km"]]
    rows = rows.merge(usage.gaps(path), on="vehicle")
    if rows.empty:
        return frame.assign(unrecorded_km=pd.Series([()] * len(frame), frame.index, dtype=object))
    opens, closes = rows["start"].clip(lower=rows["watch"]), rows["end"]
    laid_up = usage.layup_days(log, rows["vehicle"], opens, closes)

    def at(day):
        km = usage.distance_at(path, rows["vehicle"], day)["distance_km"]
        return km.clip(rows["start_km"], rows["end_km"]) - rows["start_km"] + rows["before_km"]

    km = at(opens), at(closes)
    is_hole = ((closes - opens).dt.days - laid_up > LEAST_DAYS) & (km[1] > km[0])
    pairs = pd.Series(list(zip(*km, strict=True)), rows.index, dtype=object)[is_hole]
    holes = pairs.sort_values().groupby(rows["life"]).agg(tuple).reindex(life)
    holes = [hole if isinstance(hole, tuple) else () for hole in holes]
    return frame.assign(unrecorded_km=pd.Series(holes, frame.index, dtype=object))


def watched(spans):
    """The stretches that life can be judged from: age known, and watched for some distance;
    `duration_km`, `entry_km`, `observed` are as the fits want. At a hole of the record a piece ends
    with cause "record-gap", not observed, and the next enters late."""
    lives = spans.query("age_known and duration_km > entry_km").reset_index(drop=True)
    if "unrecorded_km" not in lives or not lives["unrecorded_km"].str.len().any():
        return lives

    def cut(km, side):  # at the near (0) or the far side (1) of each hole
        rows = zip(lives[km], lives["unrecorded_km"], strict=True)
        return [sorted([own, *(hole[side] for hole in holes)]) for own, holes in rows]

    pieces = lives.assign(begin=cut("entry_km", 1), duration_km=cut("duration_km", 0))
    pieces = pieces.explode(["begin", "duration_km"]).astype({"duration_km": float})
    is_last = ~pieces.index.duplicated(keep="last")
    entry = np.maximum(pieces.pop("begin").astype(float), pieces["entry_km"])
    seen = np.clip(pieces["last_seen_km"].to_numpy(), entry, pieces["duration_km"])
    cause, observed = pieces["cause"].where(is_last, HOLE), pieces["observed"] & is_last
    pieces = pieces.assign(entry_km=entry, last_seen_km=seen, observed=observed, cause=cause)
    return pieces.query("duration_km > entry_km").reset_index(drop=True)


@kept_with(of=WORN_TABLES)
def looks_of(log):
    """Every reading of a part's wear, on its own distance: a row a place, columns `LOOK`.

    distance_km: on the part, or on its vehicle since the record began where its age is not known;
    NaN where nothing tells it: a depth against its limit needs none. source: "reading" of
    `measurements`, or of `fitted` "new" (its new depth at its fitting), "fitted", "removed". A
    reading belongs to the `part` it names, or else to what was on at that position that day; on the
    day of a change to the part that is removed, unless it is nearly the new one's depth."""
    segments = segments_of(log)
    own = segments["start_km"].notna() & segments["before_km"].notna()
    zero = (segments["start_km"] - segments["before_km"]).where(own, segments["watch_km"])
    segments = segments[SEGMENT.split()].assign(zero_km=zero)
    taken = log.si("measurements").reset_index(names="line")
    taken = taken.loc[taken["quantity"].isin(WORN_QUANTITIES), TAKEN.split()].reset_index(drop=True)
    when = (taken[name] for name in ("vehicle", "date", "odometer_km"))
    taken["at_km"] = usage.distance_of(usage.log_path(log), *when)["distance_km"]
    columns = ["part_key", "zero_km", "start", "end", "new_depth_mm"]
    named, found = taken["part"].notna(), []
    for name, rows in (("part", taken[named]), ("position", taken[~named])):
        key = ["vehicle", "category", name]
        found.append(rows.merge(segments[[*key, *columns]], on=key))
    found = pd.concat(found, ignore_index=True)
    begun = found["start"].isna() | (found["start"] <= found["date"])
    found = found[begun & (found["date"] <= found["end"])]
    # on a day of change a reading fits two parts: if nearly its new depth, it is the new one's
    is_new = found["value"].ge(NEARLY_NEW * found["new_depth_mm"]) & found["quantity"].ne(RISING)
    ends, starts = found["end"].eq(found["date"]), found["start"].eq(found["date"])
    found = found.assign(rank=np.select([ends, starts & ~is_new], [1, 2], 0))
    found = found.sort_values(["line", "rank"], kind="stable").drop_duplicates("line")
    found = found.assign(source="reading", distance_km=found["at_km"] - found["zero_km"])
    # new, fitted and removed depths are readings of the whole part
    is_new = ~segments["life"].duplicated() & own & (segments["before_km"] == 0)
    is_new &= segments["condition"].ne("part-worn")
    told, days = [], {"new": ("start", "zero_km"), "fitted": ("start", "start_km")}
    for source, (day, km) in (days | {"removed": ("removed", "end_km")}).items():
        rows = segments[is_new] if source == "new" else segments
        rows = rows.assign(source=source, value=rows[f"{source}_depth_mm"], date=rows[day])
        rows["distance_km"] = rows[km] - rows["zero_km"]
        told.append(rows.dropna(subset=["value", "date"]))
    looks = pd.concat([found, *told], ignore_index=True)
    looks["place"] = looks["place"].fillna("")
    looks = looks.loc[looks["value"].notna(), LOOK.split()]
    return looks.sort_values(["part_key", "distance_km", "line"], kind="stable", ignore_index=True)
