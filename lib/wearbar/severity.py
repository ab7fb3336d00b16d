"""Does hard use wear parts faster, and how much sooner must the work then be done?

What is estimated: the ratio of the wear rate were the same item, at the same position of the same kind of vehicle at the same site, run at
a share of hard use 0.10 higher, other use as it was. Vehicles are independent, parts of one are not. Where the log cannot tell, the effect
is refused and says why: thresholds below are judgement, fixed in advance. Site, kind, item and position are adjusted for; what hard use
leads to (reason and age at removal, repairs) is not. Advice only ever brings work forward.
"""

from dataclasses import dataclass, replace
from math import ceil, inf, nan

import numpy as np
import pandas as pd
from scipy import stats

from wearbar.clustered import additive_slope, fit_clustered, independent_columns, permutation_slope
from wearbar.estimate import Estimate

__all__ = ["ADJUSTERS", "STEP", "Effect", "e_value", "effect", "effects", "holm"]

ADJUSTERS = ("site", "kind", "item", "position")
STEP = 0.10  # of share; what the ratio is for
MIN_READINGS, MIN_COVERAGE, MAX_RELATIVE_SE = 3, 0.5, 0.5  # of a part that counts; se against the category's median rate
MIN_A_SIDE, EXACT_BELOW, MIN_STRATA, WEIGHT = 4, 5, 3, 0.10  # vehicles a side; sites; share of the contrast that makes a site matter
MAX_R2, MIN_RESIDUAL_SD, MIN_GAP = 0.90, 0.05, 0.05
LINES_A_COEFFICIENT, VARIES = 12, 0.02  # sd of share within vehicles from which the exposure varies within
RELIABILITY, MIN_KEPT = 0.8, 0.5  # of recalled shares, for the sensitivity; least that must be left of it beside the adjusters
SETTLED = (0.9, 1.5)  # an interval that holds both says nothing of use
NEGLIGIBLE = 0.05  # of a ratio
OWN_A_SIDE = 3  # parts a side where there is one vehicle
NONE = Estimate(nan, nan, nan, 0.9, 0)


@dataclass(frozen=True)
class Effect:
    """The effect of one kind of use on the wear of one category.

    ratio: of wear rates for +0.10 of share, NaN where refused. between, within: the same from vehicles and from parts of one vehicle alone.
    lower: one-sided 95% lower limit of the ratio, whatever the confidence asked for. p, p_holm: one-sided, of no effect.
    refusals: codes, empty where a figure is given. vehicles_needed: to settle it, 0 where settled.
    share_low, share_mid, share_high: 5%, mean and 95% of the parts' share. r2, residual_sd: of the share on the adjusters.
    without_vehicle, without_site: least and greatest ratio with one left out. additive: wear rate in this use over that in other use,
    were rates to add up by share (_lower: one-sided, 95%); additive_ratio: what that gives for +0.10 at share_mid; form: which fits better.
    attenuated: the ratio if recalled shares have reliability 0.8; NaN where most of the contrast would then be error.
    overlap: a row a site; left_out: parts not counted, by reason; points: a row a vehicle, its wear as a ratio to the mean once adjusted.
    """

    category: str
    exposure: str
    n_parts: int
    n_vehicles: int
    refusals: tuple = ()
    ratio: Estimate = NONE
    between: Estimate = NONE
    within: Estimate = NONE
    lower: float = nan
    p: float = nan
    p_holm: float = nan
    p_disagree: float = nan
    vehicles_needed: int = 0
    coefficients: int = 0
    share_low: float = nan
    share_mid: float = nan
    share_high: float = nan
    r2: float = nan
    residual_sd: float = nan
    without_vehicle: tuple = (nan, nan)
    without_site: tuple = (nan, nan)
    additive: Estimate = NONE
    additive_lower: float = nan
    additive_ratio: float = nan
    form: str = ""
    attenuated: Estimate = NONE
    e_value: float = nan
    e_value_limit: float = nan
    overlap: pd.DataFrame | None = None
    left_out: pd.DataFrame | None = None
    points: pd.DataFrame | None = None
    step: float = STEP

    @property
    def told(self):
        """Whether a figure is given."""
        return not self.refusals


def effects(parts, exposures, confidence=0.9, rng=None):
    """A list of `effect` of each kind of use on each category, the other kinds adjusted for; Holm's p over all that could be tested."""
    rng = np.random.default_rng(0) if rng is None else rng
    found = [
        effect(parts[parts["category"] == category], exposure, [e for e in exposures if e != exposure], confidence, rng)
        for category in sorted(parts["category"].dropna().unique())
        for exposure in exposures
    ]
    return [replace(e, p_holm=p) for e, p in zip(found, holm([e.p for e in found]), strict=True)]


def effect(parts, exposure, others=(), confidence=0.9, rng=None):
    """`Effect` of `exposure` on the wear rate of `parts`, all of one category.

    parts: one row a part; vehicle, site, kind, category, item, position, rate_mm_per_1000km, se, n_readings, and over the part's span
        what `usage.use_shares` gives. others: further kinds of use to adjust for.
    Weights from a random vehicle; bias-reduced cluster-robust limits with Satterthwaite's degrees of freedom (Bell & McCaffrey 2002), which
    are Student's t on vehicle means where those suffice. Where a side has few vehicles: permutation within sites.
    """
    used, left_out = _usable(parts, exposure)
    category = str(parts["category"].iloc[0]) if len(parts) else ""
    found = Effect(category, exposure, len(used), used["vehicle"].nunique(), left_out=left_out)
    if not len(used):
        return replace(found, refusals=("no-parts",))
    x, y = used[exposure].to_numpy() / STEP, np.log(used["rate_mm_per_1000km"].to_numpy())
    z = _adjusters(used, others)
    low, high = np.quantile(x, [0.05, 0.95]) * STEP
    found = replace(found, share_low=low, share_mid=float(x.mean()) * STEP, share_high=high, coefficients=z.shape[1] + 1)
    if found.n_vehicles == 1:
        return _own(found, x, y, z, confidence)
    rest = x - z @ np.linalg.lstsq(z, x, rcond=None)[0]
    total = ((x - x.mean()) ** 2).sum()
    r2, spread = 1 - (rest @ rest) / total if total > 0 else 1.0, float(rest.std()) * STEP
    found = replace(found, r2=r2, residual_sd=spread, overlap=_overlap(used, x * STEP, rest * STEP))
    refusals = _too_little(found)
    if refusals:
        return replace(found, refusals=refusals)
    lines = _Lines(x, y, z, used["vehicle"].to_numpy(), _site(used).to_numpy(), used["kind"].to_numpy(dtype=object))
    return _judged(_checked(_estimated(found, lines, confidence, rng), lines, confidence), confidence)


@dataclass(frozen=True)
class _Lines:
    """The wear lines that count: exposure in steps (n), log wear rate (n), adjusters (n, p), and whose they are (n)."""

    x: np.ndarray
    y: np.ndarray
    z: np.ndarray
    vehicle: np.ndarray
    site: np.ndarray
    kind: np.ndarray

    def fit(self):
        return fit_clustered(np.column_stack([self.z, self.x]), self.y, self.vehicle)


def _usable(parts, exposure):
    """Parts that count, and how many do not by reason: rules that don't look at a part's own rate, but that its logarithm must exist."""
    why = pd.Series("", index=parts.index, dtype=object)
    typical, covered = parts["rate_mm_per_1000km"].median(), parts.get(f"{exposure}_coverage_share", parts["coverage_share"])
    rules = [
        ("fewer than three readings", ~(parts["n_readings"] >= MIN_READINGS)),
        ("use not known for half of its distance", ~(covered >= MIN_COVERAGE) | parts[exposure].isna()),
        ("wear too uncertain", ~(parts["se"] <= MAX_RELATIVE_SE * typical)),
        ("no wear seen", ~(parts["rate_mm_per_1000km"] > 0)),
    ]
    for text, bad in rules:
        why = why.where((why != "") | ~bad, text)
    counts = why[why != ""].value_counts().reindex([r for r, _ in rules]).dropna().astype(int)
    return parts[why == ""], counts.rename_axis("why").reset_index(name="parts")


def _adjusters(used, others):
    """Independent columns (n, p): one, each adjuster's levels but its first, and the other kinds of use that are known throughout."""
    levels = used[list(ADJUSTERS)].astype(object)
    levels = levels.where(levels.notna(), "not given").astype(str)
    dummies = pd.get_dummies(levels, drop_first=True, dtype=float)
    other = used[[o for o in others if used[o].notna().all()]] / STEP
    z = np.column_stack([np.ones(len(used)), dummies.to_numpy(), other.to_numpy()])
    return z[:, independent_columns(z)]


def _site(used):
    return used["site"].where(used["site"].notna(), "not given")


def _overlap(used, share, rest):
    """A row a site: vehicles, those used easier and harder than site, kind and items would say, the share's range, the site's weight."""
    parts = pd.DataFrame({"vehicle": used["vehicle"], "site": _site(used), "share": share, "rest": rest, "square": rest**2})
    each = parts.groupby("vehicle").agg(site=("site", "first"), share=("share", "mean"), rest=("rest", "mean"), square=("square", "sum"))
    harder = each["rest"] > 0
    each = each.assign(easier=~harder, harder=harder, easy=each["rest"].where(~harder), hard=each["rest"].where(harder))
    table = each.groupby("site").agg(
        n_vehicles=("share", "size"), n_easier=("easier", "sum"), n_harder=("harder", "sum"), share_least=("share", "min"),
        share_most=("share", "max"), easy=("easy", "mean"), hard=("hard", "mean"), weight_share=("square", "sum"),
    )  # fmt: skip
    table["weight_share"] /= max(table["weight_share"].sum(), 1e-300)
    table["gap"] = table.pop("hard") - table.pop("easy")
    table["has_both"] = (table[["n_easier", "n_harder"]].min(axis=1) >= MIN_A_SIDE) & (table["gap"] >= MIN_GAP)
    return table.reset_index()


def _too_little(found):
    table = found.overlap
    weighty = table[table["weight_share"] >= WEIGHT]
    checks = [
        ("few-vehicles", found.n_vehicles < 2 * MIN_A_SIDE),
        ("no-contrast", found.r2 > MAX_R2 or found.residual_sd < MIN_RESIDUAL_SD),
        ("one-sided-site", not weighty["has_both"].all() or table["has_both"].sum() < min(MIN_STRATA, len(table))),
        ("few-lines", found.n_parts < LINES_A_COEFFICIENT * found.coefficients),
    ]
    return tuple(code for code, bad in checks if bad)


def _estimated(found, lines, confidence, rng):
    """The ratio, and where use varies within vehicles its two parts (Mundlak 1978, Econometrica 46:69)."""
    mean = pd.Series(lines.x).groupby(lines.vehicle).transform("mean").to_numpy()
    if np.sqrt(((lines.x - mean) ** 2).sum() / max(len(mean) - found.n_vehicles, 1)) * STEP >= VARIES:
        apart = fit_clustered(np.column_stack([lines.z, mean, lines.x - mean]), lines.y, lines.vehicle)
        *_, b, w = np.eye(apart.beta.size)
        between, within, gap = (apart.contrast(c) for c in (b, w, b - w))
        p = float(2 * stats.t.sf(abs(gap[0] / gap[1]), gap[2]))
        found = replace(found, between=_ratio(between, confidence, found), within=_ratio(within, confidence, found), p_disagree=p)
    counted = found.overlap[found.overlap["weight_share"] >= WEIGHT]
    if counted[["n_easier", "n_harder"]].sum().min() < EXACT_BELOW:
        return _permuted(found, lines, confidence, rng)
    slope = lines.fit().contrast(_last(lines))
    return replace(found, ratio=_ratio(slope, confidence, found, "random vehicle, cluster-robust"), **_one_sided(slope))


def _last(lines):
    return np.eye(lines.z.shape[1] + 1)[-1]


def _one_sided(slope):
    value, se, df = slope
    return {"lower": float(np.exp(value - stats.t.ppf(0.95, df) * se)), "p": float(stats.t.sf(value / se, df))}


def _ratio(slope, confidence, found, method=""):
    value, se, df = slope
    if not (se > 0 and df > 0):
        return replace(NONE, n=found.n_parts, confidence=confidence, note="too few vehicles")
    half = stats.t.ppf((1 + confidence) / 2, df) * se
    value, low, high = np.exp(np.clip([value, value - half, value + half], -700, 700)).tolist()
    return Estimate(value, low, high, confidence, found.n_parts, method=f"{method}, t with {df:.1f} degrees of freedom".lstrip(", "))


def _permuted(found, lines, confidence, rng):
    """Vehicle means, adjusted for all but use, dealt again within sites."""
    rest = lines.y - lines.z @ lines.fit().beta[:-1]
    rows = pd.DataFrame({"site": lines.site, "x": lines.x, "y": rest})
    each = rows.groupby(lines.vehicle).agg({"site": "first", "x": "mean", "y": "mean"})
    rng = np.random.default_rng(0) if rng is None else rng
    value, low, high, p = permutation_slope(each["y"], each["x"], each["site"], confidence, rng)
    lower = permutation_slope(each["y"], each["x"], each["site"], 0.90, rng)[1]
    limits = np.exp(np.clip([value, low, high], -700, 700)).tolist()
    ratio = Estimate(*limits, confidence, found.n_parts, method="exact permutation of vehicles within sites")
    return replace(found, ratio=ratio, lower=float(np.exp(lower)), p=p)


def _checked(found, lines, confidence):
    """Who decides it (each vehicle and site left out), the additive form beside, and a row a vehicle to look at."""
    fit = lines.fit()
    one, place = (np.exp(np.clip(fit.without_each(left)[:, -1], -700, 700)) for left in (None, lines.site))
    sites = (float(place.min()), float(place.max())) if len(place) > 1 else (nan, nan)
    slope, better = additive_slope(fit, lines.x * STEP, lines.y, lines.z, lines.vehicle)
    added, mid = np.expm1(slope[0]), found.share_mid
    return replace(
        found, points=_points(lines, fit), without_vehicle=(float(one.min()), float(one.max())), without_site=sites,
        additive=_ratio(slope, confidence, found, "rates by share"),
        additive_lower=_one_sided(slope)["lower"], form="additive" if better else "log-linear",
        additive_ratio=float((1 + added * min(mid + STEP, 1.0)) / (1 + added * mid)),
    )  # fmt: skip


def _points(lines, fit):
    rest = lines.y - lines.z @ fit.beta[:-1] - lines.x.mean() * fit.beta[-1]
    rows = pd.DataFrame({"vehicle": lines.vehicle, "site": lines.site, "kind": lines.kind, "share": lines.x * STEP, "rest": rest})
    points = rows.groupby("vehicle").agg(
        site=("site", "first"), kind=("kind", "first"), share=("share", "mean"), n_parts=("share", "size"), rest=("rest", "mean")
    )
    return points.assign(wear_ratio=np.exp(points.pop("rest"))).reset_index()


def _judged(found, confidence):
    """What the result itself refuses, and how far to trust it: unseen causes, and shares recalled with error."""
    ratio, (low, high) = found.ratio, found.without_vehicle
    refusals = [
        ("not-estimable", not np.isfinite(ratio.value)),
        ("disagree", found.p_disagree < 0.05),
        ("one-vehicle-decides", low < ratio.low or high > ratio.high or _turns(ratio.value, low, high)),
    ]
    refusals = tuple(code for code, bad in refusals if bad)
    if refusals:
        none = Estimate(nan, nan, nan, confidence, found.n_parts, note="refused: " + ", ".join(refusals))
        return replace(found, refusals=refusals, ratio=none, lower=nan, additive=none, additive_lower=nan, additive_ratio=nan, form="")
    kept = (RELIABILITY - found.r2) / (1 - found.r2)  # reliability that is left once the adjusters are known (Carroll et al. 2006, ch. 3)
    attenuated = [float(v ** (1 / kept)) for v in (ratio.value, ratio.low, ratio.high)] if kept >= MIN_KEPT else [nan] * 3
    nearer = ratio.low if ratio.value > 1 else ratio.high
    return replace(
        found, vehicles_needed=_needed(found), e_value=e_value(ratio.value), attenuated=Estimate(*attenuated, confidence, found.n_parts),
        e_value_limit=1.0 if (nearer - 1) * (ratio.value - 1) <= 0 else e_value(nearer),
    )  # fmt: skip


def _turns(value, low, high):
    """Whether leaving one vehicle out turns more wear into less, or less into more; not where both are as good as none."""
    other = low if value > 1 else high
    return (other - 1) * (value - 1) < 0 and max(abs(other - 1), abs(value - 1)) > NEGLIGIBLE


def _needed(found):
    ratio = found.ratio
    if not (ratio.low < SETTLED[0] and ratio.high > SETTLED[1]):
        return 0
    wide = np.log(ratio.high / ratio.low) / np.log(SETTLED[1] / SETTLED[0]) if ratio.low > 0 and ratio.high < inf else 2.0
    return ceil(found.n_vehicles * wide**2)


def _own(found, x, y, z, confidence):
    """One vehicle: its own parts in harder against easier use; it speaks of that vehicle alone."""
    middle = (x.max() + x.min()) / 2
    harder = x > middle
    if min(harder.sum(), (~harder).sum()) < OWN_A_SIDE or (x[harder].mean() - x[~harder].mean()) * STEP < 2 * MIN_GAP:
        return replace(found, refusals=("one-vehicle",))
    design = np.column_stack([z, x])
    if len(x) <= design.shape[1] or not independent_columns(design)[-1]:
        return replace(found, refusals=("one-vehicle",))
    slope = fit_clustered(design, y, np.arange(len(x)), ratio=0.0).contrast(np.eye(design.shape[1])[-1])
    ratio = _ratio(slope, confidence, found, "this vehicle's parts, easier use against harder")
    return replace(found, ratio=ratio, e_value=e_value(ratio.value), **_one_sided(slope))


def e_value(ratio):
    """How strongly an unseen cause would have to go with both hard use and wear to explain the ratio (VanderWeele & Ding 2017).

    >>> round(e_value(3.9), 2)
    7.26
    """
    r = max(ratio, 1 / ratio)
    return float(r + np.sqrt(r * (r - 1)))


def holm(p):
    """Holm's (1979) adjusted p-values; NaN stays and is not counted.

    >>> holm([0.01, 0.04, 0.03, 0.005]).round(3).tolist()
    [0.03, 0.06, 0.06, 0.02]
    """
    p = np.asarray(p, float)
    order = np.argsort(p)
    m = np.isfinite(p).sum()
    out = np.full(len(p), nan)
    out[order[:m]] = np.minimum(np.maximum.accumulate(p[order[:m]] * np.arange(m, 0, -1)), 1.0)
    return out
