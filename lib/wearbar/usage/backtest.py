"""How well the forecasts of use would have done: the log replayed at past days (`usage.replay`),
distances asked for, and what became of them.

Asked is when each vehicle's odometer will reach levels 10 to 320 days ahead at its mean rate. The
truth is a span between two readings, or open where the level was not reached by the log's end: such
cases stay, since dropping them would keep the fast. What is used at a cut, the method and the
widening, is chosen on earlier cuts alone, and the scores told are those of the choices."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy import special

from wearbar import usage
from wearbar.log.once import kept_with, once
from wearbar.usage.days_of_use import LastYear, usual_layups
from wearbar.usage.distance import days_of, numbers_of
from wearbar.usage.forecast import GRID, at_day, crps, score_reached, shares, truth_of, two_way_se
from wearbar.usage.model import HORIZONS, UsageModel, fit_hours, fit_usage
from wearbar.usage.replay import Replay

AHEAD = np.array([10, 22, 45, 75, 105, 155, 220, 320])
EVERY, WARM_UP, AFTER = (pd.Timedelta(days=days) for days in (91, 365, 91))
MOST_CUTS, UNREAD_DAYS = 12, 90
MOST_VEHICLES = 300  # of more every second, third ... is asked: what is left to chance is the days
LEAST_CASES, LEAST_CUTS = 20, 3  # fewer days than that share one mood of the fleet
SETTLED = 0.9
# the suite's own, named by what they look for (steady: no drift), and two naive ones; the first
# where nothing is scored yet
OWN = ("season-and-lay-ups", "season", "lay-ups", "level", "season-and-lay-ups-steady")
OWN += ("level-steady",)
NAIVE = ("trailing-year", "last-year")
NAMES, MULTIPLES = (*OWN, *NAIVE), np.geomspace(0.5, 4, 43)
_FAR = 1e3
CASE = ["cut", "vehicle", "ahead_days", "bin"]  # bin: number in HORIZONS


@dataclass(frozen=True, eq=False)
class BackTest:
    """How the forecasts of past days came out, and what was learned for today's."""

    # one row a case: `CASE`, `method` (used), `is_reached`, `error` (log of how much later than the
    # median), and of what was used and each of NAIVE (`crps_days_last-year`) `crps_days`,
    # `interval_days` (the interval score); `inside`, `before`: expected shares, of the interval and
    # of its low side
    cases: pd.DataFrame
    choices: pd.DataFrame  # one row a cut: `cut, method, widen, common_sd`, as they were made there
    methods: pd.DataFrame  # one row a method: `method, crps_days, is_used`, over all cuts
    used: str  # the method for today, and its widening
    widen: tuple
    common_sd: float  # of the part of the log error that all vehicles share at a cut
    confidence: float
    tells_when_recorded: bool
    n_cuts: int  # past days for which the record was long enough

    @property
    def is_told(self):
        """Whether enough was asked, and answered, to judge by."""
        return len(self.cases) > 0 and int(self.cases["is_reached"].sum()) >= LEAST_CASES


def best_model(log, test=None):
    """The `UsageModel` of a log as `test` chose; by the first method where nothing was tested."""
    chosen = NAMES[:1] if test is None else (test.used, test.widen)
    return _fit(log, usage.readings(log), *chosen)


@kept_with
def model_by_test(log, confidence):
    """The `UsageModel` of a whole log as its own back-test chose it."""
    return best_model(log, kept_test(log, confidence))


@kept_with
def kept_test(log, confidence):
    """The `back_test` of a whole log; kept, for it takes seconds."""
    return back_test(log, confidence)


@once
def back_test(log, confidence=0.9, *, replay=None):
    """The `BackTest` of a log; `cases` is empty below fifteen months of record, for a first cut."""
    latest = log.as_of - AFTER
    n_cuts = max(min((latest - log.first_day - WARM_UP) // EVERY + 1, MOST_CUTS), 0)
    replay = replay or (Replay(log) if n_cuts else None)
    fleet = log.tables["vehicles"].sort_values("kind", kind="stable")["vehicle"]
    if replay and len(fleet) > MOST_VEHICLES:
        some = fleet[:: -(-len(fleet) // MOST_VEHICLES)]
        log, replay = log.only(some), replay.only(some)
    now, past, cases, choices = usage.log_path(log), [], [], []
    for i in reversed(range(n_cuts)):
        one = _asked(replay.at(latest - EVERY * i, of_use=True))
        if one is None:
            continue
        # by the method and widening that earlier cuts chose with what was known at this one
        known = [(old, old.truth(one.path)) for old, _ in past]
        _, name, widen = _choose(known, confidence)
        common = _common([old.rows[CASE].assign(**_error(old, name, of)) for old, of in known])
        choices.append((one.rows["cut"].iloc[0], name, widen, common))
        truth = one.truth(now)
        found = _judged(one, name, truth, confidence, widen).assign(method=name)
        for naive in NAIVE:
            scores = _judged(one, naive, truth, confidence)[["crps_days", "interval_days"]]
            found = found.join(scores.add_suffix(f"_{naive}"))
        cases.append(found)
        past.append((one, truth))
    score, *chosen = _choose(past, confidence)
    is_used = [name == chosen[0] and len(past) >= LEAST_CUTS for name in NAMES]
    methods = pd.DataFrame({"method": NAMES, "crps_days": score, "is_used": is_used})
    choices = pd.DataFrame(choices, columns=["cut", "method", "widen", "common_sd"])
    common, told = _common(cases), bool(replay) and replay.tells_when_recorded()
    cases = pd.concat(cases, ignore_index=True) if cases else pd.DataFrame()
    return BackTest(cases, choices, methods, *chosen, common, confidence, told, n_cuts)


def _fit(log, readings, method, widen=None):
    """The `UsageModel` of a method of `NAMES`."""
    fleet, stays = log.tables["vehicles"], log.tables["layups"]
    if method in OWN:
        stays = _usual_layups(log) if "lay-ups" in method else stays
        looks_for = "season" in method, "steady" not in method
        return fit_usage(readings, fleet, log.as_of, stays, *looks_for, widen)
    model, rate = _plug_in(log)
    clock = model.clock
    if method == "last-year":
        last_read, path = days_of(model.vehicles["last_date"]), usage.log_path(log)
        at, path = numbers_of(path.vehicles, model.vehicles.index), path.numbered()
        clock = LastYear(**vars(clock), path=path, at=at, last_read=last_read, rate=rate)
    hours = fit_hours(readings, fleet, log.as_of, stays)
    return replace(model, clock=clock, hours=hours, widen=tuple(widen or UsageModel.widen))


@kept_with
def _usual_layups(log):
    return usual_layups(log.tables["layups"], log.as_of)


@kept_with
def _plug_in(log):
    """(the `UsageModel` of both naive methods, its rates): the rate as if it were known and only
    days differed."""
    path, fleet = usage.log_path(log), log.tables["vehicles"]
    model = fit_usage(path, fleet, log.as_of, seasonal=False, drifts=False)
    daily = usage.daily_rate(path, log.as_of).set_index("vehicle").reindex(model.vehicles.index)
    rate = daily["rate_km_per_day"].where(daily["rate_km_per_day"] > 0)
    dispersion = model.vehicles["dispersion_days"]
    usual = dispersion.dropna().median()  # of none NaN, without a warning
    told = model.vehicles.assign(rate_km_per_day=rate, log_variance=0.0, drift_per_day=0.0, df=1e6)
    told["dispersion_days"] = dispersion.fillna(usual)
    told["method"] = np.where(rate.isna() | dispersion.isna().all(), "none", "own")
    return replace(model, vehicles=told), rate.to_numpy()


@dataclass(frozen=True, eq=False)
class _Cut:
    """What was asked at one cut (rows: one a case) by the path known then, and what each method
    answers: scores, (z, df), one column a day of GRID after the last reading, and chances."""

    rows: pd.DataFrame
    path: usage.Path
    scores: dict
    chance: dict

    def truth(self, path):
        """The `Truth` by the readings in `path`."""
        rows = self.rows
        return truth_of(path, rows["vehicle"], rows["km"].to_numpy(), rows["start"].to_numpy())


def _asked(log):
    """The `_Cut` of a replay; None where nothing can be asked."""
    path = usage.log_path(log)
    daily = usage.daily_rate(path, log.as_of)
    gone = log.tables["vehicles"].loc[log.tables["vehicles"]["disposed"].le(log.as_of), "vehicle"]
    daily["age"] = (log.as_of - daily["last_date"]).dt.days
    asked = (daily["age"] <= UNREAD_DAYS) & (daily["rate_km_per_day"] > 0)
    daily = daily[asked & ~daily["vehicle"].isin(gone)]
    if daily.empty:
        return None
    rows = daily.loc[daily.index.repeat(len(AHEAD))].reset_index(drop=True)
    rows["ahead_days"] = np.tile(AHEAD, len(daily))
    rows["km"] = rows["last_km"] + rows["rate_km_per_day"] * (rows["age"] + rows["ahead_days"])
    rows["bin"] = np.searchsorted([high for _, high in HORIZONS], rows["ahead_days"])
    rows["start"], rows["cut"] = days_of(rows["last_date"]), log.as_of
    date = (rows["start"].to_numpy()[:, None] + GRID.astype(int)).astype("datetime64[D]")
    scores = {}
    for name in NAMES:
        model = _fit(log, path, name)
        z, df = score_reached(model, rows["vehicle"], rows["km"].to_numpy(), date)
        told = model.of(rows["vehicle"])[1]["method"].isin(["own", "kind-and-site"]).to_numpy()
        scores[name] = np.nan_to_num(z, nan=-_FAR), np.where(told, df, np.nan)
    told = np.logical_and.reduce([np.isfinite(df) for _, df in scores.values()])
    if not told.any():
        return None
    kept = scores.items()
    scores = {m: (np.clip(z[told], -_FAR, _FAR), df[told][:, None]) for m, (z, df) in kept}
    chance = {name: special.stdtr(df, z) for name, (z, df) in scores.items()}
    return _Cut(rows[told].reset_index(drop=True), path, scores, chance)


def _judged(one, name, truth, confidence, widen=None):
    """How one method's answers came out: rows of `BackTest.cases`."""
    low, high, chance = truth.low, truth.high, one.chance[name]
    if widen is not None:
        z, df = one.scores[name]
        chance = special.stdtr(df, z / np.asarray(widen)[one.rows["bin"]][:, None])
    alpha, days = (1 - confidence) / 2, np.append(GRID, np.inf)
    bottom, top = (days[(chance < p).sum(axis=1)] for p in (alpha, 1 - alpha))
    last = np.where(np.isinf(high), low, GRID[-1])
    bottom, top, true = np.minimum(bottom, last), np.minimum(top, last), np.minimum(high, last)
    missed = np.maximum(bottom - true, 0) + np.maximum(low - top, 0)
    p_low, p_high = (at_day(chance, day) for day in (low, high))
    inside, before = shares(p_low, np.where(np.isinf(high), 1.0, p_high), alpha)
    return one.rows[CASE].assign(
        crps_days=crps(chance, truth),
        interval_days=top - bottom + missed / alpha,
        inside=inside,
        before=before,
        **_error(one, name, truth),
    )


def _error(one, name, truth):
    """(log of how much later than the median, NaN where one of both is unknown; whether reached).
    No widening moves a median."""
    middle = np.append(GRID, np.inf)[(one.chance[name] < 0.5).sum(axis=1)]
    true = (truth.low + np.minimum(truth.high, GRID[-1])) / 2
    error = np.log(np.maximum(true, 1) / np.clip(middle, 1, GRID[-1]))
    is_open = np.isinf(truth.high)
    return {"error": np.where(is_open | np.isinf(middle), np.nan, error), "is_reached": ~is_open}


def _choose(past, confidence):
    """(score of every method, the best, its widening) over cuts, with what is known of each: by
    what the spread must be multiplied in each horizon for intervals to hold (split conformal)."""
    if len(past) < LEAST_CUTS:
        return np.nan, NAMES[0], UsageModel.widen
    score = [np.hstack([crps(one.chance[m], of) for one, of in past]).mean() for m in NAMES]
    best, inside = NAMES[int(np.argmin(score))], []
    for one, truth in past:
        (z, df), wider = one.scores[best], MULTIPLES[:, None]
        low, high = (special.stdtr(df[:, 0], at_day(z, d) / wider) for d in (truth.low, truth.high))
        high = np.where(np.isinf(truth.high), 1.0, high)
        inside.append(shares(low, high, (1 - confidence) / 2)[0])
    inside, bins = np.hstack(inside), np.concatenate([one.rows["bin"] for one, _ in past])
    widen = []
    for b in range(len(HORIZONS)):
        n, holds = np.count_nonzero(bins == b), MULTIPLES >= 1
        if n >= LEAST_CASES:
            holds = inside[:, bins == b].mean(axis=1) >= confidence * (1 + 1 / n)
        widen.append(float(MULTIPLES[np.argmax(holds)] if holds.any() else MULTIPLES[-1]))
    return score, best, tuple(widen)


def _common(cases):
    """Standard deviation between cuts (a frame each) of the mean log error beyond 90 days, less
    that of chance, where few levels are still to be reached: else only the fast are there."""
    if not cases:
        return 0.0
    cases = pd.concat(cases)
    settled = cases.groupby(["cut", "ahead_days"])["is_reached"].transform("mean") >= SETTLED
    far = cases[settled & (cases["bin"] >= 2)].dropna(subset=["error"])
    by = far.groupby(["cut", "vehicle"])["error"].mean().groupby("cut").agg(["mean", "var", "size"])
    by = by[by["size"] >= 3]
    if len(by) < 3:
        return 0.0
    return float(np.sqrt(max(by["mean"].var() - (by["var"] / by["size"]).mean(), 0.0)))


def by_horizon(test):
    """How often the truth lay inside, by days ahead: frame `low_days, high_days, n, n_open, inside,
    before, se, confidence, crps_days` and the scores of NAIVE; attrs `inside`, `se`: of all. The
    error has vehicles and days apart (common shocks)."""
    scores = ["crps_days", *(f"crps_days_{name}" for name in NAIVE)]
    names = ["low_days", "high_days", "n", "n_open", "inside", "before", "se", "confidence"]
    if not test.is_told:
        return pd.DataFrame(columns=[*names, *scores])

    def se_of(part):
        return two_way_se(part["inside"], part["vehicle"], part["cut"])

    rows = []
    for b, part in test.cases.groupby("bin"):
        means, n_open = part[["inside", "before"]].mean(), (~part["is_reached"]).sum()
        counted = *HORIZONS[b], len(part), n_open, *means, se_of(part), test.confidence
        rows.append((*counted, *part[scores].mean()))
    table = pd.DataFrame(rows, columns=[*names, *scores])
    table.attrs |= {"inside": float(test.cases["inside"].mean()), "se": se_of(test.cases)}
    return table
