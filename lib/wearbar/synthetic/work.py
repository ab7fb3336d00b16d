"""What the workshop wrote down: visits, work, defects, certificates, recalls, deferrals."""

import numpy as np
import pandas as pd

from wearbar.synthetic.settings import CHANCES, ITEMS, LAWS
from wearbar.synthetic.world import HISTORY_DAYS, NEVER, day_reached, reading

__all__ = ["failures", "work_tables"]

REPLACING = {"tyre": "tyre-replace", "brake-pad": "brake-pads-replace", "chain": "chain-replace", "air-filter": "air-filter-replace"}
MOVING = {"rotated": "tyres-rotate", "stored": "wheels-of-the-season", "moved": "wheel-swap"}
LOOKING = ("inspect", "test", "adjust", "level", "tighten")
REPAIRS = np.array(["repair-electrics", "repair-suspension", "repair-engine", "repair-cooling", "repair-bodywork", "repair-clutch", "repair-exhaust"])
FINDINGS = {
    "repair-electrics": "lamps dim, charging low",
    "repair-suspension": "damper weeps",
    "repair-engine": "oil round the cover, uneven running",
    "repair-cooling": "coolant low, hose soft",
    "repair-bodywork": "mounting cracked",
    "repair-clutch": "clutch slips under load",
    "repair-exhaust": "joint blows",
}
TEST_FEE = 34.0


def failures(world, rng):
    """Lives that a Weibull law ends (batteries, wheel bearings) as spans: v, category, position, item, from, to (NEVER while on), true life."""
    laws = LAWS[~LAWS["category"].eq("air-filter")].reset_index(drop=True)
    own = world.vehicles.reset_index(names="v").merge(laws, on="type", suffixes=("_new", ""))
    lives = own["scale"].to_numpy()[:, None] * rng.standard_exponential((len(own), 14)) ** (1 / own["shape"].to_numpy()[:, None])
    ends = np.cumsum(lives, axis=1)
    v = np.broadcast_to(own["v"].to_numpy()[:, None], ends.shape)
    by_age = own["clock"].eq("days").to_numpy()[:, None]
    by_age = np.broadcast_to(by_age, ends.shape)
    worn_out = day_reached(world.exposure["wheel-bearing"], v, ends)
    to = np.where(by_age, own["in_day"].to_numpy()[:, None] + np.ceil(ends), worn_out).astype(np.int64)
    start = np.hstack([own["in_day"].to_numpy()[:, None], to[:, :-1]])
    row = np.repeat(np.arange(len(own)), ends.shape[1])
    frame = own.loc[row, ["v", "category", "position", "item", "price", "fitting", "clock", "end_day"]].reset_index(drop=True)
    frame = frame.assign(**{"from": start.ravel(), "to": to.ravel(), "life": lives.ravel()})
    last = len(world.odometer) - 1
    frame = frame[(frame["from"] <= np.minimum(frame["end_day"], last)) & (frame["to"] > frame["from"])]
    over = frame["to"] > np.minimum(frame["end_day"], last)
    frame["reason"] = np.where(over, np.where(frame["end_day"] <= last, "disposed", ""), "failed")
    frame["to"] = np.where(over, np.where(frame["end_day"] <= last, frame["end_day"], NEVER), frame["to"])
    return frame.drop(columns="end_day").reset_index(drop=True)


def work_tables(world, history, failed, dirt, rng):
    """Tables work, defects, certificates, campaigns and deferrals, and `visits`: (v, day) to the id of the visit."""
    streams = rng.spawn(6)
    tests, certificates = _certificates(world, streams[0])
    repairs = _repair_lines(world, streams[1])
    recalls = _recalls(world, history, streams[2])
    lines = [_planned_lines(world, history, dirt, streams[3]), _part_lines(history), _failure_lines(failed), repairs, _test_lines(tests)]
    lines += [_recall_lines(recalls), _accident_lines(world, streams[5])]
    lines = pd.concat(lines, ignore_index=True)
    begin = np.maximum(HISTORY_DAYS, world.vehicles["join_day"]).to_numpy()
    lines = lines[(lines["day"] >= begin[lines["v"]]) & (lines["day"] < len(world.odometer))]
    lines = lines.sort_values(["day", "v"], kind="stable", ignore_index=True)
    number = lines.groupby(["day", "v"], sort=True).ngroup() + 1
    lines["visit"] = "W" + number.astype(str).str.zfill(5)
    visits = lines.drop_duplicates(["v", "day"]).set_index(["v", "day"])["visit"]
    work = _work_table(world, lines, dirt, streams[4])
    defects = _defects(world, lines, visits, dirt, streams[5])
    tables = {"work": work, "defects": defects, "certificates": certificates}
    tables |= {"campaigns": _campaign_table(world, recalls, visits), "deferrals": _deferrals(world, history, defects, streams[5])}
    return tables, visits


def _planned_lines(world, history, dirt, rng):
    t, grid = history.tasks, history.grid
    code, position = grid.code[t["v"], t["column"]], grid.position[t["v"], t["column"]]
    hours = grid.hours[t["v"], t["column"]] * (0.9 + 0.4 * rng.random(len(t)))
    frame = pd.DataFrame({"v": t["v"], "day": t["day"], "task": code, "position": position, "why": "planned", "labour_hours": hours.round(2)})
    frame["parts_cost"] = grid.parts_cost[t["v"], t["column"]]
    looks = frame["task"].str.contains("|".join(LOOKING))
    skipped = looks & (rng.random(len(t)) < 0.006 * dirt)
    found = frame.merge(_findings(history), how="left", on=["v", "day", "task", "position"])["result"].to_numpy()
    frame["result"] = np.where(skipped, "not-checked", np.where(pd.notna(found), found, np.where(looks, "pass", "")))
    again = frame[frame["result"].eq("fail")].assign(result="pass", labour_hours=0.1, note="looked at again once mended")
    return pd.concat([frame, again], ignore_index=True)


def _findings(history):
    """Result of the inspections that found something: advisory at the change depth, fail well below it."""
    spans = history.spans[history.spans["reason"].eq("worn")].join(history.slots, on="slot")
    spans = spans[spans["category"].isin(["tyre", "brake-pad", "chain"]) & (spans["inspected_by"] >= 0)]
    item = ITEMS.iloc[spans["item"]]
    allowance = (item["new"] - item["limit"]).abs().to_numpy()
    task, position = (a[spans["v"], spans["inspected_by"]] for a in (history.grid.code, history.grid.position))
    frame = pd.DataFrame({"v": spans["v"], "day": spans["to"], "task": task, "position": position})
    frame["result"] = np.where(spans["read"] > 1.09 * allowance, "fail", "advisory")
    return frame.sort_values("result", ascending=False, kind="stable").drop_duplicates(["v", "day", "task", "position"]).replace({"result": {"": None}})


def _part_lines(history):
    """Fitting of parts: their price stands in table fitted, so the line has none."""
    spans = history.spans[(history.spans["reason"] != "") & (history.spans["to"] < NEVER)].join(history.slots, on="slot")
    new = spans[spans["reason"].isin(["worn", "convenience", "pair", "damaged"])]
    lines = pd.DataFrame({"v": new["v"], "day": new["to"], "task": new["category"].map(REPLACING), "position": new["position"]})
    lines.loc[new["category"].isin(["air-filter", "chain"]), "position"] = ""
    lines = lines.assign(why=np.where(new["reason"].eq("damaged"), "defect", "planned"), labour_hours=0.0, parts_cost=0.0, labour_cost=0.0)
    lines["done_by"] = np.where(new["reason"].eq("damaged"), "roadside", "")
    moved = spans[spans["reason"].isin(list(MOVING))].drop_duplicates(["v", "to", "reason"])
    turn = pd.DataFrame({"v": moved["v"], "day": moved["to"], "task": moved["reason"].map(MOVING), "why": "planned", "labour_hours": 0.7})
    return pd.concat([lines, turn.assign(position="", parts_cost=0.0)], ignore_index=True)


def _failure_lines(failed):
    own = failed[failed["reason"].eq("failed")]
    frame = pd.DataFrame({"v": own["v"], "day": own["to"], "task": own["category"] + "-replace", "why": "defect", "labour_hours": 0.0})
    position = np.where(own["category"].eq("battery"), "", own["position"])
    return frame.assign(position=position, parts_cost=0.0, labour_cost=0.0, done_by=np.where(own["category"].eq("battery"), "roadside", ""))


def _repair_lines(world, rng):
    """One line a repair; under warranty it costs nothing."""
    r = world.repairs
    task = REPAIRS[np.minimum((rng.random(len(r)) ** 1.3 * len(REPAIRS)).astype(int), len(REPAIRS) - 1)]
    free = (r["day"] - world.vehicles["in_day"].to_numpy()[r["v"]]) <= CHANCES["repair_in_warranty_days"]
    labour = np.where(free, 0.0, r["cost"] * (0.35 + 0.3 * rng.random(len(r)))).round(2)
    parts = np.where(free, 0.0, r["cost"].round(2) - labour).round(2)
    rate = world.setting.labour_rate or 46.0
    frame = pd.DataFrame({"v": r["v"], "day": r["day"], "task": task, "position": "", "why": "defect", "labour_hours": (r["cost"] * 0.5 / rate).round(2)})
    frame = frame.assign(labour_cost=labour, parts_cost=parts, paid_by=np.where(free, "warranty", ""), repair=True)
    return frame.assign(done_by=np.where(rng.random(len(r)) < 0.25, "contractor", "workshop"))


def _certificates(world, rng):
    """Yearly tests from the third birthday: the tests, and table certificates. One is left to expire, one is about to."""
    vehicles, today = world.vehicles, pd.Timestamp(world.setting.last)
    expiry = pd.Series(world.dates(vehicles["in_day"])) + pd.DateOffset(years=3) - pd.Timedelta(days=1)
    begin = pd.Series(world.dates(np.maximum(HISTORY_DAYS, vehicles["join_day"])))
    end = pd.Series(world.dates(vehicles["end_day"])).fillna(today)
    rows = [pd.DataFrame({"v": vehicles.index, "tested": pd.NaT, "valid_to": expiry, "result": ""})]
    while ((expiry < today + pd.Timedelta(days=28)) & (expiry < end)).any():
        before = rng.integers(11, 27, len(expiry))
        fails, again = rng.random(len(expiry)) < 0.12, rng.integers(2, 10, len(expiry))
        test = expiry - pd.to_timedelta(before, unit="D")
        failed = pd.DataFrame({"v": vehicles.index, "tested": test, "valid_to": test, "result": "fail"})[fails]
        test = test + pd.to_timedelta(np.where(fails, again, 0), unit="D")
        expiry = expiry + pd.DateOffset(years=1)
        rows += [failed, pd.DataFrame({"v": vehicles.index, "tested": test, "valid_to": expiry, "result": "pass"})]
    frame = pd.concat(rows, ignore_index=True)
    frame = frame[~(frame["tested"] > end.clip(upper=today)[frame["v"]].to_numpy())]
    frame = _let_lapse(world, frame, today)
    frame = frame[frame["valid_to"] >= begin[frame["v"]].to_numpy()].sort_values(["tested", "v"], kind="stable", na_position="first", ignore_index=True)
    frame["valid_to"] = frame["valid_to"].astype("datetime64[ns]")
    table = pd.DataFrame({"vehicle": vehicles["vehicle"].to_numpy()[frame["v"]], "kind": "roadworthiness", **frame[["tested", "valid_to", "result"]]})
    tests = frame.dropna(subset=["tested"])
    day = (tests["tested"] - pd.Timestamp(world.start)).dt.days
    return tests.assign(day=day), table


def _let_lapse(world, frame, today):
    """Take away the newest test of one vehicle whose last certificate ran out lately, and of one whose runs out soon."""
    if world.n < 12:
        return frame
    passed = frame[frame["result"].ne("fail") & world.vehicles["end_day"].eq(NEVER).to_numpy()[frame["v"]]]
    newest = passed[passed["valid_to"].eq(passed.groupby("v")["valid_to"].transform("max")) & passed["tested"].notna()]
    old = newest["valid_to"] - pd.DateOffset(years=1)
    days = (old - today).dt.days
    idle = world.laid_up[-1, newest["v"]]
    lapsed, ending = days[(days < -3) & ~idle].nlargest(1).index, days[(days > 5) & ~idle].nsmallest(1).index
    gone = frame.loc[lapsed.union(ending), ["v"]].assign(after=newest["tested"] - pd.Timedelta(days=20)).set_index("v")["after"]
    return frame[~(frame["tested"] > frame["v"].map(gone))]


def _test_lines(tests):
    frame = pd.DataFrame({"v": tests["v"], "day": tests["day"], "task": "roadworthiness-test", "position": "", "why": "planned"})
    return frame.assign(result=tests["result"], labour_hours=0.5, labour_cost=0.0, parts_cost=0.0, other_cost=TEST_FEE, done_by="contractor")


def _recalls(world, history, rng):
    """A safety recall of some motorcycles, open on one of them; a campaign of the vans, all done."""
    v = world.vehicles
    last = len(world.odometer) - 1
    two = v.index[v["kind"].eq("motorcycle") & (v["in_day"] < last - 500) & v["end_day"].eq(NEVER)][-7:]
    vans = v.index[v["kind"].isin(["van", "car"]) & (v["in_day"] < last - 600) & v["end_day"].eq(NEVER)][:3]
    recall = pd.DataFrame({"v": two, "campaign": "SR-26-04", "issued": last - 170, "kind": "safety-recall", "by": last - 20, "note": "front brake hose"})
    other = pd.DataFrame({"v": vans, "campaign": "C-25-11", "issued": last - 480, "kind": "campaign", "by": NEVER, "note": "software of the charging control"})
    frame = pd.concat([recall, other], ignore_index=True)
    done = frame["issued"] + rng.integers(12, 130, len(frame))
    planned = history.occasions[history.occasions["planned"]]
    key = np.sort((planned["v"] * 100000 + planned["day"]).to_numpy())
    found = key[np.minimum(np.searchsorted(key, frame["v"] * 100000 + done), len(key) - 1)] if len(key) else np.zeros(len(frame))
    frame["done"] = np.where((found // 100000 == frame["v"]) & (found % 100000 <= last), found % 100000, NEVER)
    frame.loc[frame.index[frame["campaign"].eq("SR-26-04")][-1:], "done"] = NEVER if world.n >= 12 else last - 90
    return frame


def _recall_lines(recalls):
    own = recalls[recalls["done"] < NEVER]
    frame = pd.DataFrame({"v": own["v"], "day": own["done"], "task": "recall-" + own["campaign"].str.lower(), "position": "", "why": "campaign"})
    return frame.assign(paid_by="third-party", labour_hours=0.0, labour_cost=0.0, parts_cost=0.0, done_by="contractor")


def _campaign_table(world, recalls, visits):
    r = recalls
    ids = visits.reindex(pd.MultiIndex.from_frame(r[["v", "done"]])).to_numpy()
    frame = pd.DataFrame({"vehicle": world.vehicles["vehicle"].to_numpy()[r["v"]], "campaign": r["campaign"], "issued": world.dates(r["issued"])})
    return frame.assign(kind=r["kind"], by=world.dates(r["by"]), done=world.dates(r["done"]), visit=ids, note=r["note"])


def _accident_lines(world, rng):
    """An accident mended at the insurer's cost but for the excess, and the assessment of the one written off."""
    v, last = world.vehicles, len(world.odometer) - 1
    some = v.index[v["kind"].isin(["pickup", "car"]) & v["end_day"].eq(NEVER) & (v["join_day"] < last - 700)][:1]
    lost = v.index[v["disposal"].eq("written-off")]
    mended = pd.DataFrame({"v": some, "day": last - 400, "task": "repair-bodywork", "labour_cost": 780.0, "parts_cost": 1140.0, "recovered": 1670.0})
    looked = pd.DataFrame({"v": lost, "day": v.loc[lost, "end_day"] - 20, "task": "accident-assessment", "labour_cost": 120.0, "parts_cost": 0.0})
    frame = pd.concat([mended, looked.assign(recovered=0.0)], ignore_index=True)
    return frame.assign(position="", why="accident", labour_hours=(frame["labour_cost"] / 46).round(1), done_by="contractor", note="insurer's claim")


def _work_table(world, lines, dirt, rng):
    rate, n = world.setting.labour_rate, len(lines)
    lines = lines.reset_index(drop=True)
    labour = lines["labour_cost"].fillna((lines["labour_hours"] * rate).round(2))
    done_by = lines["done_by"].replace("", np.nan).fillna(world.setting.done_by)
    other = lines["other_cost"].fillna(0.0)
    paid = labour + lines["parts_cost"] + other
    taxed = done_by.eq("contractor") & (paid > 0) & (world.setting.money == "net")
    frame = pd.DataFrame({"visit": lines["visit"], "vehicle": world.vehicles["vehicle"].to_numpy()[lines["v"]], "date": world.dates(lines["day"])})
    frame["odometer"] = reading(world, lines["v"], lines["day"])
    frame = frame.assign(task=lines["task"], position=lines["position"], why=lines["why"], result=lines["result"], paid_by=lines["paid_by"])
    frame = frame.assign(labour_hours=lines["labour_hours"], labour_cost=labour, parts_cost=lines["parts_cost"].round(2), other_cost=other)
    frame = frame.assign(recovered=lines["recovered"], tax=(0.2 * paid).round(2).where(taxed), done_by=done_by, note=lines["note"])
    frame["invoice"] = ("INV-" + lines["visit"].str[1:]).where(done_by.eq("contractor"))
    typed = rng.integers(0, 6, n) + np.where(rng.random(n) < 0.03, 45, 0)
    frame["recorded"] = world.dates(lines["day"]) + pd.to_timedelta(typed, unit="D")
    blank = pd.Series(rng.random(n) < 0.05 * dirt)
    frame["odometer"] = frame["odometer"].mask(lines["visit"].map(dict.fromkeys(lines["visit"].unique()[::13], True)).notna() & bool(dirt))
    for c in ("labour_cost", "parts_cost"):
        frame[c] = frame[c].mask(blank & lines["why"].ne("accident"))
    return frame


def _defects(world, lines, visits, dirt, rng):
    """Defects behind most repairs and every failed inspection; some found days before they were mended, and two still open."""
    rep = lines[lines["repair"].eq(True) & (rng.random(len(lines)) < 0.75)]
    wait = np.where(rng.random(len(rep)) < 0.45, rng.integers(1, 15, len(rep)), 0)
    grade = np.array(["note", "advisory", "before-next-use", "off-road"])[np.searchsorted([0.15, 0.6, 0.88], rng.random(len(rep)))]
    found = rep["day"] - wait
    own = pd.DataFrame({"v": rep["v"], "found": found, "closed": rep["day"], "category": rep["task"].str[7:], "text": rep["task"].map(FINDINGS)})
    own = own.assign(grade=grade, position="", closed_as=np.where(rng.random(len(rep)) < 0.1, "no-fault-found", "mended"))
    bad = lines[lines["result"].eq("fail") & lines["task"].isin(["tyres-inspect", "brake-pads-inspect", "chain-adjust"])]
    worn = pd.DataFrame({"v": bad["v"], "found": bad["day"], "closed": bad["day"], "category": bad["task"].str.split("-").str[0], "grade": "off-road"})
    worn = worn.assign(text=worn["category"] + " worn past the change limit", position=bad["position"], closed_as="replaced")
    frame = pd.concat([own, worn, _open_defects(world)], ignore_index=True)
    begin = np.maximum(HISTORY_DAYS, world.vehicles["join_day"]).to_numpy()
    frame["found"] = np.maximum(frame["found"], begin[frame["v"]])
    frame = frame.sort_values(["found", "v"], kind="stable", ignore_index=True)
    table = pd.DataFrame({"defect": "D" + pd.Series(frame.index + 1).astype(str).str.zfill(4), "vehicle": world.vehicles["vehicle"].to_numpy()[frame["v"]]})
    table = table.assign(found=world.dates(frame["found"]), odometer=reading(world, frame["v"], frame["found"]), position=frame["position"])
    table = table.assign(category=frame["category"], text=frame["text"], grade=frame["grade"])
    table["found_visit"] = visits.reindex(pd.MultiIndex.from_frame(frame[["v", "found"]])).to_numpy()
    table["closed"] = world.dates(frame["closed"])
    table["closing_visit"] = visits.reindex(pd.MultiIndex.from_frame(frame[["v", "closed"]])).to_numpy()
    table["closed_as"] = frame["closed_as"]
    table["odometer"] = table["odometer"].mask(pd.Series(rng.random(len(table)) < 0.1 * dirt))
    return table


def _open_defects(world):
    last = len(world.odometer) - 1
    v = world.layups["v"][world.layups["reason"].eq("awaiting-parts")].to_numpy()
    alive = world.vehicles.index[world.vehicles["end_day"].eq(NEVER) & ~world.vehicles.index.isin(v)].to_numpy()[-1:]
    off = pd.DataFrame({"v": v, "found": last - 10, "category": "fork", "position": "front", "text": "fork seal leaks on to the brake disc", "grade": "off-road"})
    minor = pd.DataFrame({"v": alive, "found": last - 45, "category": "exhaust", "position": "", "text": "exhaust joint blows slightly", "grade": "advisory"})
    return pd.concat([off, minor], ignore_index=True).assign(closed=NEVER, closed_as="")


def _deferrals(world, history, defects, rng):
    """Work put off on purpose: an open defect, and a few tasks."""
    last = len(world.odometer) - 1
    advisory = defects[defects["closed"].isna() & defects["grade"].eq("advisory")]
    first = pd.DataFrame({"vehicle": advisory["vehicle"], "defect": advisory["defect"], "date": advisory["found"], "until": world.dates(last + 20), "reason": "parts on order"})
    t = history.tasks[(history.tasks["day"] > HISTORY_DAYS + 200) & (history.tasks["column"] < 3)]
    t = t[t["day"] <= last].iloc[:: max(len(t) // 5, 1)][:5]
    day = t["day"].to_numpy() - rng.integers(4, 20, len(t))
    names, codes = world.vehicles["vehicle"].to_numpy()[t["v"]], history.grid.code[t["v"], t["column"]]
    tasks = pd.DataFrame({"vehicle": names, "task": codes, "date": world.dates(day), "until": world.dates(t["day"])})
    ahead = reading(world, t["v"].to_numpy(), t["day"].to_numpy())
    reasons = np.array(["vehicle on the far shore", "workshop full", "parts late", "away on loan", "weather"])[np.arange(len(t)) % 5]
    return pd.concat([first, tasks.assign(until_odometer=ahead, reason=reasons)], ignore_index=True)
