"""The effect of use on wear: the fit in two forms, and what it rests on."""

from dataclasses import replace
from math import nan

import numpy as np
from scipy import stats

from wearbar.severity import evidence
from wearbar.severity.evidence import STEP, Effect, e_value, judged
from wearbar.stats import clustered
from wearbar.stats.clustered import added_up, fit_clustered, permutation_p
from wearbar.stats.estimate import Estimate, holm, refused

EXACT_BELOW = 5  # vehicles a side below which permutation decides
VARIES = 0.02  # sd of share within vehicles from which the exposure varies within
ROUNDS, LEAST_SPREAD = 5, 0.05  # of the working response; of parts about their mean, as a share
SIDES = ["n_easier", "n_harder"]  # vehicles, in an `overlap`
OWN_A_SIDE = 3  # parts a side where there is one vehicle


def effects(parts, exposures, confidence=0.9, rng=None):
    """`effect` of each kind of use on each category, adjusted for the others; Holm's p over all."""
    rng = np.random.default_rng(0) if rng is None else rng
    found = []
    for category in sorted(parts["category"].dropna().unique()):
        own = parts[parts["category"] == category]
        for exposure in exposures:
            others = [e for e in exposures if e != exposure]
            found.append(effect(own, exposure, others, confidence, rng))
    return [replace(e, p_holm=p) for e, p in zip(found, holm([e.p for e in found]), strict=True)]


def effect(parts, exposure, others=(), confidence=0.9, rng=None):
    """`Effect` of `exposure` on the wear rate of `parts`, all of one category.

    parts: one row a part; vehicle, site, kind, category, item, position, rate_mm_per_1000km, se,
    n_readings, and over the part's span what `usage.use_shares` gives, and `<exposure>_error`, the
    sd of a recalled share. others: further kinds of use to adjust for. Rates are fitted as of
    `working`; bias-reduced cluster-robust limits with Satterthwaite's degrees of freedom (Bell &
    McCaffrey 2002), which are Student's t on vehicle means where those suffice. Where a side has
    few vehicles p is no less than by dealing their use again within sites."""
    rng = np.random.default_rng(0) if rng is None else rng
    used, left_out = evidence.usable(parts, exposure)
    category = str(parts["category"].iloc[0]) if len(parts) else ""
    found = Effect(category, exposure, len(used), used["vehicle"].nunique(), left_out=left_out)
    if not len(used):
        blind = left_out["why"].eq(evidence.NO_SITE).any()
        return replace(found, refusals=("site-not-known" if blind else "no-parts",))
    x, z = evidence.compared(used, exposure, others)
    low, high = np.quantile(x, [0.05, 0.95]) * STEP
    shares = {"share_low": low, "share_mid": float(x.mean()) * STEP, "share_high": high}
    found = replace(found, **shares, coefficients=z.shape[1] + 1)
    if found.n_vehicles == 1:
        return _own(found, used, used[exposure].to_numpy() / STEP, z, confidence)
    rest = x - z @ np.linalg.lstsq(z, x, rcond=None)[0]
    total = ((x - x.mean()) ** 2).sum()
    r2 = 1 - (rest @ rest) / total if total > 0 else 1.0
    sites = evidence.overlap(used, x * STEP, rest * STEP)
    found = replace(found, r2=r2, overlap=sites)
    few, both = found.n_vehicles < 2 * evidence.MIN_A_SIDE, sites["has_both"].sum()
    main, strata = sites[sites["matters"]], min(evidence.MIN_STRATA, len(sites))
    lacks = {
        "site-not-known": few and left_out["why"].eq(evidence.NO_SITE).any(),
        "few-vehicles": few,
        "no-contrast": r2 > evidence.MAX_R2 or rest.std() * STEP < evidence.MIN_RESIDUAL_SD,
        "few-a-side": main[SIDES].sum().min() < evidence.MIN_A_SIDE,
        "one-sided-site": not main["has_both"].all() or both < strata,
        "few-lines": len(used) < evidence.LINES_A_COEFFICIENT * found.coefficients,
    }
    if refusals := tuple(code for code, is_so in lacks.items() if is_so):
        return replace(found, refusals=refusals)
    y, weight = working(used, np.column_stack([z, x]))
    lines = used[["vehicle", "kind", "site"]].assign(x=x, y=y, weight=weight)
    return judged(_estimated(found, lines, z, confidence, rng), confidence)


def working(used, design):
    """(working response on the log scale, weights of mean 1) of wear rates: arrays (n).

    Iteratively reweighted least squares (McCullagh & Nelder 1989, ch. 2, from memory): the mean of
    a rate is unbiased however few its readings, that of its logarithm is not. Variance: a share of
    the mean that parts have in common, and each line's own error."""
    rate, se, vehicle = (used[c].to_numpy() for c in ("rate_mm_per_1000km", "se", "vehicle"))
    mean, weight = np.full(len(rate), rate.mean()), np.ones(len(rate))
    for _ in range(ROUNDS):
        y = np.log(mean) + rate / mean - 1
        beta = fit_clustered(design, y, vehicle, weights=weight).beta
        mean = np.exp(np.clip(design @ beta, *(np.log(rate.mean()) + np.array([-3, 3]))))
        own = (se / mean) ** 2
        common = max(float(((rate / mean - 1) ** 2 - own).mean()), LEAST_SPREAD**2)
        weight = 1 / (common + own)
        weight = weight / weight.mean()
    return np.log(mean) + rate / mean - 1, weight


def _ratio(found, contrast, confidence):
    """(`Estimate`, one-sided 95% lower limit, one-sided p of no effect) of the ratio whose log is
    the `contrast` of a fit; the first is refused where the slope has no error."""
    slope, se, df = contrast
    lower = float(np.exp(slope - stats.t.ppf(0.95, df) * se))
    p = float(stats.t.sf(slope / se, df))
    if not (se > 0 and df > 0):
        return refused("too few vehicles", confidence, found.n_parts), lower, p
    half = stats.t.ppf((1 + confidence) / 2, df) * se
    ends = np.exp(np.clip([slope, slope - half, slope + half], -300, 300)).tolist()
    method = f"cluster-robust, t with {df:.1f} degrees of freedom"
    return Estimate(*ends, confidence, found.n_parts, method=method), lower, p


def _estimated(found, lines, z, confidence, rng):
    """The ratio by both forms, and who decides it (each vehicle and site left out). lines: a row a
    part, its use in steps `x`, log rate as `working` has it `y`, `weight`; z: the adjusters."""
    x, y, weight = (lines[name].to_numpy() for name in ("x", "y", "weight"))
    vehicle = lines["vehicle"].to_numpy()
    straight = fit_clustered(np.column_stack([z, x]), y, vehicle, weights=weight)
    around = vehicle, straight.ratio, weight
    t, slope, height = clustered.tangent_of_additive(x * STEP, y, z, *around)
    bent = fit_clustered(np.column_stack([z, slope]), height, *around)

    def without_each(groups):
        """Least and greatest ratio with one of them left out."""
        moved = t + bent.without_each(groups)[:, -1] - bent.beta[-1]
        ratios = _step(found, np.exp(np.clip(moved, -300, 300)))
        return (float(ratios.min()), float(ratios.max())) if len(ratios) > 1 else (nan, nan)

    last = np.eye(straight.beta.size)[-1]
    log_linear, log_linear_lower, _ = _ratio(found, straight.contrast(last), confidence)
    additive, lower, p = _ratio(found, (t, *bent.contrast(last)[1:]), confidence)
    lines = lines.assign(rest=y - z @ straight.beta[:-1], slope=slope, share=x * STEP, n_parts=1)
    lines["wear"] = (lines["rest"] - x.mean() * straight.beta[-1]) * weight
    how = {"site": "first", "kind": "first", "share": "mean"}
    how |= dict.fromkeys(["n_parts", "wear", "weight"], "sum")
    points = lines.groupby("vehicle").agg(how)
    points["wear_ratio"] = np.exp(points.pop("wear") / points.pop("weight"))
    found = replace(
        found,
        points=points.reset_index(),
        additive=additive,
        ratio=_stepped(found, additive),
        log_linear=log_linear,
        lower=_step(found, lower),
        additive_lower=lower,
        log_linear_lower=log_linear_lower,
        p=p,
        is_additive=bool((bent.residual**2).sum() < (straight.residual**2).sum()),
        without_vehicle=without_each(None),
        without_site=without_each(lines["site"].to_numpy()),
    )
    found = _apart(found, lines, z, t, height, confidence)
    if found.overlap.loc[found.overlap["matters"], SIDES].sum().min() >= EXACT_BELOW:
        return found
    # p no less than by dealing the use of vehicles (adjusted means) again within sites
    each = lines.groupby("vehicle").agg({"site": "first", "x": "mean", "rest": "mean"})
    p = permutation_p(each["rest"], each["x"], each["site"], rng)
    return replace(found, p=max(found.p, p))


def _apart(found, lines, z, t, height, confidence):
    """The effect between and within vehicles, where use varies (Mundlak 1978, from memory)."""
    means = lines.groupby("vehicle")[["x", "slope"]].transform("mean")
    spare = max(len(means) - found.n_vehicles, 1)
    if np.sqrt(((lines["x"] - means["x"]) ** 2).sum() / spare) * STEP < VARIES:
        return found
    design = np.column_stack([z, means["slope"], lines["slope"] - means["slope"]])
    fit = fit_clustered(design, height, lines["vehicle"], weights=lines["weight"].to_numpy())
    *_, b, w = np.eye(fit.beta.size)
    gap, se, df = fit.contrast(b - w)
    slopes = ((t + slope, *error) for slope, *error in map(fit.contrast, (b, w)))
    between, within = (_stepped(found, _ratio(found, of, confidence)[0]) for of in slopes)
    p = float(2 * stats.t.sf(abs(gap / se), df))
    return replace(found, between=between, within=within, p_disagree=p)


def _step(found, times):
    """The ratio for one step above share_mid, if this use wears `times` as much as other."""
    return added_up(times, found.share_mid, min(found.share_mid + STEP, 1.0))


def _stepped(found, e):
    ends = ("value", "low", "high")
    return replace(e, **{end: float(_step(found, getattr(e, end))) for end in ends})


def _own(found, used, x, z, confidence):
    """One vehicle: its own parts in harder against easier use; it speaks of that vehicle alone."""
    harder = x > (x.max() + x.min()) / 2
    design = np.column_stack([z, x])
    if (
        min(harder.sum(), (~harder).sum()) < OWN_A_SIDE
        or (x[harder].mean() - x[~harder].mean()) * STEP < 2 * evidence.MIN_GAP
        or len(x) <= design.shape[1]
        or not clustered.independent_columns(design)[-1]
    ):
        return replace(found, refusals=("one-vehicle",))
    y, weight = working(used.assign(vehicle=np.arange(len(x))), design)
    fit = fit_clustered(design, y, np.arange(len(x)), ratio=0.0, weights=weight)
    ratio, lower, p = _ratio(found, fit.contrast(np.eye(fit.beta.size)[-1]), confidence)
    return replace(found, ratio=ratio, lower=lower, p=p, e_value=e_value(ratio.value))
