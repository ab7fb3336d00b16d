"""The rows of `fitted`, each a stretch of a part's life on one vehicle: its begin and end, its use, and what no record saw of it."""

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.log.keys import look_up
from wearbar.log.plan import SHARES
from wearbar.log.schema import TEXT

__all__ = ["GOES_ON", "NOT_LISTED", "WORN_QUANTITIES", "segments_of", "unrecorded_of", "use_of"]

GOES_ON = ("rotated", "moved", "stored")
NOT_LISTED = "item not in the log"
WORN_QUANTITIES = ("depth", "thickness", "elongation")  # what tells of a part's wear
USED_MM = 0.5  # so far below its new depth when fitted, a part was used before
LEAST_DAYS = 60  # of a hole in the record, lay-ups left out
PERCENT = ("chain",)  # categories whose limit is a stretch in percent, not a depth


def segments_of(log, readings):
    """The rows of `fitted` in SI, each with its part and where it began and ended on its vehicle;
    and a part of no known item or age wherever wear was read last and `fitted` has no part (`_unlisted`).

    Adds `part_key`, `start` and `end` (days; start NaT where blank, end the log's or the vehicle's last where still on), `start_km`,
    `end_km`, `watch_km` (where the record of the vehicle begins, on the day `watch`), all cumulative, `is_on` (still on), and
    `before_km`, the part's distance before the row: in earlier rows and before the log. NaN where not known, as the begin is of
    a part that went on before the record without a `fitted_odometer`.
    """
    path = usage.path_of(readings)
    rows = log.si("fitted").reset_index(names="line")
    as_given = log.tables["fitted"]["limit_depth"].to_numpy()
    rows["limit_depth_mm"] = np.where(
        rows["category"].isin(PERCENT), as_given, rows["limit_depth_mm"]
    )
    unlisted = _unlisted(log, rows)
    if len(unlisted):
        rows = pd.concat([rows, unlisted.astype(rows.dtypes[unlisted.columns])], ignore_index=True)
    fleet = log.tables["vehicles"].drop_duplicates("vehicle").set_index("vehicle")
    last = fleet["disposed"].clip(upper=log.as_of).fillna(log.as_of)
    watch = fleet["acquired"].fillna(fleet["in_service"]).clip(lower=log.first_day)
    rows["is_on"], rows["watch"] = rows["removed"].isna(), look_up(rows["vehicle"], watch)
    rows["start"], rows["end"] = (
        rows["fitted"],
        rows["removed"].fillna(look_up(rows["vehicle"], last)),
    )
    start_km = usage.distance_of(path, rows["vehicle"], rows["fitted"], rows["fitted_odometer_km"])[
        "distance_km"
    ]
    # nothing was read between a vehicle's first day and its record: a line drawn there is no reading of the part's first day
    blank = rows["fitted_odometer_km"].isna() & (rows["fitted"] < rows["watch"])
    rows["start_km"] = start_km.to_numpy(float, copy=True)
    rows.loc[blank, "start_km"] = np.nan
    end_km = usage.distance_of(path, rows["vehicle"], rows["end"], rows["removed_odometer_km"])[
        "distance_km"
    ].to_numpy()
    at_last, at_first = _last_and_first(path, rows["vehicle"])
    rows["end_km"] = np.where(np.isnan(end_km) & rows["is_on"], at_last, end_km)
    watch_km = usage.distance_at(path, rows["vehicle"], rows["watch"])["distance_km"].to_numpy()
    rows["watch_km"] = np.fmax(np.where(np.isnan(watch_km), at_first, watch_km), at_first)
    own = rows["part"].notna()
    twice = (
        rows.groupby("part")["category"].transform("nunique") > 1
    )  # an id that stands for pieces of two categories
    name = rows["part"].where(~twice, rows["part"] + " " + rows["category"])
    rows["part_key"] = name.where(own, "row " + rows["line"].astype(str)).astype(TEXT)
    rows = rows.sort_values(
        ["category", "part_key", "start", "line"],
        na_position="first",
        kind="stable",
        ignore_index=True,
    )
    length = (rows["end_km"] - rows["start_km"]).clip(lower=0)
    same = (
        rows["category"].eq(rows["category"].shift())
        & rows["part_key"].eq(rows["part_key"].shift())
        & rows["part"].notna()
    )
    rows["life"] = (~same).cumsum()
    earlier = (
        length.groupby(rows["life"])
        .cumsum(skipna=False)
        .groupby(rows["life"])
        .shift(fill_value=0.0)
    )
    rows["before_km"] = earlier + rows["life"].map(
        _prior(rows)[~same].set_axis(rows.loc[~same, "life"])
    )
    return rows


def _unlisted(log, rows):
    """Parts that were measured and have no row in `fitted`: on since the last removal there, used."""
    place = ["vehicle", "category", "position"]
    read = log.tables["measurements"]
    read = read.loc[
        read["quantity"].isin(WORN_QUANTITIES) & ~read["part"].isin(rows["part"].dropna()),
        [*place, "date"],
    ]
    is_on = rows.loc[rows["removed"].isna(), place]
    read = read.merge(is_on.drop_duplicates().assign(on=True), on=place, how="left")
    ended = rows.groupby(place)["removed"].max().rename("fitted").reset_index()
    read = read[read["on"].isna()].drop(columns="on").merge(ended, on=place, how="left")
    read = read[~(read["date"] <= read["fitted"])].drop_duplicates(place).drop(columns="date")
    return read.assign(line=-1 - np.arange(len(read)), item=NOT_LISTED, condition="part-worn")


def _last_and_first(path, vehicle):
    first, last = path.rows(vehicle)
    if not len(path.day):
        return np.full(len(vehicle), np.nan), np.full(len(vehicle), np.nan)
    has = last > first
    return np.where(has, path.high[np.maximum(last - 1, 0)], np.nan), np.where(
        has, path.low[np.minimum(first, len(path.low) - 1)], np.nan
    )


def _prior(rows):
    """Distance on the part when first fitted: 0 unless it was used, and then only as far as the log says."""
    used = rows["condition"].eq("part-worn") | (
        rows["fitted_depth_mm"] < rows["new_depth_mm"] - USED_MM
    )
    return rows["prior_distance_km"].where(used | rows["prior_distance_km"].notna(), 0.0)


def unrecorded_of(log, readings, segments):
    """Stretches of each life in which its vehicle's record has a hole (`usage.gaps`): Series, life to a tuple of (from_km, to_km) pairs
    on the part's own distance.

    Lives without any are not in it. A hole counts from the day the vehicle's record begins, and only where more days of it than
    `LEAST_DAYS` were not laid up.
    """
    path = usage.path_of(readings)
    holes = usage.gaps(path).rename(columns={"start": "opens", "end": "closes"})
    rows = segments.merge(holes[["vehicle", "opens", "closes"]], on="vehicle")
    rows["opens"] = rows["opens"].clip(lower=rows["watch"])
    days = (rows["closes"] - rows["opens"]).dt.days - usage.layup_days(
        log, rows["vehicle"], rows["opens"], rows["closes"]
    )
    rows = rows[days > LEAST_DAYS].copy()
    for name, day in (("from_km", "opens"), ("to_km", "closes")):
        at = usage.distance_at(path, rows["vehicle"], rows[day])["distance_km"]
        rows[name] = (
            at.clip(rows["start_km"], rows["end_km"]) - rows["start_km"] + rows["before_km"]
        )
    rows = rows[rows["to_km"] > rows["from_km"]].sort_values(["life", "from_km"])
    pairs = pd.Series(
        list(zip(rows["from_km"], rows["to_km"], strict=True)),
        rows["life"].to_numpy(),
        dtype=object,
    )
    return pairs.groupby(level=0).agg(tuple)


def use_of(log, readings, segments):
    """What parts were used in over the distance that the log saw of them: frame indexed by (category, part_key), the columns of
    `usage.use_shares`. A part that was on several vehicles has the use of each, by distance."""
    start = segments["start"].fillna(log.first_day).clip(lower=log.first_day)
    share = usage.use_shares(log, readings, segments["vehicle"], start, segments["end"])
    cover = [f"{name}_coverage_share" for name in SHARES]
    length = (segments["end_km"] - np.fmax(segments["start_km"], segments["watch_km"])).clip(
        lower=0
    )
    known = share[["coverage_share", *cover]].mul(length, axis=0)
    used = share[[*SHARES]] * known[cover].to_numpy()
    sums = (
        pd.concat([length.rename("length"), known, used], axis=1)
        .groupby([segments["category"], segments["part_key"]])
        .sum()
    )
    means = sums[[*SHARES]] / sums[cover].where(sums[cover] > 0).to_numpy()
    return pd.concat(
        [
            sums[["coverage_share", *cover]].div(sums["length"].where(sums["length"] > 0), axis=0),
            means,
        ],
        axis=1,
    )
