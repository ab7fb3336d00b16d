"""Lines of work: v, day, task, position, why and what it took, before they become visits."""

import numpy as np
import pandas as pd

from wearbar_synthetic.plans import recheck_limits
from wearbar_synthetic.settings import CHANCES, ITEMS, NEVER
from wearbar_synthetic.world import day_reached

__all__ = [
    "accident_lines",
    "failure_lines",
    "part_lines",
    "planned_lines",
    "recall_lines",
    "recheck_lines",
    "repair_lines",
    "test_lines",
]

REPLACING = {
    "tyre": "tyre-replace",
    "brake-pad": "brake-pads-replace",
    "chain": "chain-replace",
    "air-filter": "air-filter-replace",
}
MOVING = {"rotated": "tyres-rotate", "stored": "wheels-of-the-season", "moved": "wheel-swap"}
LOOKING = ("inspect", "test", "adjust", "level", "tighten")
REPAIRS = np.array(
    [
        "repair-electrics",
        "repair-suspension",
        "repair-engine",
        "repair-cooling",
        "repair-bodywork",
        "repair-clutch",
        "repair-exhaust",
    ]
)
FAILS_PAST = {
    "tyre": 0.9,
    "brake-pad": 0.5,
    "chain": 0.4,
}  # past the change limit by so much, an inspection fails
TEST_FEE = 34.0


def planned_lines(world, history, dirt, rng):
    t, grid = history.tasks, history.grid
    code, position = grid.code[t["v"], t["column"]], grid.position[t["v"], t["column"]]
    hours = grid.hours[t["v"], t["column"]] * (0.9 + 0.4 * rng.random(len(t)))
    frame = pd.DataFrame(
        {
            "v": t["v"],
            "day": t["day"],
            "task": code,
            "position": position,
            "why": "planned",
            "labour_hours": hours.round(2),
        }
    )
    frame["parts_cost"] = grid.parts_cost[t["v"], t["column"]]
    looks = frame["task"].str.contains("|".join(LOOKING))
    skipped = looks & (rng.random(len(t)) < 0.006 * dirt)
    found = frame.merge(_findings(history), how="left", on=["v", "day", "task", "position"])[
        "result"
    ].to_numpy()
    frame["result"] = np.where(
        skipped, "not-checked", np.where(pd.notna(found), found, np.where(looks, "pass", ""))
    )
    again = frame[frame["result"].eq("fail")].assign(
        result="pass", labour_hours=0.1, note="looked at again once mended"
    )
    return pd.concat([frame, again], ignore_index=True)


def _findings(history):
    """Result of the inspections that found something: advisory at the change depth, fail well below it."""
    spans = history.spans[history.spans["reason"].eq("worn")].join(history.slots, on="slot")
    spans = spans[
        spans["category"].isin(["tyre", "brake-pad", "chain"]) & (spans["inspected_by"] >= 0)
    ]
    item = ITEMS.iloc[spans["item"]]
    allowance = (item["new"] - item["limit"]).abs().to_numpy()
    task, position = (
        a[spans["v"], spans["inspected_by"]] for a in (history.grid.code, history.grid.position)
    )
    frame = pd.DataFrame({"v": spans["v"], "day": spans["to"], "task": task, "position": position})
    frame["result"] = np.where(
        spans["read"] > allowance + spans["category"].map(FAILS_PAST), "fail", "advisory"
    )
    return (
        frame.sort_values("result", ascending=False, kind="stable")
        .drop_duplicates(["v", "day", "task", "position"])
        .replace({"result": {"": None}})
    )


def part_lines(history):
    """Fitting of parts: their price stands in table fitted, so the line has none."""
    spans = history.spans[(history.spans["reason"] != "") & (history.spans["to"] < NEVER)].join(
        history.slots, on="slot"
    )
    new = spans[spans["reason"].isin(["worn", "convenience", "pair", "damaged"])]
    lines = pd.DataFrame(
        {
            "v": new["v"],
            "day": new["to"],
            "task": new["category"].map(REPLACING),
            "position": new["position"],
        }
    )
    lines.loc[new["category"].isin(["air-filter", "chain"]), "position"] = ""
    lines = lines.assign(
        why=np.where(new["reason"].eq("damaged"), "defect", "planned"),
        labour_hours=0.0,
        parts_cost=0.0,
        labour_cost=0.0,
    )
    lines["done_by"] = np.where(new["reason"].eq("damaged"), "roadside", "")
    moved = spans[spans["reason"].isin(list(MOVING))].drop_duplicates(["v", "to", "reason"])
    turn = pd.DataFrame(
        {
            "v": moved["v"],
            "day": moved["to"],
            "task": moved["reason"].map(MOVING),
            "why": "planned",
            "labour_hours": 0.7,
        }
    )
    return pd.concat([lines, turn.assign(position="", parts_cost=0.0)], ignore_index=True)


def failure_lines(failed):
    own = failed[failed["reason"].eq("failed")]
    frame = pd.DataFrame(
        {
            "v": own["v"],
            "day": own["to"],
            "task": own["category"] + "-replace",
            "why": "defect",
            "labour_hours": 0.0,
        }
    )
    position = np.where(own["category"].eq("battery"), "", own["position"])
    return frame.assign(
        position=position,
        parts_cost=0.0,
        labour_cost=0.0,
        done_by=np.where(own["category"].eq("battery"), "roadside", ""),
    )


def repair_lines(world, rng):
    """One line a repair; under warranty it costs nothing."""
    r = world.repairs
    task = REPAIRS[
        np.minimum((rng.random(len(r)) ** 1.3 * len(REPAIRS)).astype(int), len(REPAIRS) - 1)
    ]
    free = (r["day"] - world.vehicles["in_day"].to_numpy()[r["v"]]) <= CHANCES[
        "repair_in_warranty_days"
    ]
    labour = np.where(free, 0.0, r["cost"] * (0.35 + 0.3 * rng.random(len(r)))).round(2)
    parts = np.where(free, 0.0, r["cost"].round(2) - labour).round(2)
    rate = world.setting.labour_rate or 46.0
    frame = pd.DataFrame(
        {
            "v": r["v"],
            "day": r["day"],
            "task": task,
            "position": "",
            "why": "defect",
            "labour_hours": (r["cost"] * 0.5 / rate).round(2),
        }
    )
    frame = frame.assign(
        labour_cost=labour, parts_cost=parts, paid_by=np.where(free, "warranty", ""), repair=True
    )
    return frame.assign(done_by=np.where(rng.random(len(r)) < 0.25, "contractor", "workshop"))


def test_lines(tests):
    frame = pd.DataFrame(
        {
            "v": tests["v"],
            "day": tests["day"],
            "task": "roadworthiness-test",
            "position": "",
            "why": "planned",
        }
    )
    return frame.assign(
        result=tests["result"],
        labour_hours=0.5,
        labour_cost=0.0,
        parts_cost=0.0,
        other_cost=TEST_FEE,
        done_by="contractor",
    )


def recall_lines(recalls):
    own = recalls[recalls["done"] < NEVER]
    frame = pd.DataFrame(
        {
            "v": own["v"],
            "day": own["done"],
            "task": "recall-" + own["campaign"].str.lower(),
            "position": "",
            "why": "campaign",
        }
    )
    return frame.assign(
        paid_by="third-party",
        labour_hours=0.0,
        labour_cost=0.0,
        parts_cost=0.0,
        done_by="contractor",
    )


def accident_lines(world):
    """An accident mended at the insurer's cost but for the excess, and the assessment of the one written off."""
    v, last = world.vehicles, world.last
    some = v.index[
        v["kind"].isin(["pickup", "car"]) & v["end_day"].eq(NEVER) & (v["join_day"] < last - 700)
    ][:1]
    lost = v.index[v["disposal"].eq("written-off")]
    mended = pd.DataFrame(
        {
            "v": some,
            "day": last - 400,
            "task": "repair-bodywork",
            "labour_cost": 780.0,
            "parts_cost": 1140.0,
            "recovered": 1670.0,
        }
    )
    looked = pd.DataFrame(
        {
            "v": lost,
            "day": v.loc[lost, "end_day"] - 20,
            "task": "accident-assessment",
            "labour_cost": 120.0,
            "parts_cost": 0.0,
        }
    )
    frame = pd.concat([mended, looked.assign(recovered=0.0)], ignore_index=True)
    return frame.assign(
        position="",
        why="accident",
        labour_hours=(frame["labour_cost"] / 46).round(1),
        done_by="contractor",
        note="insurer's claim",
    )


def recheck_lines(world, lines, rng):
    """Looking again, soon after, at what the work disturbed, as the plan asks; by the driver, and now and then too late."""
    limits = recheck_limits(world.vehicles["plan"], world.setting.distance)
    did = lines[["v", "day", "task", "position"]].assign(
        plan=world.vehicles["plan"].to_numpy()[lines["v"]]
    )
    did = did.merge(limits, on=["plan", "task"])
    did = did[did["day"] < world.last].reset_index(drop=True)
    v, day, share = did["v"].to_numpy(), did["day"].to_numpy(), rng.random((3, len(did)))
    km = world.odometer[day, v] + did["km"].to_numpy() * (0.4 + 0.5 * share[0])
    look = np.minimum(
        day + np.ceil(did["days"].to_numpy() * (0.3 + 0.7 * share[1])),
        day_reached(world.odometer, v, km),
    )
    look = np.maximum(look, day + 1) + np.where(share[2] < 0.07, 4 + np.round(200 * share[2]), 0)
    frame = did[["v", "position"]].assign(
        day=look.astype(int), task=did["task"] + "-recheck", why="planned", result="pass"
    )
    frame = frame.assign(labour_hours=0.0, labour_cost=0.0, parts_cost=0.0, done_by="driver")
    return frame[(look <= world.vehicles["end_day"].to_numpy()[v])].drop_duplicates(
        ["v", "day", "task", "position"]
    )
