"""Papers beside the work: certificates, recalls, defects, deferrals."""

import numpy as np
import pandas as pd

from wearbar_synthetic.settings import HISTORY_DAYS, NEVER
from wearbar_synthetic.world import reading

__all__ = ["campaign_table", "certificates", "defects", "deferrals", "recalls"]

FINDINGS = {
    "repair-electrics": "lamps dim, charging low",
    "repair-suspension": "damper weeps",
    "repair-engine": "oil round the cover, uneven running",
    "repair-cooling": "coolant low, hose soft",
    "repair-bodywork": "mounting cracked",
    "repair-clutch": "clutch slips under load",
    "repair-exhaust": "joint blows",
}


def certificates(world, rng):
    """Yearly tests from the third birthday: the tests, and table certificates. One is left to expire, one is about to."""
    vehicles, today = world.vehicles, pd.Timestamp(world.setting.last)
    expiry = (
        pd.Series(world.dates(vehicles["in_day"])) + pd.DateOffset(years=3) - pd.Timedelta(days=1)
    )
    end = pd.Series(world.dates(vehicles["end_day"])).fillna(today)
    rows = [pd.DataFrame({"v": vehicles.index, "tested": pd.NaT, "valid_to": expiry, "result": ""})]
    while ((expiry < today + pd.Timedelta(days=28)) & (expiry < end)).any():
        before = rng.integers(11, 27, len(expiry))
        fails, again = rng.random(len(expiry)) < 0.12, rng.integers(2, 10, len(expiry))
        test = expiry - pd.to_timedelta(before, unit="D")
        failed = pd.DataFrame(
            {"v": vehicles.index, "tested": test, "valid_to": test, "result": "fail"}
        )[fails]
        test = test + pd.to_timedelta(np.where(fails, again, 0), unit="D")
        expiry = expiry + pd.DateOffset(years=1)
        rows += [
            failed,
            pd.DataFrame(
                {"v": vehicles.index, "tested": test, "valid_to": expiry, "result": "pass"}
            ),
        ]
    frame = pd.concat(rows, ignore_index=True)
    frame = frame[~(frame["tested"] > end.clip(upper=today)[frame["v"]].to_numpy())]
    frame = _let_lapse(world, frame, today)
    frame = frame[frame["valid_to"] >= world.dates(world.begin)[frame["v"]]].sort_values(
        ["tested", "v"], kind="stable", na_position="first", ignore_index=True
    )
    frame["valid_to"] = frame["valid_to"].astype("datetime64[ns]")
    table = pd.DataFrame(
        {
            "vehicle": vehicles["vehicle"].to_numpy()[frame["v"]],
            "kind": "roadworthiness",
            **frame[["tested", "valid_to", "result"]],
        }
    )
    tests = frame.dropna(subset=["tested"])
    day = (tests["tested"] - pd.Timestamp(world.start)).dt.days
    return tests.assign(day=day), table


def _let_lapse(world, frame, today):
    """Take away the newest test of one vehicle whose last certificate ran out lately, and of one whose runs out soon."""
    if world.n < 12:
        return frame
    passed = frame[
        frame["result"].ne("fail") & world.vehicles["end_day"].eq(NEVER).to_numpy()[frame["v"]]
    ]
    newest = passed[
        passed["valid_to"].eq(passed.groupby("v")["valid_to"].transform("max"))
        & passed["tested"].notna()
    ]
    old = newest["valid_to"] - pd.DateOffset(years=1)
    days = (old - today).dt.days
    idle = world.laid_up[-1, newest["v"]]
    lapsed, ending = (
        days[(days < -3) & ~idle].nlargest(1).index,
        days[(days > 5) & ~idle].nsmallest(1).index,
    )
    gone = (
        frame.loc[lapsed.union(ending), ["v"]]
        .assign(after=newest["tested"] - pd.Timedelta(days=20))
        .set_index("v")["after"]
    )
    return frame[~(frame["tested"] > frame["v"].map(gone))]


def recalls(world, history, rng):
    """A safety recall of some motorcycles, open on one of them; a campaign of the vans, all done."""
    v = world.vehicles
    last = world.last
    two = v.index[v["kind"].eq("motorcycle") & (v["in_day"] < last - 500) & v["end_day"].eq(NEVER)][
        -7:
    ]
    vans = v.index[
        v["kind"].isin(["van", "car"]) & (v["in_day"] < last - 600) & v["end_day"].eq(NEVER)
    ][:3]
    recall = pd.DataFrame(
        {
            "v": two,
            "campaign": "SR-26-04",
            "issued": last - 170,
            "kind": "safety-recall",
            "by": last - 20,
            "note": "front brake hose",
        }
    )
    other = pd.DataFrame(
        {
            "v": vans,
            "campaign": "C-25-11",
            "issued": last - 480,
            "kind": "campaign",
            "by": NEVER,
            "note": "software of the charging control",
        }
    )
    frame = pd.concat([recall, other], ignore_index=True)
    done = frame["issued"] + rng.integers(12, 130, len(frame))
    planned = history.occasions[history.occasions["planned"]]
    key = np.sort((planned["v"] * 100000 + planned["day"]).to_numpy())
    found = (
        key[np.minimum(np.searchsorted(key, frame["v"] * 100000 + done), len(key) - 1)]
        if len(key)
        else np.zeros(len(frame))
    )
    frame["done"] = np.where(
        (found // 100000 == frame["v"]) & (found % 100000 <= last), found % 100000, done
    )
    frame.loc[frame.index[frame["campaign"].eq("SR-26-04")][-1:], "done"] = (
        NEVER if world.n >= 12 else last - 90
    )
    return frame


def campaign_table(world, recalls, visits):
    r = recalls
    ids = visits.reindex(pd.MultiIndex.from_frame(r[["v", "done"]])).to_numpy()
    frame = pd.DataFrame(
        {
            "vehicle": world.names(r["v"]),
            "campaign": r["campaign"],
            "issued": world.dates(r["issued"]),
        }
    )
    return frame.assign(
        kind=r["kind"],
        by=world.dates(r["by"]),
        done=world.dates(r["done"]),
        visit=ids,
        note=r["note"],
    )


def defects(world, lines, visits, dirt, rng):
    """Defects behind most repairs and every failed inspection; some found days before they were mended, and two still open."""
    rep = lines[lines["repair"].eq(True) & (rng.random(len(lines)) < 0.75)]
    wait = np.where(rng.random(len(rep)) < 0.45, rng.integers(1, 15, len(rep)), 0)
    grade = np.array(["note", "advisory", "before-next-use", "off-road"])[
        np.searchsorted([0.15, 0.6, 0.88], rng.random(len(rep)))
    ]
    found = rep["day"] - wait
    own = pd.DataFrame(
        {
            "v": rep["v"],
            "found": found,
            "closed": rep["day"],
            "category": rep["task"].str[7:],
            "text": rep["task"].map(FINDINGS),
        }
    )
    own = own.assign(
        grade=grade,
        position="",
        closed_as=np.where(rng.random(len(rep)) < 0.1, "no-fault-found", "mended"),
    )
    bad = lines[
        lines["result"].eq("fail")
        & lines["task"].isin(["tyres-inspect", "brake-pads-inspect", "chain-adjust"])
    ]
    worn = pd.DataFrame(
        {
            "v": bad["v"],
            "found": bad["day"],
            "closed": bad["day"],
            "category": bad["task"].str.split("-").str[0],
            "grade": "off-road",
        }
    )
    worn = worn.assign(
        text=worn["category"] + " worn past the change limit",
        position=bad["position"],
        closed_as="replaced",
    )
    frame = pd.concat([own, worn, _open_defects(world)], ignore_index=True)
    frame["found"] = np.maximum(frame["found"], world.begin[frame["v"]])
    frame = frame.sort_values(["found", "v"], kind="stable", ignore_index=True)
    table = pd.DataFrame(
        {
            "defect": "D" + pd.Series(frame.index + 1).astype(str).str.zfill(4),
            "vehicle": world.names(frame["v"]),
        }
    )
    table = table.assign(
        found=world.dates(frame["found"]),
        odometer=reading(world, frame["v"], frame["found"]),
        position=frame["position"],
    )
    table = table.assign(category=frame["category"], text=frame["text"], grade=frame["grade"])
    table["found_visit"] = visits.reindex(
        pd.MultiIndex.from_frame(frame[["v", "found"]])
    ).to_numpy()
    table["closed"] = world.dates(frame["closed"])
    table["closing_visit"] = visits.reindex(
        pd.MultiIndex.from_frame(frame[["v", "closed"]])
    ).to_numpy()
    table["closed_as"] = frame["closed_as"]
    table["odometer"] = table["odometer"].mask(pd.Series(rng.random(len(table)) < 0.1 * dirt))
    return table


def _open_defects(world):
    last = world.last
    v = world.layups["v"][world.layups["reason"].eq("awaiting-parts")].to_numpy()
    alive = world.vehicles.index[
        world.vehicles["end_day"].eq(NEVER) & ~world.vehicles.index.isin(v)
    ].to_numpy()[-1:]
    off = pd.DataFrame(
        {
            "v": v,
            "found": last - 10,
            "category": "fork",
            "position": "front",
            "text": "fork seal leaks on to the brake disc",
            "grade": "off-road",
        }
    )
    minor = pd.DataFrame(
        {
            "v": alive,
            "found": last - 45,
            "category": "exhaust",
            "position": "",
            "text": "exhaust joint blows slightly",
            "grade": "advisory",
        }
    )
    return pd.concat([off, minor], ignore_index=True).assign(closed=NEVER, closed_as="")


def deferrals(world, history, defects, rng):
    """Work put off on purpose: an open defect, and a few tasks."""
    last = world.last
    advisory = defects[defects["closed"].isna() & defects["grade"].eq("advisory")]
    first = pd.DataFrame(
        {
            "vehicle": advisory["vehicle"],
            "defect": advisory["defect"],
            "date": advisory["found"],
            "until": world.dates(last + 20),
            "reason": "parts on order",
        }
    )
    t = history.tasks[(history.tasks["day"] > HISTORY_DAYS + 200) & (history.tasks["column"] < 3)]
    t = t[t["day"] <= last].iloc[:: max(len(t) // 5, 1)][:5]
    day = t["day"].to_numpy() - rng.integers(4, 20, len(t))
    names, codes = world.names(t["v"]), history.grid.code[t["v"], t["column"]]
    tasks = pd.DataFrame(
        {"vehicle": names, "task": codes, "date": world.dates(day), "until": world.dates(t["day"])}
    )
    ahead = reading(world, t["v"].to_numpy(), t["day"].to_numpy())
    reasons = np.array(
        ["vehicle on the far shore", "workshop full", "parts late", "away on loan", "weather"]
    )[np.arange(len(t)) % 5]
    return pd.concat([first, tasks.assign(until_odometer=ahead, reason=reasons)], ignore_index=True)
