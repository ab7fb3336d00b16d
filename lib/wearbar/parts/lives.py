"""One row a physical part's life."""

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.log.keys import look_up
from wearbar.log.schema import TEXT
from wearbar.parts.fitted import segments_of, unrecorded_of, use_of
from wearbar.parts.inspections import looks_of

ENDS = ("worn", "failed")
CAUSES = {"convenience": "removed-early"}  # every other reason is its own cause
HOLE = "record-gap"  # the cause of a piece that ends where the record has a hole


def spans_of(log, category=None, readings=None):
    """One row a physical part's life: everything that the log tells of it.

    part_key, vehicle, site, kind (its last vehicle's), category, item, position (of most distance),
    positions (all), last_position, last_start (the day it went there), n_rows; start, end,
    watched_from (days). seen_km: its vehicle's distance from the record's first day to `end`.
    entry_km, duration_km: its distance when the record began to watch it and when last seen,
    storage left out; NaN where not known. age_known: that both are; a part on before the log with
    a blank fitted reading, or bought used without a distance, serves for wear alone. observed:
    ended worn or failed. cause: worn, failed, damaged, removed-early, age, unsuited, recalled,
    disposed, stored (or moved), still-on, not-told. is_on: on a vehicle now. price, fitting_cost:
    sums, NaN where the first is blank. new_depth_mm, removed_depth_mm, limit_depth_mm (of a chain:
    percent). n_readings: days on which its wear was read. last_seen_km: its distance when last read
    and still good: of one that ended worn, before its end; NaN where not read. unrecorded_km:
    (from, to) pairs of its distance that fall in a hole of the record. coverage_share, loose ...,
    loose_coverage_share ...: what it was used in, as `usage.use_shares` has it.
    """
    readings = usage.readings(log) if readings is None else readings
    rows = segments_of(log, readings)
    rows = rows if category is None else rows[rows["category"].eq(category)].reset_index(drop=True)
    rows["length"] = (rows["end_km"] - rows["start_km"]).clip(lower=0)
    until = np.minimum(rows["end_km"], rows["watch_km"])
    rows["unwatched"] = (until - rows["start_km"]).clip(lower=0)
    life = rows.groupby("life", sort=False)
    first, last = life.nth(0).reset_index(drop=True), life.nth(-1).reset_index(drop=True)
    frame = last[["part_key", "vehicle"]].copy()
    frame["site"] = usage.site_at(log, last["vehicle"], last["end"]).to_numpy()
    fleet = log.tables["vehicles"].set_index("vehicle")
    frame["kind"] = look_up(last["vehicle"], fleet["kind"])
    frame[["category", "item"]] = last[["category", "item"]]
    frame["position"], frame["positions"] = _positions(rows)
    frame["n_rows"] = life.size().to_numpy()
    frame["last_position"], frame["last_start"] = last["position"], last["start"]
    frame["start"], frame["end"] = first["start"], last["end"]
    frame["watched_from"] = first["start"].fillna(first["watch"]).clip(lower=first["watch"])
    frame["seen_km"] = (last["end_km"] - last["watch_km"]).clip(lower=0)
    is_whole = life["length"].count().eq(life.size())
    for name, column in (("entry_km", "unwatched"), ("duration_km", "length")):
        run = life[column].sum(min_count=1).where(is_whole)
        frame[name] = first["before_km"] + run.to_numpy()
    frame["age_known"] = frame["duration_km"].notna() & frame["entry_km"].notna()
    frame["cause"] = _cause(last, fleet["disposed"], log.as_of)
    frame["observed"], frame["is_on"] = frame["cause"].isin(ENDS), frame["cause"].eq("still-on")
    for money in ("price", "fitting_cost"):
        # a part moved about is bought once, in its first row: nil in the others is not its price
        total = life[money].sum(min_count=1).to_numpy()
        frame[money] = np.where(first["price"].notna(), total, np.nan)
    frame["new_depth_mm"] = first["new_depth_mm"]
    frame[["removed_depth_mm", "limit_depth_mm"]] = last[["removed_depth_mm", "limit_depth_mm"]]
    holes = look_up(last["life"], unrecorded_of(log, readings, rows).astype(object))
    frame["unrecorded_km"] = holes.where(holes.notna(), pd.Series([()] * len(frame), dtype=object))
    use = use_of(log, readings, rows)
    frame = frame.merge(use, how="left", left_on=["category", "part_key"], right_index=True)
    return _with_looks(frame, looks_of(log, readings, rows))


def _positions(rows):
    """(the position of most distance, all of them in words) of each life."""
    rows = rows[["life", "position"]].assign(length=rows["length"].fillna(0))
    by = rows.groupby(["life", "position"], sort=False, as_index=False)["length"].sum()
    most = by.sort_values("length", ascending=False, kind="stable").drop_duplicates("life")
    most = most.sort_values("life")["position"].to_numpy()
    return most, by.groupby("life")["position"].agg(", ".join).to_numpy()


def _cause(last, disposed, as_of):
    gone = last["is_on"] & (look_up(last["vehicle"], disposed) <= as_of)
    cause = last["reason"].replace(CAUSES).mask(last["is_on"], "still-on").mask(gone, "disposed")
    return cause.fillna("not-told").astype(TEXT)


def _with_looks(frame, looks):
    looks = looks[looks["source"].eq("reading")]
    seen = looks.groupby("part_key")["date"].nunique()
    latest = looks.merge(frame[["part_key", "end", "cause"]], on="part_key")
    latest = latest[(latest["date"] < latest["end"]) | latest["cause"].ne("worn")]
    latest = latest.groupby("part_key")["distance_km"].max()
    frame["n_readings"] = look_up(frame["part_key"], seen).fillna(0).astype(int)
    frame["last_seen_km"] = look_up(frame["part_key"], latest).where(frame["age_known"])
    return frame


def watched(spans):
    """The stretches that life can be judged from: age known, and watched for some distance;
    `duration_km`, `entry_km`, `observed` are as the fits want.

    One row a life, or several where its vehicle's record has holes: what no record saw, the last
    day of the hole with it, is at risk of nothing. A piece ends with cause "record-gap", not
    observed, and the next enters late; an end within a hole counts in none.
    """
    lives = spans[spans["age_known"] & (spans["duration_km"] > spans["entry_km"])]
    lives = lives.reset_index(drop=True)
    if "unrecorded_km" not in lives or not lives["unrecorded_km"].str.len().any():
        return lives

    def cut(km, side):  # at the near (0) or the far side (1) of each hole
        rows = zip(lives[km], lives["unrecorded_km"], strict=True)
        return [sorted([own, *(hole[side] for hole in holes)]) for own, holes in rows]

    pieces = lives.assign(begin=cut("entry_km", 1), until=cut("duration_km", 0))
    pieces = pieces.explode(["begin", "until"]).rename_axis("row").reset_index()
    is_last = ~pieces.pop("row").duplicated(keep="last")
    entry = np.maximum(pieces.pop("begin").astype(float), pieces["entry_km"])
    until = pieces.pop("until").astype(float)
    pieces["last_seen_km"] = pieces["last_seen_km"].clip(entry, until)
    pieces = pieces.assign(entry_km=entry, duration_km=until)
    pieces["observed"] &= is_last
    pieces["cause"] = pieces["cause"].where(is_last, HOLE)
    return pieces[pieces["duration_km"] > pieces["entry_km"]].reset_index(drop=True)
