"""How well the forecasts of use would have done: the log replayed at past days, distances asked for, and what became of them.

At each cut the raw tables are cut and everything is read, checked and mended again (`wearbar.usage.replay`). Asked is when each vehicle's
odometer will reach levels 10 to 320 days ahead at its mean rate. The truth is a span between two readings, or open where the level was
not reached by the log's end: such cases stay, since dropping them would keep the fast. Scores: see `wearbar.usage.scoring`. What is used at a
cut, the method and the widening, is chosen on earlier cuts alone, by the score and by what was known then; the scores told are those of
the choices.
"""

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import pandas as pd
from scipy import special

from wearbar import usage
from wearbar.usage.days_of_use import LastYear, usual_layups
from wearbar.usage.distance import days_of
from wearbar.usage.forecast import HORIZONS, fit_hours, fit_usage, score_reached
from wearbar.usage.replay import Replay, cuts_between
from wearbar.usage.scoring import GRID, at_day, crps, shares, truth_of, two_way_se

__all__ = ["BackTest", "back_test", "best_model", "by_horizon", "model_by_test"]

AHEAD = np.array([10, 22, 45, 75, 105, 155, 220, 320])
EVERY_DAYS, WARM_UP_DAYS, AFTER_DAYS, MOST_CUTS = 91, 365, 91, 12
UNREAD_DAYS = 90
LEAST_CASES, LEAST_CUTS = 20, 3  # fewer days than that share one mood of the fleet
SETTLED = 0.9
# the suite's own, by what they look for, and the two naive ones; the first is used where nothing has been scored yet
OWN = {
    "season-and-lay-ups": {"seasonal": True, "usual": True},
    "season": {"seasonal": True, "usual": False},
    "lay-ups": {"seasonal": False, "usual": True},
    "level": {"seasonal": False, "usual": False},
    "season-and-lay-ups-steady": {"seasonal": True, "usual": True, "drifts": False},
    "level-steady": {"seasonal": False, "usual": False, "drifts": False},
}
NAIVE = ("trailing-year", "last-year")
MULTIPLES = np.geomspace(0.5, 4, 43)
NO_WIDENING = (1.0,) * len(HORIZONS)
_FAR = 1e3


@dataclass(frozen=True, eq=False)
class BackTest:
    """cases: one row a (cut, vehicle, days ahead): `cut, vehicle, ahead_days, bin` (number in HORIZONS), `method` (used), `is_reached`,
    and for what was used and each of NAIVE `crps_days`, `interval_days` (the interval score), `inside`, `before` (expected shares, of the
    interval and of its low side), as `crps_days`, `crps_days_trailing-year` and so on; `error` the log of how much later than the median.
    methods: one row a method, `method, crps_days, is_used`, over all cuts: from these the method for today is chosen. used, widen: method
    and widening for today.
    n_cuts: past days for which the record was long enough. common_sd: of the part of the log error that all vehicles share at
    a cut. choices: one row a cut, `cut,
    method, widen, common_sd`, as they were made there.
    """

    cases: pd.DataFrame
    choices: pd.DataFrame
    methods: pd.DataFrame
    used: str
    widen: tuple
    common_sd: float
    confidence: float
    tells_when_recorded: bool
    n_cuts: int = 0

    @property
    def is_told(self):
        """Whether enough was asked, and answered, to judge by."""
        return len(self.cases) > 0 and int(self.cases["is_reached"].sum()) >= LEAST_CASES


def best_model(log, readings, test=None):
    """The `UsageModel` of a log by the method and widening that `test` chose; by the first method where nothing was tested."""
    return (
        _fit(log, readings, test.used, test.widen)
        if test is not None
        else _fit(log, readings, next(iter(OWN)))
    )


@lru_cache(maxsize=2)
def model_by_test(log, confidence):
    """The `UsageModel` of a whole log as its own back-test chose and widened it; kept, for it takes seconds."""
    return best_model(log, usage.readings(log), back_test(log, confidence))


def back_test(log, confidence=0.9, replay=None):
    """The `BackTest` of a log. Needs fifteen months of record for a first cut; `cases` is empty below that."""
    replay = replay or Replay(log)
    cuts = cuts_between(log.first_day, log.as_of, EVERY_DAYS, WARM_UP_DAYS, AFTER_DAYS)[-MOST_CUTS:]
    past = [_asked(replay.at(cut)) for cut in cuts]
    past = [one for one in past if len(one["rows"])]
    now = usage.path_of(usage.readings(log))
    found = [_used(past, k, now, confidence) for k in range(len(past))]
    cases = pd.concat([cases for cases, _ in found], ignore_index=True) if found else pd.DataFrame()
    choices = pd.DataFrame(
        [choice for _, choice in found], columns=["cut", "method", "widen", "common_sd"]
    )
    methods, used, widen = _choose(past, now, confidence)
    return BackTest(
        cases,
        choices,
        methods,
        used,
        widen,
        _common(cases),
        confidence,
        replay.tells_when_recorded(),
        len(cuts),
    )


def _fit(log, readings, method, widen=None):
    if method in NAIVE:
        model = _naive(log, usage.path_of(readings), method, widen)
        return replace(
            model, hours=fit_hours(readings, _fleet(log), log.as_of, log.tables["layups"])
        )
    how = dict(OWN[method])
    stays = log.tables["layups"]
    stays = usual_layups(stays, log.as_of) if how.pop("usual") else stays
    return fit_usage(readings, _fleet(log), log.as_of, stays, widen=widen, **how)


def _fleet(log):
    return log.tables["vehicles"][["vehicle", "kind", "site"]]


def _naive(log, path, method, widen):
    """The mean rate of the trailing year, or last year's days over again: plug-in, as if they were known and only days differed."""
    model = fit_usage(path, _fleet(log), log.as_of, seasonal=False, drifts=False, widen=widen)
    daily = usage.daily_rate(path, log.as_of).set_index("vehicle").reindex(model.vehicles.index)
    rate = daily["rate_km_per_day"].where(daily["rate_km_per_day"] > 0)
    dispersion = model.vehicles["dispersion_days"]
    usual = dispersion.median() if dispersion.notna().any() else np.nan
    told = model.vehicles.assign(
        rate_km_per_day=rate, log_variance=0.0, drift_per_day=0.0, df=1e6, dispersion_days=dispersion.fillna(usual),
        method=np.where(rate.isna() | dispersion.isna().all(), "none", "own"),
    )  # fmt: skip
    clock = model.clock
    if method == "last-year":
        same = {
            name: getattr(clock, name)
            for name in (
                "origin",
                "total",
                "first",
                "last",
                "begin",
                "until",
                "before",
                "waves",
                "variance",
            )
        }
        clock = LastYear(
            **same,
            path=path,
            names=told.index,
            last_read=days_of(told["last_date"]),
            rate=rate.to_numpy(),
        )
    return replace(model, vehicles=told, clock=clock)


def _asked(log):
    """What is asked at one cut and what each method answers: dict `cut, path, rows` (frame), `scores` (method to (z, df)): z one row a
    case, one column a day of GRID after the last reading.
    """
    readings = usage.readings(log)
    path = usage.path_of(readings)
    daily = usage.daily_rate(path, log.as_of)
    kept = log.tables["vehicles"].loc[~log.tables["vehicles"]["disposed"].le(log.as_of), "vehicle"]
    daily["age"] = (log.as_of - daily["last_date"]).dt.days
    daily = daily[
        daily["vehicle"].isin(kept) & (daily["age"] <= UNREAD_DAYS) & (daily["rate_km_per_day"] > 0)
    ]
    rows = daily.loc[daily.index.repeat(len(AHEAD))].reset_index(drop=True)
    rows["ahead_days"] = np.tile(AHEAD, len(daily))
    rows["km"] = rows["last_km"] + rows["rate_km_per_day"] * (rows["age"] + rows["ahead_days"])
    rows["bin"] = np.searchsorted([high for _, high in HORIZONS], rows["ahead_days"])
    rows["start"] = days_of(rows["last_date"])
    if not len(rows):
        return {"rows": rows}
    scores = {name: _scores(_fit(log, path, name), rows) for name in (*OWN, *NAIVE)}
    told = np.logical_and.reduce([np.isfinite(df) for _, df in scores.values()])
    scores = {
        name: (np.clip(z[told], -_FAR, _FAR), df[told][:, None]) for name, (z, df) in scores.items()
    }
    chance = {name: special.stdtr(df, z) for name, (z, df) in scores.items()}
    return {
        "cut": log.as_of,
        "path": path,
        "rows": rows[told].reset_index(drop=True),
        "scores": scores,
        "chance": chance,
    }


def _scores(model, rows):
    """z, one row a case and one column a day of GRID, and its degrees of freedom, NaN where the model tells nothing."""
    date = (rows["start"].to_numpy()[:, None] + GRID.astype(int)).astype("datetime64[D]")
    z, df = score_reached(model, rows["vehicle"], rows["km"].to_numpy(), date)
    is_told = model.of(rows["vehicle"])[1]["method"].isin(["own", "kind-and-site"]).to_numpy()
    return np.nan_to_num(z, nan=-_FAR), np.where(is_told, df, np.nan)


def _truth(one, path):
    rows = one["rows"]
    return truth_of(path, rows["vehicle"], rows["km"].to_numpy(), rows["start"].to_numpy())


def _judged(one, name, truth, confidence, widen=None):
    """Frame `crps_days, interval_days, inside, before, error, is_reached` of one method at one cut; truth: as of `_truth`."""
    low, high = truth.low, truth.high
    chance = one["chance"][name]
    if widen is not None:
        z, df = one["scores"][name]
        chance = special.stdtr(df, z / np.asarray(widen)[one["rows"]["bin"]][:, None])
    alpha = (1 - confidence) / 2
    bottom, middle, top = (
        np.append(GRID, np.inf)[(chance < side).sum(axis=1)] for side in (alpha, 0.5, 1 - alpha)
    )
    last = np.where(np.isinf(high), low, GRID[-1])
    bottom, top, true = np.minimum(bottom, last), np.minimum(top, last), np.minimum(high, last)
    p_low, p_high = (at_day(chance, day) for day in (low, high))
    inside, before = shares(p_low, np.where(np.isinf(high), 1.0, p_high), alpha)
    return pd.DataFrame(
        {
            "crps_days": crps(chance, truth),
            "interval_days": top
            - bottom
            + (np.maximum(bottom - true, 0) + np.maximum(low - top, 0)) / alpha,
            "inside": inside,
            "before": before,
            "error": np.where(
                np.isinf(high) | np.isinf(middle),
                np.nan,
                np.log(np.maximum((low + true) / 2, 1) / np.clip(middle, 1, GRID[-1])),
            ),
            "is_reached": np.isfinite(high),
        }
    )


def _choose(past, path, confidence):
    """(scores of every method, the best, its widening) over cuts, by what `path` knows of them."""
    names = [*OWN, *NAIVE]
    if len(past) < LEAST_CUTS:
        return (
            pd.DataFrame({"method": names, "crps_days": np.nan, "is_used": False}),
            names[0],
            NO_WIDENING,
        )
    truths = [_truth(one, path) for one in past]
    pairs = list(zip(past, truths, strict=True))
    score = [
        np.concatenate([crps(one["chance"][name], truth) for one, truth in pairs]).mean()
        for name in names
    ]
    best = names[int(np.argmin(score))]
    methods = pd.DataFrame(
        {"method": names, "crps_days": score, "is_used": [name == best for name in names]}
    )
    return methods, best, _widening(pairs, best, confidence)


def _widening(pairs, name, confidence):
    """What the spread must be multiplied by in each horizon for the interval to hold as often as it says on these cuts (split
    conformal).
    """
    bins = np.concatenate([one["rows"]["bin"] for one, _ in pairs])
    df = np.concatenate([one["scores"][name][1] for one, _ in pairs])[:, 0]
    low, high = (
        np.concatenate(
            [at_day(one["scores"][name][0], getattr(truth, end)) for one, truth in pairs]
        )
        for end in ("low", "high")
    )
    is_open = np.concatenate([~truth.is_reached for _, truth in pairs])
    p_low, p_high = (special.stdtr(df, z / MULTIPLES[:, None]) for z in (low, high))
    inside, _ = shares(p_low, np.where(is_open, 1.0, p_high), (1 - confidence) / 2)
    found = []
    for b in range(len(HORIZONS)):
        n = int((bins == b).sum())
        holds = (
            inside[:, bins == b].mean(axis=1) >= confidence * (1 + 1 / n)
            if n >= LEAST_CASES
            else MULTIPLES >= 1
        )
        found.append(float(MULTIPLES[np.argmax(holds)] if holds.any() else MULTIPLES[-1]))
    return tuple(found)


def _used(past, k, now, confidence):
    """The cases of cut k, by the method and widening that earlier cuts chose with what was known at k, and by the naive methods."""
    one = past[k]
    _, name, widen = _choose(past[:k], one["path"], confidence)
    earlier = [_errors(old, name, one["path"], confidence) for old in past[:k]]
    found = one["rows"][["vehicle", "ahead_days", "bin"]].assign(cut=one["cut"], method=name)
    truth = _truth(one, now)
    found = pd.concat([found, _judged(one, name, truth, confidence, widen)], axis=1)
    for naive in NAIVE:
        found = found.join(
            _judged(one, naive, truth, confidence)[
                ["crps_days", "interval_days", "inside"]
            ].add_suffix(f"_{naive}")
        )
    return found, (one["cut"], name, widen, _common(pd.concat(earlier) if earlier else found[:0]))


def _errors(one, name, path, confidence):
    rows = one["rows"][["vehicle", "ahead_days", "bin"]].assign(cut=one["cut"])
    return rows.join(_judged(one, name, _truth(one, path), confidence)[["error", "is_reached"]])


def _common(cases):
    """Standard deviation between cuts of the mean log error beyond 90 days, less what chance alone would make of it.

    Where many levels have not been reached yet, those that have are the fast ones: such questions are left out.
    """
    if not len(cases):
        return 0.0
    settled = cases.groupby(["cut", "ahead_days"])["is_reached"].transform("mean") >= SETTLED
    far = (
        cases[settled & (cases["bin"] >= 2) & cases["error"].notna()]
        .groupby(["cut", "vehicle"])["error"]
        .mean()
    )
    by = far.groupby("cut").agg(["mean", "var", "size"])
    by = by[by["size"] >= 3]
    if len(by) < 3:
        return 0.0
    return float(np.sqrt(max(by["mean"].var() - (by["var"] / by["size"]).mean(), 0.0)))


def by_horizon(test):
    """How often the truth lay inside, by days ahead: frame `low_days, high_days, n, n_open, inside, before, se, crps_days, confidence`
    and the scores of NAIVE; attrs `inside`, `se`: of all. The error has vehicles and days apart (common shocks).
    """
    rows, c = [], test.cases
    naive = [f"crps_days_{name}" for name in NAIVE]
    columns = [
        "low_days",
        "high_days",
        "n",
        "n_open",
        "inside",
        "before",
        "se",
        "confidence",
        "crps_days",
        *naive,
    ]
    if not test.is_told:
        return pd.DataFrame(columns=columns)
    for b, part in c.groupby("bin"):
        means = part[["crps_days", *naive]].mean()
        se = two_way_se(part["inside"], part["vehicle"], part["cut"])
        rows.append(
            (
                *HORIZONS[b],
                len(part),
                int((~part["is_reached"]).sum()),
                part["inside"].mean(),
                part["before"].mean(),
                se,
                test.confidence,
                *means,
            )
        )
    table = pd.DataFrame(rows, columns=columns)
    table.attrs |= {
        "inside": float(c["inside"].mean()),
        "se": two_way_se(c["inside"], c["vehicle"], c["cut"]),
    }
    return table
