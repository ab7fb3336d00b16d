"""Every reading of a part's wear, on the part's own distance."""

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.parts.fitted import WORN_QUANTITIES, segments_of

__all__ = ["looks_of"]

NEARLY_NEW = 0.9  # of the new depth: on the day of a change such a reading is the new part's


def looks_of(log, readings, segments=None):
    """Every reading of a part's wear, on the part's own distance: one row a place.

    `part_key, vehicle, category, position, date, distance_km, place, value, quantity, source, line`: distance on the part, or on its
    vehicle since the record began where its age is not known (`distance_is_own` False); NaN where nothing tells it, as of a reading
    without an odometer after the last one, or of a vehicle without a meter: a depth against its limit needs no distance. source:
    "reading" of `measurements`, or what `fitted` says: "new" (its new depth at its fitting), "fitted", "removed". A reading belongs to
    the `part` it names, or else to what was on at that position that day; on the day of a change to the part that comes off, unless it
    is nearly the new one's depth.
    """
    segments = segments_of(log, readings) if segments is None else segments
    own = segments["start_km"].notna() & segments["before_km"].notna()
    segments = segments.assign(
        own=own,
        zero_km=np.where(own, segments["start_km"] - segments["before_km"], segments["watch_km"]),
    )
    taken = log.si("measurements").reset_index(names="line")
    taken = taken[taken["quantity"].isin(WORN_QUANTITIES)].reset_index(drop=True)
    at = usage.distance_of(
        usage.path_of(readings), taken["vehicle"], taken["date"], taken["odometer_km"]
    )
    taken["at_km"] = at["distance_km"].to_numpy()
    columns = ["part_key", "zero_km", "own", "start", "end", "new_depth_mm", "position"]
    named = taken[taken["part"].notna()].merge(
        segments[["category", "vehicle", "part", *columns]].rename(columns={"position": "on"}),
        on=["category", "vehicle", "part"],
    )
    placed = taken[taken["part"].isna()].merge(
        segments[["vehicle", "category", *columns]], on=["vehicle", "category", "position"]
    )
    found = pd.concat([named, placed], ignore_index=True)
    found = found[
        (found["start"].isna() | (found["start"] <= found["date"]))
        & (found["date"] <= found["end"])
    ]
    found = _one_part_each(found).assign(source="reading")
    found["distance_km"] = found["at_km"] - found["zero_km"]
    looks = pd.concat([found, *_told_by_fitting(segments)], ignore_index=True).rename(
        columns={"own": "distance_is_own"}
    )
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
    looks = looks.loc[looks["value"].notna(), keep]
    return looks.sort_values(["part_key", "distance_km", "line"], kind="stable", ignore_index=True)


def _one_part_each(found):
    """On a day of change a reading fits two parts: the new one's where it is nearly its new depth, the old one's otherwise."""
    is_new = (
        found["start"].eq(found["date"])
        & found["value"].ge(NEARLY_NEW * found["new_depth_mm"])
        & ~found["quantity"].eq("elongation")
    )
    rank = np.where(
        found["end"].eq(found["date"]),
        1,
        np.where(found["start"].eq(found["date"]), np.where(is_new, 0, 2), 0),
    )
    return (
        found.assign(rank=rank).sort_values(["line", "rank"], kind="stable").drop_duplicates("line")
    )


def _told_by_fitting(segments):
    """New, fitted and removed depths as readings of the whole part, the quantity as the category's own."""
    first = ~segments["life"].duplicated()
    new = segments[
        first
        & segments["own"]
        & ~segments["condition"].eq("part-worn")
        & (segments["before_km"] == 0)
    ]
    told = [
        (new, "new_depth_mm", "new", new["start"], 0.0),
        (
            segments,
            "fitted_depth_mm",
            "fitted",
            segments["start"],
            segments["start_km"] - segments["zero_km"],
        ),
        (
            segments,
            "removed_depth_mm",
            "removed",
            segments["removed"],
            segments["end_km"] - segments["zero_km"],
        ),
    ]
    common = ["part_key", "vehicle", "category", "position", "own", "line"]
    for rows, column, source, date, distance in told:
        yield (
            rows[common]
            .assign(value=rows[column], source=source, date=date, distance_km=distance)
            .dropna(subset=["value", "date"])
        )
