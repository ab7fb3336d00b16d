"""Teaching populations of vans, drawn by a student's name: here one item at one position on one
clock, km; the modules of lessons draw others. What is drawn is drawn again until its difficulty and
its answers lie as a lesson asks; None is no draw."""

import hashlib
import hmac
import tomllib
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd

from wearbar.log import log_of, plan_of

AS_OF = pd.Timestamp("2026-10-31")
HEADER = {"currency": "GBP", "money": "net", "distance": "km", "volume": "L", "depth": "mm"}
MOST_DRAWS = 2000
NEW_MM, LIMIT_MM, BEDDING_MM, ERROR_MM = 8.0, 2.0, 0.35, 0.1  # of tyres: invented
NAMES = ("Alder", "Bryony", "Cotton", "Dogwood", "Elder", "Fescue", "Gorse", "Hazel")


@dataclass(frozen=True)
class World:
    """What was drawn: `vehicles` (a row a van), `parts` (a row a life, km by its van's odometer, or
    a row a job), `readings` (a row a depth or distance read), `truth` (the law's figures, which no
    file holds), `events` (a row a repair or a job done)."""

    vehicles: pd.DataFrame
    parts: pd.DataFrame | None
    truth: dict
    first_day: pd.Timestamp
    readings: pd.DataFrame | None = None
    events: pd.DataFrame | None = None


def rng_of(student, lesson, secret=None, purpose="log"):
    """The generator of a student's draw: HMAC of a class's secret and what is drawn, for whom."""
    said = "\0".join((purpose, lesson, student.strip())).encode("utf-8", "surrogatepass")
    digest = hmac.new((secret or "").encode(), said, hashlib.sha256).digest()
    return np.random.default_rng(list(digest))


def vans(rng, n, days, joined=0):
    """n vans of steady use, each at work for some of `days` (least, most) before the report date;
    none later than `joined` days before the record began."""
    at_work = rng.integers(days[0], days[1] + 1, n)
    km_per_day = rng.lognormal(np.log(rng.uniform(55, 85)), 0.3, n)
    first_days = int(days[1] - joined) if joined else int(at_work.max())
    made = {"days": at_work, "km_per_day": km_per_day}
    made["first_days"] = np.minimum(first_days, at_work)  # of record
    made["km"] = np.floor(km_per_day * at_work)
    made["first_km"] = _read(made, at_work - made["first_days"])
    return pd.DataFrame(made), AS_OF - pd.Timedelta(days=first_days)


def renewals(rng, vehicles, scale, shape):
    """The lives at one position of each van, one after another by a Weibull law: v, begin_km,
    end_km, observed. What ended before the record began is not in it."""
    most = int(12 + 3 * vehicles["km"].max() / scale)
    lives = np.maximum(np.round(scale * rng.weibull(shape, (len(vehicles), most))), 300)
    return in_turn(vehicles, lives)[0]


def in_turn(vehicles, lives):
    """(parts, where each stands in `lives`), one after another at one position of each van, whose
    lives in km are a row: v, begin_km, end_km, observed (it has ended). What ended before the
    record began is not in it, nor what has hardly begun."""
    end = lives.cumsum(axis=1)
    begin, total = end - lives, vehicles["km"].to_numpy()[:, None]
    at = np.nonzero((begin < total - 150) & (end > vehicles["first_km"].to_numpy()[:, None]))
    end, now = end[at], total[at[0], 0]
    made = {"v": at[0], "begin_km": begin[at], "end_km": np.minimum(end, now)}
    return pd.DataFrame(made | {"observed": end <= now}), at


def removed(parts, reason, depth):
    """The parts as tyres of which those that ended were removed for a reason, at a depth in mm."""
    told = pd.DataFrame({"reason": reason, "removed_depth": depth}, parts.index)
    parts = parts.join(told.where(parts["observed"], axis=0))
    return parts.assign(new_depth=NEW_MM, limit_depth=LIMIT_MM)


def failed_by(scale, shape, share):
    """The km by which so great a share has failed by a Weibull law."""
    return scale * (-np.log(1 - share)) ** (1 / shape)


def priced(rng, parts, has_bill):
    """The parts with a price, one for all, and a cost of fitting after a failure, where they have a
    bill."""
    price, fitting = rng.uniform((40, 450), (90, 900)).round(2)
    bill = (fitting * rng.lognormal(0, 0.2, len(parts))).round(2)
    money = pd.DataFrame({"price": price, "fitting_cost": bill}, parts.index)
    return parts.join(money.where(has_bill, axis=0))


def lives_frame(world):
    """The lives as `wb.part_lives` gives them, worked out without a log: entry_km, duration_km,
    observed, and what its parts cost where that was drawn."""
    parts = world.parts
    first_km = world.vehicles["first_km"].to_numpy()[parts["v"].to_numpy()]
    begin, end = parts["begin_km"].to_numpy(), parts["end_km"].to_numpy()
    made = {"entry_km": np.maximum(first_km - begin, 0.0), "duration_km": end - begin}
    made |= {name: parts[name] for name in parts.columns[4:]}
    return pd.DataFrame(made | {"observed": parts["observed"].to_numpy(bool)}, parts.index)


def worn(rng, world, rate, readings):
    """The world with a tyre on each van, worn at about `rate` mm per 1,000 km, and its readings."""
    own = world.vehicles
    rates = rate * rng.lognormal(0, 0.15, len(own))
    most = 900 * (NEW_MM - BEDDING_MM - LIMIT_MM) / rates  # none is worn to its limit
    on = np.minimum(rng.uniform(9_000, 24_000, len(own)), np.minimum(most, 0.7 * own["km"])).round()
    parts = pd.DataFrame({"v": own.index, "begin_km": own["km"] - on, "end_km": own["km"]})
    parts = parts.assign(observed=False, new_depth=NEW_MM, limit_depth=LIMIT_MM)
    n = int(readings)
    share = (np.arange(n) + rng.uniform(0.25, 0.75, (len(own), n))) / (n + 0.3)
    at = np.round(on.to_numpy()[:, None] * share)
    depth = NEW_MM - BEDDING_MM - rates[:, None] * at / 1000 + rng.normal(0, ERROR_MM, at.shape)
    v = np.repeat(own.index, n)
    km = at.ravel() + parts["begin_km"].to_numpy()[v]
    read = pd.DataFrame({"v": v, "km": km, "depth_mm": depth.ravel().round(1)})
    truth = {"told": float(rates[0]), "scale": 1000 * float(rates[0])}
    return World(own, parts, truth, world.first_day, read)


def readings_frame(world):
    """The readings of the first van's tyre: on_km (the distance on it), odometer_km, depth_mm,
    now_km (on it at the report date), new_mm."""
    read, part = world.readings[world.readings["v"] == 0], world.parts.iloc[0]
    made = {"odometer_km": read["km"], "on_km": read["km"] - part["begin_km"]}
    made |= {"depth_mm": read["depth_mm"], "now_km": part["end_km"] - part["begin_km"]}
    return pd.DataFrame(made).assign(new_mm=NEW_MM).reset_index(drop=True)


def tables_of(world, category, item):
    """The tables of a log of lives, or of readings, of one part: {name: frame}."""
    tables = {"vehicles": vehicles_table(world.vehicles), "odometer": odometer_table(world)}
    tables["fitted"] = _fitted(world, category, item)
    if world.readings is not None:
        tables["measurements"] = _measurements(world, category)
    return tables


def header_of(first_day, name, plan=""):
    """The header of a log; plan: the text of its plan.toml, if any."""
    header = HEADER | {"name": name, "as_of": AS_OF.date(), "first_day": first_day.date()}
    return header | ({"plan": plan} if plan else {})


def service_log(tables, header):
    """The checked `ServiceLog` of tables; no truth is in it."""
    plan = tomllib.loads(header.get("plan", ""))
    return log_of(tables, header, plan_of(plan, header["distance"]) if plan else None)


def until_held(rng, draw, holds):
    """What is drawn, again and again until `holds` says that it is as the lesson asks."""
    for _ in range(MOST_DRAWS):
        world = draw(rng)
        if world is not None and holds(world):
            return world
    raise RuntimeError(f"none of {MOST_DRAWS} draws was as the lesson asks: widen its bands")


def in_bands(facts, bands):
    """Whether each fact lies in its band (low, high)."""
    return all(low <= facts[name] <= high for name, (low, high) in bands.items())


def far_apart(values, tolerance):
    """Whether no two values are nearer than twice the tolerance, as a share of the larger."""
    values = [v for v in values if np.isfinite(v)]
    pairs = combinations(values, 2)
    return all(abs(a - b) > 2 * tolerance * max(abs(a), abs(b)) for a, b in pairs)


def names(n):
    """The names of n vans."""
    return np.array([f"{NAMES[i % len(NAMES)]}-{i // len(NAMES) + 1:02d}" for i in range(n)])


def _read(vehicles, days):
    """The odometer at the end of the day that many days after the van's first."""
    return np.floor(vehicles["km_per_day"] * days)


def day_of(world, v, km):
    """The day on which van `v` reached these km."""
    own = world.vehicles.iloc[v]
    days = np.ceil(km.to_numpy() / own["km_per_day"].to_numpy()) - own["days"].to_numpy()
    return AS_OF + pd.to_timedelta(np.minimum(days, 0), unit="D")


def vehicles_table(own):
    """Table `vehicles` of vans drawn by `vans`, all new."""
    begun = AS_OF - pd.to_timedelta(own["days"], unit="D")
    made = {"vehicle": names(len(own)), "kind": "van", "in_service": begun}
    return pd.DataFrame(made).assign(in_service_odometer=0)


def odometer_table(world):
    """A reading on the record's first day, one in the midst, and one on the report date."""
    own, rows = world.vehicles, []
    for share in (0.0, 0.5, 1.0):
        days = np.ceil(own["days"] - (1 - share) * own["first_days"])
        date = AS_OF - pd.to_timedelta(own["days"] - days, unit="D")
        rows.append(pd.DataFrame({"vehicle": names(len(own)), "date": date}))
        rows[-1]["odometer"] = _read(own, days)
    rows = pd.concat(rows).query("odometer > 0")
    return rows.sort_values(["vehicle", "date"], ignore_index=True)


def _fitted(world, category, item):
    parts = world.parts
    v = parts["v"].to_numpy()
    ended = parts["observed"].to_numpy()
    frame = pd.DataFrame({"vehicle": names(len(world.vehicles))[v], "position": "front"})
    frame = frame.assign(category=category, item=item, condition="new")
    frame["fitted"] = day_of(world, v, parts["begin_km"])
    frame["fitted_odometer"] = parts["begin_km"].to_numpy()
    frame["removed"] = pd.Series(day_of(world, v, parts["end_km"])).where(ended)
    frame["removed_odometer"] = parts["end_km"].where(ended).to_numpy()
    frame["reason"] = pd.Series("failed", frame.index).where(ended)
    return frame.assign(**{name: parts[name].to_numpy() for name in parts.columns[4:]})


def _measurements(world, category):
    read = world.readings
    v = read["v"].to_numpy()
    frame = pd.DataFrame({"vehicle": names(len(world.vehicles))[v]})
    frame["date"] = day_of(world, v, read["km"])
    made = {"odometer": read["km"].to_numpy(), "position": "front", "category": category}
    return frame.assign(**made, quantity="depth", value=read["depth_mm"].to_numpy())
