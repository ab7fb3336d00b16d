"""What was fitted and what was measured: tables fitted and measurements."""

import numpy as np
import pandas as pd

from wearbar.log.units import PRESSURE_KPA
from wearbar_synthetic.settings import ITEMS
from wearbar_synthetic.slots import PLACES
from wearbar_synthetic.world import reading

__all__ = ["fitted_table", "measurements_table", "part_names"]

LETTER = {
    "tyre": "T",
    "brake-pad": "P",
    "chain": "C",
    "air-filter": "F",
    "battery": "B",
    "wheel-bearing": "H",
    "sprocket": "S",
}
PRESSURE_PSI = {
    "trail-motorcycle": (28, 30),
    "pickup": (34, 38),
    "van": (46, 52),
    "motorcycle-road": (35, 39),
    "car": (33, 31),
}
TOP_UP_ML_PER_1000KM = {
    "trail-motorcycle": 90,
    "pickup": 60,
    "van": 80,
    "motorcycle-road": 50,
    "car": 40,
}
WHYS = np.array(
    ["with the service, to save a visit", "before the winter", "before a long trip", "looked tired"]
)


def part_names(history, failed):
    """Ids of the physical parts: one Series by number of wearing part, one by row of `failed`."""
    slots = history.slots
    wearing = history.parts.assign(
        letter=slots["category"].map(LETTER).to_numpy()[history.parts["slot"]]
    )
    own = wearing["letter"] + (wearing.groupby("letter").cumcount() + 1).astype(str).str.zfill(4)
    other = failed["category"].map(LETTER)
    return own.set_axis(wearing["part"]), other + (other.groupby(other).cumcount() + 1).astype(
        str
    ).str.zfill(4)


def fitted_table(world, history, failed, names, visits, dirt, rng):
    """Every stay of a part on a vehicle that touches the log; parts on before it began have no date, or no reading, for some."""
    spans = _spans(world, history, failed, names, rng)
    begin, last = world.begin[spans["v"]], world.last
    spans = spans[(spans["to"] > begin) & (spans["from"] <= last)]
    spans = spans.sort_values(
        ["from", "v", "category", "position"], kind="stable", ignore_index=True
    )
    begin = world.begin[spans["v"]]
    v, n = spans["v"].to_numpy(), len(spans)
    before = spans["from"].to_numpy() < begin
    bought_used = (world.vehicles["join_day"] > world.vehicles["in_day"]).to_numpy()[v]
    no_date = before & ((rng.random(n) < 0.3 * dirt) | bought_used)
    no_reading = (
        no_date
        | (before & (rng.random(n) < 0.3 * dirt))
        | (~before & (rng.random(n) < 0.04 * dirt))
    )
    frame = pd.DataFrame(
        {"vehicle": world.names(v), "position": spans["position"], "category": spans["category"]}
    )
    frame = frame.assign(
        item=spans["item"],
        part=spans["name"],
        condition=np.where(spans["used_from"] > 0, "part-worn", "new"),
    )
    frame["prior_distance"] = (
        spans["fitted_used"] / spans["rate"] / world.setting.unit_km / 100
    ).round() * 100
    frame["prior_distance"] = frame["prior_distance"].where(spans["fitted_used"] > 0)
    made = world.dates(spans["made"])
    frame["made"] = pd.Series(made).where(spans["category"].eq("tyre") & ~before)
    frame["fitted"] = pd.Series(world.dates(spans["from"])).mask(no_date)
    frame["fitted_odometer"] = pd.Series(reading(world, v, spans["from"])).mask(no_reading)
    frame["removed"] = world.dates(spans["to"])
    frame["removed_odometer"] = pd.Series(reading(world, v, spans["to"])).mask(
        rng.random(n) < 0.03 * dirt
    )
    frame["reason"] = spans["reason"].replace({"pair": "convenience"})
    return _prices_and_depths(world, frame, spans, before, visits, dirt, rng)


def _prices_and_depths(world, frame, spans, before, visits, dirt, rng):
    first = ~spans.duplicated("part_key")
    original = spans["from"].to_numpy() == world.vehicles["in_day"].to_numpy()[spans["v"]]
    unknown = original | (rng.random(len(spans)) < 0.03 * dirt)
    frame["price"] = (
        (spans["price"] * spans["haggle"]).round(2).where(first, 0.0).mask(first & unknown)
    )
    frame["fitting_cost"] = (
        (spans["fitting"] * (world.setting.labour_rate > 0)).where(first, 0.0).mask(first & unknown)
    )
    deep = spans["category"].isin(["tyre", "brake-pad"])
    frame["new_depth"] = spans["new"].where(deep)
    known = deep & (spans["used_from"] > 0) & frame["fitted"].notna()
    frame["fitted_depth"] = (spans["new"] - spans["used_from"]).round(1).where(known)
    frame["removed_depth"] = (spans["new"] - spans["read"]).round(1).clip(lower=0).where(deep)
    frame["limit_depth"] = spans["limit"].where(deep | spans["category"].eq("chain"))
    frame["visit"] = visits.reindex(pd.MultiIndex.from_frame(spans[["v", "from"]])).to_numpy()
    notes = np.where(
        spans["reason"].eq("pair"),
        "changed with its pair",
        np.where(spans["reason"].eq("convenience"), spans["why"], ""),
    )
    notes = np.where(spans["reason"].eq("damaged"), "cut through, not to be mended", notes)
    frame["note"] = np.where((notes == "") & original & ~before, "came with the vehicle", notes)
    return frame


def _spans(world, history, failed, names, rng):
    """Spans of wearing parts, of sprockets (changed with their chain) and of parts that fail, in one frame."""
    wearing, failing = names
    item = ITEMS[["item", "price", "fitting", "new", "limit"]]
    own = history.spans.join(history.slots[["v", "category", "position"]], on="slot")
    own = (
        own.rename(columns={"item": "number"})
        .join(item, on="number")
        .merge(history.parts[["part", "rate", "fitted_used"]], on="part")
    )
    own["name"] = own["part"].map(wearing)
    sprocket = own[own["category"].eq("chain")].assign(
        category="sprocket", item="sprocket pair", price=37.0, fitting=0.0, new=np.nan, limit=np.nan
    )
    sprocket["name"] = "S" + sprocket["name"].str[1:]
    rest = failed.assign(name=failing, used_from=0.0, fitted_used=0.0)
    frame = pd.concat([own, sprocket, rest], ignore_index=True)
    # one draw a part, so that a part keeps its price and its birthday over all its spans
    key, unique = pd.factorize(frame["name"])
    frame["part_key"] = key
    frame["haggle"] = (0.94 + 0.12 * rng.random(len(unique)))[key]
    frame["made"] = (
        frame.groupby("part_key")["from"].transform("min") - rng.integers(60, 400, len(unique))[key]
    )
    frame["why"] = WHYS[rng.integers(0, len(WHYS), len(frame))]
    return frame


def measurements_table(world, history, names, visits, dirt, rng):
    """Depths, thicknesses and elongations place by place; tyre pressures; oil topped up."""
    streams = rng.spawn(3)
    frames = [
        _wear_readings(world, history, names[0], dirt, streams[0]),
        _pressures(world, history, dirt, streams[1]),
        _top_ups(world, history, streams[2]),
    ]
    frame = pd.concat(frames, ignore_index=True)
    frame = frame[(frame["day"] >= world.begin[frame["v"]]) & (frame["day"] < len(world.odometer))]
    frame = frame.sort_values(
        ["day", "v", "category", "position", "order"], kind="stable", ignore_index=True
    )
    visit = pd.MultiIndex.from_frame(frame[["v", "day"]])
    table = pd.DataFrame({"vehicle": world.names(frame["v"]), "date": world.dates(frame["day"])})
    table["odometer"] = reading(world, frame["v"], frame["day"])
    table["odometer"] = table["odometer"].mask(
        frame.groupby(["v", "day"]).ngroup().mod(17).eq(3) & bool(dirt)
    )
    table = pd.concat(
        [table, frame[["position", "category", "quantity", "value", "place", "part", "state"]]],
        axis=1,
    )
    return table.assign(visit=visits.reindex(visit).to_numpy())


def _wear_readings(world, history, names, dirt, rng):
    r = history.readings.join(history.slots[["v", "category", "position"]], on="slot")
    value = r[["read_0", "read_1", "read_2"]].to_numpy()
    row, place = np.nonzero(~np.isnan(value))
    r = r.iloc[row].reset_index(drop=True)
    label = pd.DataFrame({c: [*p, *[""] * (3 - len(p))] for c, p in PLACES.items()}).to_numpy()
    column = r["category"].map({c: i for i, c in enumerate(PLACES)}).to_numpy()
    quantity = r["category"].map({"tyre": "depth", "brake-pad": "thickness", "chain": "elongation"})
    frame = r[["v", "day", "position", "category"]].assign(
        quantity=quantity, value=value[row, place], place=label[place, column], order=place
    )
    frame["part"] = r["part"].map(names).mask(pd.Series(rng.random(len(r)) < 0.10 * dirt))
    return frame[~(rng.random(len(frame)) < 0.05 * dirt)]


def _pressures(world, history, dirt, rng):
    r = history.readings.join(
        history.slots[["v", "category", "position", "type", "axle"]], on="slot"
    )
    r = r[r["category"].eq("tyre")]
    target = np.array([PRESSURE_PSI[t] for t in PRESSURE_PSI])[
        pd.Categorical(r["type"], list(PRESSURE_PSI)).codes, r["axle"].eq("rear").astype(int)
    ]
    low = np.minimum(rng.standard_normal(len(r)) * 1.3, 1.0) - 0.8 * rng.standard_exponential(
        len(r)
    )
    unit = PRESSURE_KPA["psi"] / PRESSURE_KPA[world.setting.pressure]
    value = ((target + low) * unit).round(1 if world.setting.pressure == "bar" else 0)
    frame = r[["v", "day", "position", "category"]].assign(
        quantity="pressure", value=value, place="", order=5, state="cold"
    )
    return frame[rng.random(len(frame)) < 1 - 0.5 * dirt]


def _top_ups(world, history, rng):
    t = history.tasks
    t = t[history.grid.code[t["v"], t["column"]] == "engine-oil-level"]
    need = (
        np.diff(world.odometer[t["day"], t["v"]], prepend=0.0).clip(0, 5000)
        / 1000
        * world.vehicles["type"].map(TOP_UP_ML_PER_1000KM).to_numpy()[t["v"]]
    )
    value = (need * np.exp(0.3 * rng.standard_normal(len(t))) / 50).round() * 50
    frame = pd.DataFrame(
        {
            "v": t["v"],
            "day": t["day"],
            "position": "engine",
            "category": "engine-oil",
            "quantity": "top-up",
            "value": value,
        }
    )
    return frame.assign(place="", order=9, state="cold")
