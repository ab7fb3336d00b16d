"""What the workshop wrote down: visits and work, and the lives that a Weibull law ends."""

import numpy as np
import pandas as pd

from wearbar_synthetic import lines as line
from wearbar_synthetic.papers import campaign_table, certificates, defects, deferrals, recalls
from wearbar_synthetic.settings import LAWS, NEVER
from wearbar_synthetic.world import day_reached, reading

__all__ = ["failures", "work_tables"]


def failures(world, rng):
    """Batteries and wheel bearings, whose lives a Weibull law ends: v, category, position, item, from, to (NEVER while on), life."""
    laws = LAWS[~LAWS["category"].eq("air-filter")].reset_index(drop=True)
    own = world.vehicles.reset_index(names="v").merge(laws, on="type", suffixes=("_new", ""))
    lives = own["scale"].to_numpy()[:, None] * rng.standard_exponential((len(own), 14)) ** (
        1 / own["shape"].to_numpy()[:, None]
    )
    ends = np.cumsum(lives, axis=1)
    v = np.broadcast_to(own["v"].to_numpy()[:, None], ends.shape)
    by_age = own["clock"].eq("days").to_numpy()[:, None]
    by_age = np.broadcast_to(by_age, ends.shape)
    worn_out = day_reached(world.exposure("wheel-bearing"), v, ends)
    to = np.where(by_age, own["in_day"].to_numpy()[:, None] + np.ceil(ends), worn_out).astype(
        np.int64
    )
    start = np.hstack([own["in_day"].to_numpy()[:, None], to[:, :-1]])
    row = np.repeat(np.arange(len(own)), ends.shape[1])
    frame = own.loc[
        row, ["v", "category", "position", "item", "price", "fitting", "clock", "end_day"]
    ].reset_index(drop=True)
    frame = frame.assign(**{"from": start.ravel(), "to": to.ravel(), "life": lives.ravel()})
    last = world.last
    frame = frame[
        (frame["from"] <= np.minimum(frame["end_day"], last)) & (frame["to"] > frame["from"])
    ]
    over = frame["to"] > np.minimum(frame["end_day"], last)
    frame["reason"] = np.where(over, np.where(frame["end_day"] <= last, "disposed", ""), "failed")
    frame["to"] = np.where(
        over, np.where(frame["end_day"] <= last, frame["end_day"], NEVER), frame["to"]
    )
    return frame.drop(columns="end_day").reset_index(drop=True)


def work_tables(world, history, failed, dirt, rng):
    """Tables work, defects, certificates, campaigns and deferrals, and `visits`: (v, day) to the id of the visit."""
    streams = rng.spawn(8)
    tests, passes = certificates(world, streams[0])
    called = recalls(world, history, streams[1])
    lines = [
        line.planned_lines(world, history, dirt, streams[2]),
        line.part_lines(history),
        line.failure_lines(failed),
    ]
    lines += [
        line.repair_lines(world, streams[3]),
        line.test_lines(tests),
        line.recall_lines(called),
        line.accident_lines(world),
    ]
    lines = pd.concat(lines, ignore_index=True)
    lines = pd.concat([lines, line.recheck_lines(world, lines, streams[4])], ignore_index=True)
    lines = lines[(lines["day"] >= world.begin[lines["v"]]) & (lines["day"] < len(world.odometer))]
    lines = lines.sort_values(["day", "v"], kind="stable", ignore_index=True)
    number = lines.groupby(["day", "v"], sort=True).ngroup() + 1
    lines["visit"] = "W" + number.astype(str).str.zfill(5)
    visits = lines.drop_duplicates(["v", "day"]).set_index(["v", "day"])["visit"]
    found = defects(world, lines, visits, dirt, streams[6])
    tables = {
        "work": _work_table(world, lines, dirt, streams[5]),
        "defects": found,
        "certificates": passes,
    }
    tables |= {
        "campaigns": campaign_table(world, called, visits),
        "deferrals": deferrals(world, history, found, streams[7]),
    }
    return tables, visits


def _work_table(world, lines, dirt, rng):
    rate, n = world.setting.labour_rate, len(lines)
    lines = lines.reset_index(drop=True)
    labour = lines["labour_cost"].fillna((lines["labour_hours"] * rate).round(2))
    done_by = lines["done_by"].replace("", np.nan).fillna(world.setting.done_by)
    other = lines["other_cost"].fillna(0.0)
    paid = labour + lines["parts_cost"] + other
    taxed = done_by.eq("contractor") & (paid > 0) & (world.setting.money == "net")
    frame = pd.DataFrame(
        {
            "visit": lines["visit"],
            "vehicle": world.names(lines["v"]),
            "date": world.dates(lines["day"]),
        }
    )
    frame["odometer"] = reading(world, lines["v"], lines["day"])
    frame = frame.assign(
        task=lines["task"],
        position=lines["position"],
        why=lines["why"],
        result=lines["result"],
        paid_by=lines["paid_by"],
    )
    frame = frame.assign(
        labour_hours=lines["labour_hours"],
        labour_cost=labour,
        parts_cost=lines["parts_cost"].round(2),
        other_cost=other,
    )
    frame = frame.assign(
        recovered=lines["recovered"],
        tax=(0.2 * paid).round(2).where(taxed),
        done_by=done_by,
        note=lines["note"],
    )
    frame["invoice"] = ("INV-" + lines["visit"].str[1:]).where(done_by.eq("contractor"))
    typed = rng.integers(0, 6, n) + np.where(rng.random(n) < 0.03, 45, 0)
    frame["recorded"] = world.dates(lines["day"]) + pd.to_timedelta(typed, unit="D")
    blank = pd.Series(rng.random(n) < 0.05 * dirt)
    frame["odometer"] = frame["odometer"].mask(
        lines["visit"].map(dict.fromkeys(lines["visit"].unique()[::13], True)).notna() & bool(dirt)
    )
    for c in ("labour_cost", "parts_cost"):
        frame[c] = frame[c].mask(blank & lines["why"].ne("accident"))
    return frame
