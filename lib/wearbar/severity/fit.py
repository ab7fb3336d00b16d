"""The effect of use on wear: the fit in two forms, what it rests on, and when its own result refuses it."""

from dataclasses import dataclass, replace
from math import ceil, inf, nan

import numpy as np
import pandas as pd
from scipy import stats

from wearbar.clustered import added_up, fit_additive, fit_clustered, independent_columns, permutation_slope
from wearbar.estimate import Estimate
from wearbar.severity.effect import NONE, STEP, Effect, e_value, holm
from wearbar.severity.parts import MIN_GAP, WEIGHT, adjusters, overlap, site_of, too_little, usable

EXACT_BELOW = 5  # vehicles a side below which permutation decides
VARIES = 0.02  # sd of share within vehicles from which the exposure varies within
RELIABILITY, MIN_KEPT = 0.8, 0.5  # of recalled shares, for the sensitivity; least that must be left of it beside the adjusters
SETTLED = (0.9, 1.5)  # an interval that holds both says nothing of use
NEGLIGIBLE = 0.05  # of a ratio
OWN_A_SIDE = 3  # parts a side where there is one vehicle


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
    used, left_out = usable(parts, exposure)
    category = str(parts["category"].iloc[0]) if len(parts) else ""
    found = Effect(category, exposure, len(used), used["vehicle"].nunique(), left_out=left_out)
    if not len(used):
        return replace(found, refusals=("no-parts",))
    x, y = used[exposure].to_numpy() / STEP, np.log(used["rate_mm_per_1000km"].to_numpy())
    z = adjusters(used, others)
    low, high = np.quantile(x, [0.05, 0.95]) * STEP
    found = replace(found, share_low=low, share_mid=float(x.mean()) * STEP, share_high=high, coefficients=z.shape[1] + 1)
    if found.n_vehicles == 1:
        return _own(found, x, y, z, confidence)
    rest = x - z @ np.linalg.lstsq(z, x, rcond=None)[0]
    total = ((x - x.mean()) ** 2).sum()
    r2, spread = 1 - (rest @ rest) / total if total > 0 else 1.0, float(rest.std()) * STEP
    found = replace(found, r2=r2, residual_sd=spread, overlap=overlap(used, x * STEP, rest * STEP))
    refusals = too_little(found)
    if refusals:
        return replace(found, refusals=refusals)
    lines = _Lines(x, y, z, used["vehicle"].to_numpy(), site_of(used).to_numpy(), used["kind"].to_numpy(dtype=object))
    return _judged(_estimated(_apart(found, lines, confidence), lines, confidence, rng), confidence)


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


def _apart(found, lines, confidence):
    """Where use varies within vehicles, the two parts of its effect (Mundlak 1978, Econometrica 46:69, from memory)."""
    mean = pd.Series(lines.x).groupby(lines.vehicle).transform("mean").to_numpy()
    if np.sqrt(((lines.x - mean) ** 2).sum() / max(len(mean) - found.n_vehicles, 1)) * STEP < VARIES:
        return found
    fit = fit_clustered(np.column_stack([lines.z, mean, lines.x - mean]), lines.y, lines.vehicle)
    *_, b, w = np.eye(fit.beta.size)
    between, within, gap = (fit.contrast(c) for c in (b, w, b - w))
    p = float(2 * stats.t.sf(abs(gap[0] / gap[1]), gap[2]))
    return replace(found, between=_ratio(between, confidence, found), within=_ratio(within, confidence, found), p_disagree=p)


def _estimated(found, lines, confidence, rng):
    """Both forms, who decides them (each vehicle and site left out), and the ratio by the one that fits better."""
    fit = lines.fit()
    straight, left = fit.contrast(_last(fit)), [fit.without_each(by)[:, -1] for by in (None, lines.site)]
    t, tangent, squares = fit_additive(fit, lines.x * STEP, lines.y, lines.z, lines.vehicle)
    bent = (t, *tangent.contrast(_last(tangent))[1:])
    found = replace(
        found, points=_points(lines, fit), log_linear=_ratio(straight, confidence, found, "random vehicle, cluster-robust"),
        log_linear_lower=_lower(straight), additive=_ratio(bent, confidence, found, "rates by share"), additive_lower=_lower(bent),
    )  # fmt: skip
    if _few_a_side(found):
        return _left_out(_permuted(found, lines, confidence, rng), left, np.exp)
    if (fit.residual**2).sum() <= squares:
        found = replace(found, form="log-linear", ratio=found.log_linear, lower=found.log_linear_lower, p=_p(straight))
        return _left_out(found, left, np.exp)

    def step(times):
        return added_up(times, found.share_mid, min(found.share_mid + STEP, 1.0))

    ends = {end: float(step(getattr(found.additive, end))) for end in ("value", "low", "high")}
    found = replace(found, form="additive", ratio=replace(found.additive, **ends), lower=float(step(found.additive_lower)), p=_p(bent))
    left = [t + tangent.without_each(by)[:, -1] - tangent.beta[-1] for by in (None, lines.site)]
    return _left_out(found, left, lambda v: step(np.exp(v)))


def _few_a_side(found):
    counted = found.overlap[found.overlap["weight_share"] >= WEIGHT]
    return counted[["n_easier", "n_harder"]].sum().min() < EXACT_BELOW


def _left_out(found, slopes, turn):
    """The least and the greatest ratio with each vehicle, and each site, left out."""
    one, place = (turn(np.clip(v, -700, 700)) for v in slopes)
    sites = (float(place.min()), float(place.max())) if len(place) > 1 else (nan, nan)
    return replace(found, without_vehicle=(float(one.min()), float(one.max())), without_site=sites)


def _last(fit):
    return np.eye(fit.beta.size)[-1]


def _lower(slope):
    value, se, df = slope
    return float(np.exp(value - stats.t.ppf(0.95, df) * se))


def _p(slope):
    return float(stats.t.sf(slope[0] / slope[1], slope[2]))


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
    lower = float(np.exp(lower))
    return replace(found, form="log-linear", ratio=ratio, log_linear=ratio, lower=lower, log_linear_lower=lower, p=p)


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
        figures = dict.fromkeys(("ratio", "log_linear", "additive"), none) | dict.fromkeys(
            ("lower", "log_linear_lower", "additive_lower"), nan
        )
        return replace(found, refusals=refusals, form="", **figures)
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
    return replace(found, form="log-linear", ratio=ratio, lower=_lower(slope), p=_p(slope), e_value=e_value(ratio.value))
