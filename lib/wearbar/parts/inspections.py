"""Every reading of a part's wear, on the part's own distance."""

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.parts.fitted import WORN_QUANTITIES, segments_of

NEARLY_NEW = 0.9  # of the new depth: on the day of a change such a reading is the new part's
COLUMNS = [
    "part_key", "vehicle", "category", "position", "date", "distance_km", "distance_is_own",
    "place", "value", "quantity", "source", "line",
]  # fmt: skip


def looks_of(log, readings, segments=None):
    """Every reading of a part's wear, on its own distance: a row a place, columns `COLUMNS`.

    distance_km: on the part, or on its vehicle since the record began where its age is not known
    (`distance_is_own` False); NaN where nothing tells it, as of a reading without an odometer after
    the last one, or of a vehicle without a meter: a depth against its limit needs no distance.
    source: "reading" of `measurements`, or what `fitted` says: "new" (its new depth at its
    fitting), "fitted", "removed". A reading belongs to the `part` it names, or else to what was on
    at that position that day; on the day of a change to the part that is removed, unless it
    is nearly the new one's depth.
    """
    segments = segments_of(log, readings) if segments is None else segments
    own = segments["start_km"].notna() & segments["before_km"].notna()
    zero = np.where(own, segments["start_km"] - segments["before_km"], segments["watch_km"])
    segments = segments.assign(distance_is_own=own, zero_km=zero)
    taken = log.si("measurements").reset_index(names="line")
    taken = taken[taken["quantity"].isin(WORN_QUANTITIES)].reset_index(drop=True)
    path, odometer = usage.path_of(readings), taken["odometer_km"]
    at = usage.distance_of(path, taken["vehicle"], taken["date"], odometer)
    taken["at_km"] = at["distance_km"].to_numpy()
    has_part, key = taken["part"].notna(), ["vehicle", "category"]
    columns = ["part_key", "zero_km", "distance_is_own", "start", "end", "new_depth_mm"]
    found = [
        taken[which].merge(segments[[*key, name, *columns]], on=[*key, name])
        for name, which in (("part", has_part), ("position", ~has_part))
    ]
    found = pd.concat(found, ignore_index=True)
    begun = found["start"].isna() | (found["start"] <= found["date"])
    found = _one_part_each(found[begun & (found["date"] <= found["end"])])
    found = found.assign(source="reading", distance_km=found["at_km"] - found["zero_km"])
    looks = pd.concat([found, *_told_by_fitting(segments)], ignore_index=True)
    looks["place"] = looks["place"].fillna("")
    looks = looks.loc[looks["value"].notna(), COLUMNS]
    return looks.sort_values(["part_key", "distance_km", "line"], kind="stable", ignore_index=True)


def _one_part_each(found):
    """On a day of change a reading fits two parts: if nearly its new depth, the new one's."""
    starts, ends = (found[name].eq(found["date"]) for name in ("start", "end"))
    is_new = found["value"].ge(NEARLY_NEW * found["new_depth_mm"])
    is_new &= ~found["quantity"].eq("elongation")
    rank = np.select([ends, starts & ~is_new], [1, 2], 0)
    order = found.assign(rank=rank).sort_values(["line", "rank"], kind="stable")
    return order.drop_duplicates("line")


def _told_by_fitting(segments):
    """New, fitted and removed depths as readings of the whole part."""
    is_new = ~segments["life"].duplicated() & segments["distance_is_own"]
    is_new &= ~segments["condition"].eq("part-worn") & (segments["before_km"] == 0)
    common = ["part_key", "vehicle", "category", "position", "distance_is_own", "line"]
    for source, day, km in (
        ("new", "start", None),
        ("fitted", "start", "start_km"),
        ("removed", "removed", "end_km"),
    ):
        rows = segments[is_new] if source == "new" else segments
        distance = 0.0 if km is None else rows[km] - rows["zero_km"]
        told = {"value": rows[f"{source}_depth_mm"], "date": rows[day], "distance_km": distance}
        yield rows[common].assign(source=source, **told).dropna(subset=["value", "date"])
