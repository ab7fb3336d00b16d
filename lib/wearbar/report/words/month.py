"""The month for the first page and findings.json; its words are in shared/words/month.md.j2."""

import base64

import pandas as pd

from wearbar.outlook import month, moved
from wearbar.outlook.month import SIDES, UNITS
from wearbar.report.quantities import Show, plain
from wearbar.report.report import records_of
from wearbar.report.template import words_of

SHOWN = 6  # months of trend
ENDING = ("certificate", "warranty", "campaign")  # of the action list
LATER = ("ends soon", "coming")


def month_in(log, actions, asked):
    """(the month for findings.json, what month.html.j2 needs) of the vehicles of a log. actions: of
    the action list, dicts in words. asked: as `reports.check` gives it. In the second `say` gives
    the text of a block of the words."""
    from wearbar.report.charts import style, vehicles  # a report says what it imported

    show, confidence = Show(log.units).with_distance(asked["units"]), asked["confidence"]
    past, rows = month.by_month(log), month.month_of(log, confidence)
    frames = {"rows": rows, "months": past.tail(SHOWN).reset_index()}
    frames |= {"movers": moved.movers(log), "doubts": moved.doubts(log)}
    found = {name: records_of(frame) for name, frame in frames.items()}
    year = moved.to_date(log, "" if asked["vehicle"] else asked["site"])
    found["to_date"] = records_of(pd.DataFrame([year]))[0] if year else {}
    days = [past.index[-1] - pd.DateOffset(months=n) for n in (0, *SIDES.values()) if len(past)]
    sides = [side for side in SIDES if len(rows) and rows[side].notna().any()]
    changes = [(row, side) for row in found["rows"] for side in sides]
    ns = {row[f"n_{side}"] for row, side in changes if row[f"low_{side}"] is not None}
    few = not ns and any(row[f"why_{side}"] == "few vehicles" for row, side in changes)
    ends = [r for r in actions if r["kind"] in ENDING and r["urgency"] in LATER]
    of = {"log": log, "show": show, "n": len(log.tables["vehicles"]), "confidence": confidence}
    of |= {"days": dict(zip(("this", *SIDES), days, strict=False)), "sides": sides, "ns": list(ns)}
    of |= {"few": few} | {name: frames[name] for name in ("movers", "doubts")}
    of |= {"year": year, "ends": ends, "n_months": len(past), "least": month.LEAST_VEHICLES}
    of |= {"sites": log.tables["vehicles"]["site"].nunique(), "least_months": moved.LEAST_MONTHS}
    words = words_of("month", **of)

    def say(block, **more):
        return plain(words(block, **more))

    past, trend = past.tail(SHOWN), None
    told = [name for name in UNITS if past[name].notna().any()]
    if told and len(past) > 1:
        turned = past[told].apply(lambda x: show.scale(UNITS[x.name]).turn(x))
        figure = vehicles.months(turned, [say("axis", measure=name) for name in told])
        alt = " ".join(say("alt", measure=name, past=past[name]) for name in told)
        trend = {"alt": alt, "png": base64.b64encode(style.png(figure)).decode()}
    rows = rows.to_dict("records")
    return found, {"say": say, "rows": rows, "sides": sides, "few": few, "trend": trend}
