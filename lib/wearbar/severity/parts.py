"""Which parts count, what they are adjusted for, and where use can be compared.

The thresholds are judgement, fixed in advance.
"""

import numpy as np
import pandas as pd

from wearbar.severity.effect import RELIABILITY, STEP
from wearbar.stats.clustered import independent_columns

ADJUSTERS = ["site", "kind", "item", "position"]
# of a part: readings, share of its distance whose use is known, se against the median rate
MIN_READINGS, MIN_COVERAGE, MAX_RELATIVE_SE = 2, 0.5, 2.0
NO_SITE = "site not known"
# vehicles a side, in all and at a site that matters (intervals cover as well with two as five);
# sites with both; share of the contrast that makes a site matter
MIN_A_SIDE, MIN_AT_SITE, MIN_STRATA, WEIGHT = 4, 2, 3, 0.10
MAX_R2, MIN_RESIDUAL_SD, MIN_GAP = 0.90, 0.05, 0.05  # of share
LINES_A_COEFFICIENT = 12


def usable(parts, exposure):
    """Parts that count, and how many do not by reason, whatever a part's own rate."""
    rate, covered = parts["rate_mm_per_1000km"], parts["coverage_share"]
    covered = parts.get(f"{exposure}_coverage_share", covered)
    unknown = ~(covered >= MIN_COVERAGE) | parts[exposure].isna()
    uncertain = ~(parts["se"] <= MAX_RELATIVE_SE * rate.median()) | rate.isna()
    rules = {
        "fewer than two readings": ~(parts["n_readings"] >= MIN_READINGS),
        "use not known for half of its distance": unknown,
        "wear too uncertain": uncertain,
        NO_SITE: parts["site"].isna() & (parts["vehicle"].nunique() > 1),
    }
    why = pd.Series(np.select(list(rules.values()), list(rules), ""), parts.index)
    counts = why[why != ""].value_counts().reindex(list(rules)).dropna().astype(int)
    return parts[why == ""], counts.rename_axis("why").reset_index(name="parts")


def steady(used, exposure):
    """Each part's share of this use or, where shares differ within vehicles by little more than
    people's error in recalling them (`<exposure>_error`, its sd for the part; nil where not given),
    that of its vehicle: array."""
    share, vehicle = used[exposure], used["vehicle"]
    middle = share.groupby(vehicle).transform("mean")
    spare = max(len(used) - vehicle.nunique(), 1)
    error = used.get(f"{exposure}_error", pd.Series(0.0, used.index)).fillna(0.0)
    seen, recalled = ((share - middle) ** 2).sum() / spare, (error**2).mean()
    return (share if seen * (1 - RELIABILITY) >= recalled else middle).to_numpy()


def adjusters(used, others):
    """Independent columns (n, p): one, levels of the adjusters, other uses known throughout."""
    levels = used[ADJUSTERS].astype(object)
    levels = levels.where(levels.notna(), "not given").astype(str)
    dummies = pd.get_dummies(levels, drop_first=True, dtype=float)
    other = used[[o for o in others if used[o].notna().all()]] / STEP
    z = np.column_stack([np.ones(len(used)), dummies.to_numpy(), other.to_numpy()])
    return z[:, independent_columns(z)]


def site_of(used):
    return used["site"].where(used["site"].notna(), "not given")


def overlap(used, share, rest):
    """A row a site: vehicles used easier and harder than expected, shares, its weight."""
    parts = pd.DataFrame({"site": site_of(used), "share": share, "rest": rest, "square": rest**2})
    how = {"site": "first", "share": "mean", "rest": "mean", "square": "sum"}
    each = parts.groupby(used["vehicle"]).agg(how)
    harder = each["rest"] > 0
    each = each.assign(harder=harder, easier=~harder)
    each = each.assign(easy=each["rest"].where(~harder), hard=each["rest"].where(harder))
    table = each.groupby("site").agg(
        n_vehicles=("share", "size"),
        n_easier=("easier", "sum"),
        n_harder=("harder", "sum"),
        share_least=("share", "min"),
        share_most=("share", "max"),
        easy=("easy", "mean"),
        hard=("hard", "mean"),
        weight_share=("square", "sum"),
    )
    table["weight_share"] /= max(table["weight_share"].sum(), 1e-300)
    table["gap"] = table.pop("hard") - table.pop("easy")
    enough = table[["n_easier", "n_harder"]].min(axis=1) >= MIN_AT_SITE
    return table.assign(has_both=enough & (table["gap"] >= MIN_GAP)).reset_index()


def weighty(table):
    """The sites of an `overlap` that matter."""
    return table[table["weight_share"] >= WEIGHT]


def too_little(found):
    """Codes of what an `Effect` lacks before it is estimated."""
    table, few = weighty(found.overlap), found.n_vehicles < 2 * MIN_A_SIDE
    strata = min(MIN_STRATA, len(found.overlap))
    one_sided = not table["has_both"].all() or found.overlap["has_both"].sum() < strata
    checks = {
        "site-not-known": few and found.left_out["why"].eq(NO_SITE).any(),
        "few-vehicles": few,
        "no-contrast": found.r2 > MAX_R2 or found.residual_sd < MIN_RESIDUAL_SD,
        "few-a-side": table[["n_easier", "n_harder"]].sum().min() < MIN_A_SIDE,
        "one-sided-site": one_sided,
        "few-lines": found.n_parts < LINES_A_COEFFICIENT * found.coefficients,
    }
    return tuple(code for code, bad in checks.items() if bad)
