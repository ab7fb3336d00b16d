"""What a plan asks of each vehicle, which rows of a log count as having done it, and how hard the
vehicle was used, by the rows that could be known on the day that it is asked (R8). A series is one
task at one position of one vehicle; whatever was done for any reason counts (R16), but for failed
inspections (R12). Common practice, no source."""

from functools import lru_cache

import numpy as np
import pandas as pd

from wearbar.intervals.due import FAR
from wearbar.intervals.failed import found_by, kinds_tested
from wearbar.log.keys import is_among, last_of_all, least_after, look_up, order_by, stacked
from wearbar.log.schema import RESETS_NOTHING, SHARES, TEXT
from wearbar.usage.distance import as_days, days_of, known_on, numbers_of
from wearbar.usage.rates import driven, within_readings

LIMITS = "^(first|every|severe)_(km|hours|days|months)$"
PLAIN = ["plan", "task", "title", "position", "action", "safety", "statutory"]
KEYS = "key plan code title positions action safety statutory measured_from fits first_after"
STANDS, PART = ["plan", "table", "what"], ["vehicle", "category", "position", "fitted"]
COVERAGE = 0.5  # of the trailing distance must be described by `use`, or the duty is not known
TRAILING, AGAIN = 365, pd.Timedelta(days=182)
ACT = ["date", "odometer_km", "hours", "position", "visit", "planned", "known"]
FITTED = ["part", "fitted_odometer_km", "removed", "reason", "visit", "recorded"]
WORK = ["vehicle", "task", *ACT[:5], "why", "result", "recorded"]


def series_of(log):
    """(series, rules) of a log by its plan.

    series: one row a series, with its task's latest version, `key` (of plan and task), `own` (its
    vehicle's row), `told_from`, where certificates tell its expiry: it ends with the first known. A
    task without a limit has none. rules: the plan's tasks with `key`, its versions oldest first."""
    rules, latest, *_ = _told_by(log.plan)
    vehicles = log.tables["vehicles"][["vehicle"]]
    vehicles = vehicles.assign(plan=log.plan_for(vehicles["vehicle"]), own=range(len(vehicles)))
    series = vehicles.merge(latest, on="plan").assign(told_from=np.datetime64("NaT", "ns"))
    expires = series.loc[series["measured_from"].eq("expiry"), ["vehicle", "task"]].reset_index()
    c = log.tables["certificates"]
    if c.empty or expires.empty:
        return series, rules
    # a paper without its test came with the vehicle
    came_with = look_up(c["vehicle"], log.joined).clip(upper=c["valid_to"])
    c = c.assign(told_from=known_on(c["tested"].fillna(came_with), c["recorded"]))
    tests = expires.merge(c, on="vehicle").merge(kinds_tested(expires["task"], c["kind"]))
    told_from = tests.groupby("index")["told_from"].min().reindex(series.index)
    return series.assign(told_from=told_from), rules


@lru_cache(maxsize=8)
def _told_by(plan):
    """(rules, latest versions with a limit, a row a position, what stands for each task, what each
    also does and when) of a plan."""
    plans = plan.plans[["plan", "valid_from", "valid_to", "unknown_history"]]
    on = ["plan", "valid_from"]
    rules = plan.tasks.merge(plans.drop(columns="valid_to"), on=on, how="left")
    rules = rules.sort_values("valid_from", na_position="first", kind="stable")
    rules["key"] = rules.groupby(["plan", "code"], sort=False).ngroup()
    limited = rules.loc[rules.filter(regex=LIMITS).notna().any(axis=1), "key"]
    keys = rules[KEYS.split()].drop_duplicates("key", keep="last")
    latest = keys[keys["key"].isin(limited)]
    latest = latest.rename(columns={"code": "task", "positions": "position"})
    latest["position"] = latest["position"].map(lambda names: list(names) or [""])
    latest = latest[["key", "measured_from", *PLAIN]].explode("position").astype({"position": TEXT})
    rules = rules.sort_values("key", kind="stable", ignore_index=True)
    # its own code, the category that it fits, the parts that restart it
    keys = keys.sort_values("key", kind="stable", ignore_index=True)
    keys = keys.assign(has_places=keys["positions"].map(bool).astype(bool), restarts=False)
    parts = keys.explode("first_after").assign(restarts=True, has_places=False)
    stands = [keys.assign(what=keys["code"], table="work")]
    stands.append(keys.assign(what=keys["fits"], table="fitted"))
    stands.append(parts.assign(what=parts["first_after"], table="fitted"))
    stands = stacked([of[[*STANDS, "key", "has_places", "restarts"]].dropna() for of in stands])
    # by the version in force that day (R10: never a statutory task, which covers do not hold)
    own = keys[["plan", "code", "key"]]
    covers = plan.covers.merge(own, on=["plan", "code"]).merge(plans, on=on)
    other = own.set_axis(["plan", "covered", "other"], axis=1)
    covers = covers.merge(other, on=["plan", "covered"])[["key", "other", "valid_from", "valid_to"]]
    return rules, latest, stands.astype(dict.fromkeys(STANDS, TEXT)), covers


def acts_of(log, series):
    """Every doing of every series: frame `series` (row of `series`), `date, odometer_km, hours,
    visit, restarts, planned, known`, sorted, one row a series and day.

    A row without a position counts at all of the task's positions; `covers` reach the same alone
    (R10). planned: no repair, recall or advice (R16), nor a part put on for one that failed or was
    damaged. restarts: its first limits apply again, a part of `first_after` was fitted (R7)."""
    work, (*_, stands, covers) = log.si("work")[WORK], _told_by(log.plan)
    planned = work["why"].eq("planned").fillna(True).astype(bool)
    work = work.assign(planned=planned, known=known_on(work["date"], work["recorded"]))
    work = stacked([work[~work["result"].isin(RESETS_NOTHING)], _mended(log, work)])
    did = (work, "task", "work"), (_new_parts(log), "category", "fitted")
    did = [rows.assign(what=rows[name], table=table) for rows, name, table in did]
    did = stacked([rows.reindex(columns=["vehicle", *STANDS[1:], *ACT]) for rows in did])
    did["plan"] = log.plan_for(did["vehicle"])
    direct = did.merge(stands, on=STANDS).drop(columns=STANDS)
    direct["position"] = direct["position"].where(direct.pop("has_places"))
    acts = direct
    if direct["key"].isin(covers["key"]).any():
        also = direct.merge(covers, on="key")
        in_force = ~(also["date"] < also["valid_from"]) & ~(also["date"] > also["valid_to"])
        acts = stacked([direct, also[in_force].assign(key=also["other"])[direct.columns]])
    places = series[["vehicle", "key", "position"]].rename_axis("series").reset_index()
    acts = acts.merge(places, on=["vehicle", "key"], suffixes=("", "_of"))
    acts = acts[acts["position"].isna() | (acts["position"] == acts["position_of"]).astype(bool)]
    # one a day: of those known first the highest reading; none that a later one was known before
    acts = acts.drop(columns=["vehicle", "key", "position", "position_of"])
    km, hours = (np.nan_to_num(acts[c].to_numpy(), nan=-np.inf) for c in ("odometer_km", "hours"))
    key = acts["series"].to_numpy() * FAR + as_days(acts["date"])
    order = order_by(key, km, hours)
    key, known = key[order], acts["known"].to_numpy()[order]
    is_first = np.diff(key, prepend=-FAR) != 0
    least = np.minimum.reduceat(known, np.flatnonzero(is_first))[np.cumsum(is_first) - 1]
    order, key = order[known == least], key[known == least]
    first = np.flatnonzero(np.diff(key, prepend=-FAR))
    some = {
        c: np.logical_or.reduceat(acts[c].values[order], first) for c in ("restarts", "planned")
    }
    acts = acts.take(order[np.diff(key, append=np.inf) != 0]).assign(**some)
    if (acts["known"] > acts["date"]).any():
        acts = acts[~(acts["known"] > least_after(acts["known"], acts["series"]))]
    return acts.reset_index(drop=True)


def _new_parts(log):
    """Rows of `fitted` that put on a part for the first time in this log, as acts."""
    if log.tables["fitted"].empty:
        return log.tables["fitted"]
    fitted = log.si("fitted")[[*PART, *FITTED]]
    broke = fitted[fitted["reason"].isin(["failed", "damaged", "recalled"])]
    broke = broke[~(broke["recorded"] > broke["removed"])].assign(fitted=broke["removed"])
    fitted = fitted.dropna(subset="fitted").sort_values("fitted", kind="stable")
    fitted["known"] = known_on(fitted["fitted"], fitted["recorded"])
    fitted["planned"] = ~is_among(fitted, broke, PART)
    before = fitted.groupby("part")["known"].cummin().groupby(fitted["part"]).shift()
    acts = fitted[~(before <= fitted["known"])].assign(hours=np.nan)
    return acts.rename(columns={"fitted": "date", "fitted_odometer_km": "odometer_km"})


def _mended(log, work):
    """Failed inspections whose defects are all closed, as acts on the day the last was (R12)."""
    fails = work[work["result"].eq("fail") & work["visit"].notna()]
    if fails.empty:
        return fails
    fails = fails.rename_axis("fail").reset_index()
    found = found_by(fails, log)
    known = known_on(found["found"], found["recorded_of"])
    in_time = last_of_all(found[~(known > found["found"])].groupby("fail")["closed"])
    found = found[~(known > look_up(found["fail"], in_time))]
    closed = last_of_all(found.groupby("fail")["closed"])
    acts = fails.assign(date=look_up(fails["fail"], closed), planned=False).dropna(subset="date")
    known = known_on(acts["date"], acts["recorded"])
    return acts.assign(odometer_km=np.nan, hours=np.nan, known=known)


def duty_of(log, vehicles, path, readings):
    """Whether the trailing 365 days met the plan's severe condition, as was known on that day:
    frame `code` (place in `vehicles`, as in `path`), `day`, `hard` (1, 0, or -1 not known) and the
    share of each kind of use where enough is known, sorted, a row each day on which a period of
    `use` came to be known, and 182 days later."""
    plans = log.plan.plans[log.plan.plans["severe_when"].map(bool).to_numpy(dtype=bool)]
    if plans.empty or log.tables["use"].empty:
        return log.tables["use"].head(0)[[*SHARES]].assign(code=0, day=0.0, hard=-1)
    use = log.si("use").dropna(subset=["from", "to"])
    use = use.assign(code=vehicles.get_indexer(use["vehicle"]), plan=log.plan_for(use["vehicle"]))
    use["known"] = known_on(use["to"], use["recorded"])
    use = use[use["plan"].isin(plans["plan"]) & (use["code"] >= 0) & (use["known"] <= log.as_of)]
    if use.empty:
        return use[["code", *SHARES]].assign(day=0.0, hard=-1)
    asked = use[["code", "plan", "known"]].rename(columns={"known": "day"})
    asked = pd.concat([asked, asked.assign(day=asked["day"] + AGAIN)]).drop_duplicates()
    asked = asked[asked["day"] <= log.as_of].sort_values(["day", "code"], ignore_index=True)
    # the distance of the year before each, by readings known then
    last = days_of(asked["day"])
    seen = readings.loc[readings["distance_km"].notna(), ["vehicle", "known", "date"]]
    seen = seen.rename(columns={"known": "day"}).sort_values(["day", "date"], kind="stable")
    seen["code"] = numbers_of(vehicles, seen["vehicle"])
    seen["date"] = seen.groupby("code")["date"].cummax()
    latest = pd.merge_asof(asked, seen, on="day", by="code")["date"]
    until = np.minimum(days_of(latest), last)
    begin, stop = within_readings(path, asked["code"], last - TRAILING, until)
    gone = driven(path, asked["code"], begin, stop)
    # the rows of `use` known by then and not a year old, with the `km` of each in that year
    use = use.assign(known=days_of(use["known"]), opens=days_of(use["from"]) - 1)
    use = use.assign(ends=days_of(use["to"])).select_dtypes("number")
    both = asked[["code"]].assign(row=np.arange(len(last)), day=last).merge(use, on="code")
    both = both[(both["known"] <= both["day"]) & (both["day"] < both["ends"] + TRAILING)]
    begin, stop, own = begin[both["row"]], stop[both["row"]], both["distance_km"]
    # what is not told by distance reaches no further than the readings
    ends = both["ends"].clip(upper=stop).clip(lower=both["opens"]).where(own.isna(), both["ends"])
    km = own.fillna(pd.Series(driven(path, both["code"], both["opens"], ends), both.index))
    inside = (ends.clip(upper=stop) - both["opens"].clip(lower=begin)).clip(lower=0)
    told = both.assign(km=km * inside / (ends - both["opens"]).clip(lower=1))
    # of each kind of use, how much of the distance is told of, and how much of that was so
    shares, rows = told[list(SHARES)], told["row"]
    sums = (x.mul(told["km"], axis=0).groupby(rows).sum() for x in (shares.notna(), shares))
    known, met = (of.reindex(asked.index, fill_value=0.0) for of in sums)
    covers, share, hard = known.div(gone, axis=0) >= COVERAGE, met / known, np.full(len(asked), -1)
    for version in plans.itertuples():
        asks, names = pd.Series(version.severe_when), list(version.severe_when)
        is_met = (covers[names] & (share[names] >= asks - 1e-9)).any(axis=1)
        holds = asked["plan"].eq(version.plan) & ~(asked["day"] < version.valid_from)
        holds &= ~(asked["day"] > version.valid_to)
        duty = np.select([is_met, covers[names].all(axis=1)], [1, 0], -1)
        hard = np.where(holds.to_numpy(dtype=bool), duty, hard)
    found = asked[["code"]].assign(day=days_of(asked["day"]).astype(float), hard=hard)
    found = found.join(share.where(covers))
    return found.sort_values(["code", "day"], ignore_index=True)
