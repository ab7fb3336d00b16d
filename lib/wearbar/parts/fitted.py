"""The rows of `fitted`: begin, end and use of each, and what no record saw of it."""

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.log.keys import look_up
from wearbar.log.plan import SHARES
from wearbar.log.schema import TEXT

GOES_ON = ("rotated", "moved", "stored")
NOT_LISTED = "item not in the log"
RISING = "elongation"  # grows as a part wears; the others fall
WORN_QUANTITIES = ("depth", "thickness", RISING)  # what tells of a part's wear
USED_MM = 0.5  # so far below its new depth when fitted, a part was used before
LEAST_DAYS = 60  # of a hole in the record, lay-ups left out
PERCENT = ("chain",)  # categories whose limit is a stretch in percent, not a depth
COVERED = [f"{name}_coverage_share" for name in SHARES]


def axle_of(positions):
    """Positions with their axle (front, rear, axle2 ...) for each; one that names none stays.

    >>> axle_of(pd.Series(["rear-left, rear-right", "axle2-1", "drive"])).tolist()
    ['rear, rear', 'axle2', 'drive']
    """
    return positions.str.replace(r"(^|, )(axle\d+|front|rear)-[^,]*", r"\1\2", regex=True)


def segments_of(log, readings):
    """The rows of `fitted` in SI, each with its part and where it began and ended on its vehicle;
    and a used part of no known item wherever wear was read after `fitted` has the last one removed.

    Adds `part_key`, `life` (number of the part's life), `start`, `end` (days; the end of one still
    on is the log's or the vehicle's last), `watch` (when the record of the vehicle begins),
    `start_km`, `end_km`, `watch_km` (cumulative), `length_km`, `is_on`, and `before_km`, the part's
    distance in earlier rows and before the log. NaN where not known, as the begin is of a part that
    went on before the record without a `fitted_odometer`.
    """
    path, rows = usage.path_of(readings), _rows_of(log)
    record = log.record_periods.set_axis(log.tables["vehicles"]["vehicle"])
    vehicle = rows["vehicle"]
    watch, last = (look_up(vehicle, record[name]) for name in ("begin", "end"))
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


def _rows_of(log):
    """`fitted` in SI, and parts measured without a row there: on since the last removal."""
    rows = log.si("fitted").reset_index(names="line")
    given = log.tables["fitted"]["limit_depth"].to_numpy()
    rows["limit_depth_mm"] = rows["limit_depth_mm"].mask(rows["category"].isin(PERCENT), given)
    place, read = ["vehicle", "category", "position"], log.tables["measurements"]
    own = read["part"].isin(rows["part"].dropna())
    read = read.loc[read["quantity"].isin(WORN_QUANTITIES) & ~own, [*place, "date"]]
    is_on = rows.loc[rows["removed"].isna(), place].drop_duplicates().assign(on=True)
    ended = rows.groupby(place)["removed"].max().rename("fitted").reset_index()
    read = read.merge(is_on, on=place, how="left").merge(ended, on=place, how="left")
    read = read[read.pop("on").isna() & ~(read["date"] <= read["fitted"])]
    read = read.drop_duplicates(place).drop(columns="date")
    read = read.assign(line=-1 - np.arange(len(read)), item=NOT_LISTED, condition="part-worn")
    return pd.concat([rows, read.astype(rows.dtypes[read.columns])], ignore_index=True)


def unrecorded_of(log, readings, segments):
    """Holes in the record of each life that has any: Series, life to (from, to) pairs of its km.

    A hole (`usage.gaps`) counts from the day the vehicle's record begins, and only where more days
    of it than `LEAST_DAYS` were not in storage.
    """
    path = usage.path_of(readings)
    holes = usage.gaps(path)[["vehicle", "start", "end"]]
    rows = segments.merge(holes, on="vehicle", suffixes=("", "_hole"))
    opens, closes = rows["start_hole"].clip(lower=rows["watch"]), rows["end_hole"]
    laid_up = usage.layup_days(log, rows["vehicle"], opens, closes)
    is_long = (closes - opens).dt.days - laid_up > LEAST_DAYS
    for name, day in (("from_km", opens), ("to_km", closes)):
        at = usage.distance_at(path, rows["vehicle"], day)["distance_km"]
        at = at.clip(rows["start_km"], rows["end_km"])
        rows[name] = at - rows["start_km"] + rows["before_km"]
    rows = rows[is_long & (rows["to_km"] > rows["from_km"])].sort_values(["life", "from_km"])
    holes = pd.Series(list(zip(rows["from_km"], rows["to_km"], strict=True)), dtype=object)
    return holes.groupby(rows["life"].to_numpy()).agg(tuple)


def use_of(log, readings, segments):
    """What parts were used in, by the distance that the log saw of them: frame indexed by
    (category, part_key), the columns of `usage.use_shares`."""
    start = segments["start"].fillna(log.first_day).clip(lower=log.first_day)
    share = usage.use_shares(log, readings, segments["vehicle"], start, segments["end"])
    seen_from = np.fmax(segments["start_km"], segments["watch_km"])
    length = (segments["end_km"] - seen_from).clip(lower=0)
    known = share[["coverage_share", *COVERED]].mul(length, axis=0)
    used = share[[*SHARES]] * known[COVERED].to_numpy()
    sums = pd.concat([length.rename("length"), known, used], axis=1)
    sums = sums.groupby([segments["category"], segments["part_key"]]).sum()
    cover = sums[list(known)].div(sums["length"].where(sums["length"] > 0), axis=0)
    return cover.join(sums[[*SHARES]] / sums[COVERED].where(sums[COVERED] > 0).to_numpy())
