"""What running leaves behind: vehicles, readings, fuel, use, fixed costs, valuations, lay-ups, postings, dash events."""

import numpy as np
import pandas as pd

from wearbar_synthetic.fuel import fuel_table
from wearbar_synthetic.settings import CHANCES, HISTORY_DAYS, NEVER
from wearbar_synthetic.world import day_reached, reading

__all__ = ["running_tables"]

FIXED = {
    "insurance": (0.030, 160),
    "road-tax": (0.004, 70),
    "storage": (0.0, 110),
}  # a year: share of the price new, and a sum
REMINDER = {"mi": 4800, "km": 8200}


def running_tables(world, history, dirt, rng):
    """The tables that need no workshop."""
    streams = rng.spawn(5)
    tables = {
        "vehicles": _vehicles_table(world),
        "odometer": _odometer_table(world, dirt, streams[0]),
        "fuel": fuel_table(world, dirt, streams[1]),
    }
    tables["use"] = _use_table(world, dirt, streams[2])
    tables["fixed_costs"] = _fixed_costs(world, streams[3])
    tables["valuations"] = _valuations(world, streams[4])
    tables["layups"] = _layups_table(world)
    if len(world.setting.sites) > 1:
        tables["postings"] = _postings_table(world)
    return tables | {"dash_events": _dash_events(world, history)}


def _vehicles_table(world):
    v, begin = world.vehicles, world.begin
    joined = begin > v["in_day"]
    used = v["join_day"] > v["in_day"]
    price = np.where(
        used,
        (v["price"] * v["kept_share"] ** ((begin - v["in_day"]) / 365.25) / 10).round() * 10,
        v["price"],
    )
    gone = v["end_day"] < NEVER
    old_age = (world.end - v["in_day"]) / 365.25
    value = np.where(
        v["disposal"].eq("sold"),
        (v["price"] * 0.92 * v["kept_share"] ** old_age).round(-1),
        v["price"] * 0.3,
    )
    frame = pd.DataFrame(
        {
            "vehicle": v["vehicle"],
            "kind": v["kind"],
            "site": np.array(list(world.setting.sites))[v["site"]],
        }
    )
    frame["in_service"] = world.dates(v["in_day"])
    frame["in_service_odometer"] = np.where(joined, np.nan, 0.0)
    frame["acquired"] = pd.Series(world.dates(begin)).where(joined)
    frame["acquired_odometer"] = pd.Series(reading(world, v.index, begin)).where(joined)
    frame["price"] = pd.Series(price).mask(joined & ~used)
    frame["plan"] = v["plan"]
    frame["legal_class"] = v["kind"].map({"motorcycle": "motorcycle"}).fillna("light")
    frame["warranty_until"] = world.dates(v["in_day"] + CHANCES["repair_in_warranty_days"])
    frame["disposed"] = world.dates(v["end_day"])
    frame["disposed_odometer"] = pd.Series(reading(world, v.index, world.end)).where(gone)
    frame["disposal"] = v["disposal"]
    frame["disposed_value"] = pd.Series(value).round(-1).where(gone)
    return frame


def _odometer_table(world, dirt, rng):
    """One reading a month off the dash, and the last one of an instrument that was changed."""
    month = (world.start + np.arange(len(world.odometer))).astype("datetime64[M]").astype(int)
    ends = np.flatnonzero(np.diff(month, append=month[-1] + 1))
    day = ends[:, None] - rng.integers(0, 5, (len(ends), world.n))
    shape = day.shape
    v = np.broadcast_to(np.arange(world.n), shape)
    keep = (
        (day >= world.begin)
        & (day <= world.end)
        & (rng.random(shape) >= 0.10 * dirt)
        & ~world.laid_up[day, v]
    )
    frame = pd.DataFrame(
        {
            "v": v[keep],
            "day": day[keep],
            "restarts_at": np.nan,
            "source": np.where(rng.random(keep.sum()) < 0.12, "tracker", "dash"),
        }
    )
    changed = np.flatnonzero(world.instrument_day < NEVER)
    swap = pd.DataFrame({"v": changed, "day": world.instrument_day[changed], "source": "dash"})
    rolled = world.instrument_shift[changed] % 100000 == 0
    true = np.floor(world.odometer[swap["day"], changed] / world.setting.unit_km)
    swap["last"] = np.where(rolled, world.instrument_shift[changed], true)
    swap["restarts_at"] = swap["last"] - world.instrument_shift[changed]
    swap["note"] = np.where(rolled, "rolled over", "instrument changed")
    frame = pd.concat(
        [frame[frame["day"] != world.instrument_day[frame["v"]]], swap], ignore_index=True
    )
    frame = frame.sort_values(["day", "v"], kind="stable", ignore_index=True)
    shown = pd.Series(reading(world, frame["v"], frame["day"])).fillna(frame["last"])
    table = pd.DataFrame(
        {"vehicle": world.names(frame["v"]), "date": world.dates(frame["day"]), "odometer": shown}
    )
    return table.assign(
        restarts_at=frame["restarts_at"], source=frame["source"], note=frame["note"]
    )


def _use_table(world, dirt, rng):
    """Month by month, as recalled: the true shares with an error, to 0.01."""
    days = world.start + np.arange(len(world.odometer))
    month = days.astype("datetime64[M]").astype(int)
    first = np.flatnonzero(np.diff(month, prepend=month[0] - 1))
    last = np.append(first[1:] - 1, len(month) - 1)
    km = np.diff(world.odometer, axis=0, prepend=0.0)
    rows, v = (
        a.ravel() for a in np.meshgrid(np.arange(len(first)), np.arange(world.n), indexing="ij")
    )
    begin, end = np.maximum(first[rows], world.begin[v]), np.minimum(last[rows], world.end[v])
    opening = world.odometer[np.maximum(begin - 1, 0), v]
    distance = ((world.odometer[end.clip(0), v] - opening) / world.setting.unit_km).round(0)
    total = np.add.reduceat(km, first)[rows, v]
    share = {
        c: np.add.reduceat(km * a, first)[rows, v] / np.maximum(total, 1e-9)
        for c, a in (("loose", world.loose), ("mud_water", world.mud_water))
    }
    frame = pd.DataFrame(
        {
            "vehicle": world.names(v),
            "from": world.dates(begin),
            "to": world.dates(end),
            "distance": distance,
        }
    )
    for c, true in share.items():
        frame[c] = (true + 0.03 * rng.standard_normal(len(true))).clip(0, 1).round(2)
    frame["short_trips"] = (0.18 + 0.08 * rng.standard_normal(len(frame))).clip(0, 1).round(2)
    frame["loaded"] = (
        (
            np.where(world.vehicles["kind"].eq("motorcycle").to_numpy()[v], 0.1, 0.4)
            + 0.1 * rng.standard_normal(len(frame))
        )
        .clip(0, 1)
        .round(2)
    )
    keep = (
        (end >= begin)
        & (distance > 0)
        & (begin >= HISTORY_DAYS)
        & (rng.random(len(frame)) >= 0.05 * dirt)
    )
    return frame[keep].reset_index(drop=True)


def _fixed_costs(world, rng):
    """A row a year and category, to the day of leaving."""
    years = np.arange(HISTORY_DAYS, len(world.odometer), 365.25).round().astype(int)
    start, v, c = (
        a.ravel()
        for a in np.meshgrid(years, np.arange(world.n), np.arange(len(FIXED)), indexing="ij")
    )
    begin, end = (
        np.maximum(start, world.begin[v]),
        np.minimum(np.minimum(start + 364, world.last), world.end[v]),
    )
    rate, base = np.array(list(FIXED.values())).T
    year = (rate[c] * world.vehicles["price"].to_numpy()[v] + base[c]) * (
        1 + 0.05 * rng.standard_normal(len(v))
    )
    frame = pd.DataFrame(
        {
            "vehicle": world.names(v),
            "from": world.dates(begin),
            "to": world.dates(end),
            "category": np.array(list(FIXED))[c],
        }
    )
    frame["amount"] = (year * (end - begin + 1) / 365.25).round(2)
    return frame[end >= begin].reset_index(drop=True)


def _valuations(world, rng):
    """Trade values at the start of the log and each year after: price new x the yearly share kept, less for the first drive home."""
    years = np.append(
        np.arange(HISTORY_DAYS, len(world.odometer) - 30, 365.25).round().astype(int), world.last
    )
    day, v = (a.ravel() for a in np.meshgrid(years, np.arange(world.n), indexing="ij"))
    own = world.vehicles.iloc[v]
    age = (day - own["in_day"].to_numpy()) / 365.25
    value = (
        own["price"] * 0.92 * own["kept_share"] ** age * np.exp(0.04 * rng.standard_normal(len(v)))
    )
    frame = pd.DataFrame(
        {
            "vehicle": own["vehicle"].to_numpy(),
            "date": world.dates(day),
            "value": value.round(-1).to_numpy(),
            "basis": "trade",
        }
    )
    return frame[(age > 0.1) & (day >= world.begin[v]) & (day <= world.end[v])].reset_index(
        drop=True
    )


def _layups_table(world):
    p = world.layups[
        (world.layups["to"] >= world.begin[world.layups["v"]])
        & (world.layups["from"] < len(world.odometer))
    ]
    p = p.sort_values(["from", "v"], kind="stable")
    start = np.maximum(p["from"], world.begin[p["v"]])
    frame = pd.DataFrame(
        {
            "vehicle": world.names(p["v"]),
            "from": world.dates(start),
            "to": world.dates(np.where(p["to"] < len(world.odometer), p["to"], NEVER)),
        }
    )
    return frame.assign(reason=p["reason"].to_numpy())


def _postings_table(world):
    """Where each vehicle was: one row from each change of site on."""
    site, day = world.site, np.arange(len(world.site))[:, None]
    begin, end = world.begin, world.end
    change = (day == begin) | (
        (day > begin) & (day <= end) & (site != np.vstack([site[:1], site[:-1]]))
    )
    v, start = np.nonzero(change.T)
    until = np.append(start[1:] - 1, NEVER)
    until = np.where(
        np.append(v[1:] == v[:-1], False), until, np.where(end[v] < len(site) - 1, end[v], NEVER)
    )
    frame = pd.DataFrame(
        {"vehicle": world.names(v), "from": world.dates(start), "to": world.dates(until)}
    )
    return frame.assign(site=np.array(list(world.setting.sites))[site[start, v]])


def _dash_events(world, history):
    """The dashboard's own reminder on every fourth vehicle: started again at most oil changes, shown when it has run over."""
    t = history.tasks
    t = t[
        (history.grid.code[t["v"], t["column"]] == "engine-oil-and-filter")
        & (t["day"] >= world.begin[t["v"]])
        & (t["v"] % 4 == 1)
    ]
    t = t.sort_values(["v", "day"], kind="stable", ignore_index=True)
    span = REMINDER[world.setting.distance]
    v, day = t["v"].to_numpy(), t["day"].to_numpy()
    over = np.minimum(
        day_reached(world.odometer, v, world.odometer[day, v] + span * world.setting.unit_km),
        day + 372,
    )
    following = t.groupby("v")["day"].shift(-1).fillna(NEVER).to_numpy()
    shown = over < np.minimum(following, world.end[v] + 1)
    frame = pd.concat(
        [
            pd.DataFrame({"v": v, "day": day, "event": "restarted"}),
            pd.DataFrame({"v": v, "day": over, "event": "shown"})[shown],
        ]
    )
    frame = frame.sort_values(["day", "v"], kind="stable", ignore_index=True)
    table = pd.DataFrame(
        {
            "vehicle": world.names(frame["v"]),
            "date": world.dates(frame["day"]),
            "odometer": reading(world, frame["v"], frame["day"]),
        }
    )
    return table.assign(event=frame["event"], span_distance=float(span), span_days=372.0)
