"""Which parts count, what they are adjusted for, where used harder and easier can be compared, and when there is too little of it.

The thresholds are judgement, fixed in advance.
"""

import numpy as np
import pandas as pd

from wearbar.severity.effect import STEP
from wearbar.stats.clustered import independent_columns

ADJUSTERS = ("site", "kind", "item", "position")
MIN_READINGS, MIN_COVERAGE, MAX_RELATIVE_SE = (
    2,
    0.5,
    2.0,
)  # of a part that counts; se against the category's median rate
RELIABILITY = 0.8  # of recalled shares: that of a sensitivity, and what differences within vehicles must have to count
NO_SITE = "site not known"
# vehicles a side, in all and at a site that matters; sites with both; share of the contrast that makes a site matter. By simulation
# intervals cover as well with two a side at a site as with five
MIN_A_SIDE, MIN_AT_SITE, MIN_STRATA, WEIGHT = 4, 2, 3, 0.10
MAX_R2, MIN_RESIDUAL_SD, MIN_GAP = 0.90, 0.05, 0.05  # of share
LINES_A_COEFFICIENT = 12


def usable(parts, exposure):
    """Parts that count, and how many do not by reason: rules that don't look at a part's own rate."""
    why = pd.Series("", index=parts.index, dtype=object)
    typical, covered = (
        parts["rate_mm_per_1000km"].median(),
        parts.get(f"{exposure}_coverage_share", parts["coverage_share"]),
    )
    rules = [
        ("fewer than two readings", ~(parts["n_readings"] >= MIN_READINGS)),
        (
            "use not known for half of its distance",
            ~(covered >= MIN_COVERAGE) | parts[exposure].isna(),
        ),
        (
            "wear too uncertain",
            ~(parts["se"] <= MAX_RELATIVE_SE * typical) | parts["rate_mm_per_1000km"].isna(),
        ),
        (NO_SITE, parts["site"].isna() & (parts["vehicle"].nunique() > 1)),
    ]
    for text, bad in rules:
        why = why.where((why != "") | ~bad, text)
    counts = why[why != ""].value_counts().reindex([r for r, _ in rules]).dropna().astype(int)
    return parts[why == ""], counts.rename_axis("why").reset_index(name="parts")


def steady(used, exposure):
    """Each part's share of this use or, where shares differ within vehicles by little more than people's error in recalling them
    (`<exposure>_error`, its sd for the part; nil where not given), that of its vehicle: array."""
    share, vehicle = used[exposure], used["vehicle"]
    middle = share.groupby(vehicle).transform("mean")
    spare = max(len(used) - vehicle.nunique(), 1)
    error = used.get(f"{exposure}_error", pd.Series(0.0, used.index)).fillna(0.0)
    seen, recalled = ((share - middle) ** 2).sum() / spare, (error**2).mean()
    return (share if seen * (1 - RELIABILITY) >= recalled else middle).to_numpy()


def adjusters(used, others):
    """Independent columns (n, p): one, each adjuster's levels but its first, and the other kinds of use that are known throughout."""
    levels = used[list(ADJUSTERS)].astype(object)
    levels = levels.where(levels.notna(), "not given").astype(str)
    dummies = pd.get_dummies(levels, drop_first=True, dtype=float)
    other = used[[o for o in others if used[o].notna().all()]] / STEP
    z = np.column_stack([np.ones(len(used)), dummies.to_numpy(), other.to_numpy()])
    return z[:, independent_columns(z)]


def site_of(used):
    return used["site"].where(used["site"].notna(), "not given")


def overlap(used, share, rest):
    """A row a site: vehicles, those used easier and harder than site, kind and items would say, the share's range, the site's weight."""
    parts = pd.DataFrame(
        {
            "vehicle": used["vehicle"],
            "site": site_of(used),
            "share": share,
            "rest": rest,
            "square": rest**2,
        }
    )
    each = parts.groupby("vehicle").agg(
        site=("site", "first"),
        share=("share", "mean"),
        rest=("rest", "mean"),
        square=("square", "sum"),
    )
    harder = each["rest"] > 0
    each = each.assign(
        easier=~harder,
        harder=harder,
        easy=each["rest"].where(~harder),
        hard=each["rest"].where(harder),
    )
    table = each.groupby("site").agg(
        n_vehicles=("share", "size"), n_easier=("easier", "sum"), n_harder=("harder", "sum"), share_least=("share", "min"),
        share_most=("share", "max"), easy=("easy", "mean"), hard=("hard", "mean"), weight_share=("square", "sum"),
    )  # fmt: skip
    table["weight_share"] /= max(table["weight_share"].sum(), 1e-300)
    table["gap"] = table.pop("hard") - table.pop("easy")
    table["has_both"] = (table[["n_easier", "n_harder"]].min(axis=1) >= MIN_AT_SITE) & (
        table["gap"] >= MIN_GAP
    )
    return table.reset_index()


def too_little(found):
    table = found.overlap
    weighty = table[table["weight_share"] >= WEIGHT]
    checks = [
        (
            "site-not-known",
            found.n_vehicles < 2 * MIN_A_SIDE and found.left_out["why"].eq(NO_SITE).any(),
        ),
        ("few-vehicles", found.n_vehicles < 2 * MIN_A_SIDE),
        ("no-contrast", found.r2 > MAX_R2 or found.residual_sd < MIN_RESIDUAL_SD),
        ("few-a-side", weighty[["n_easier", "n_harder"]].sum().min() < MIN_A_SIDE),
        (
            "one-sided-site",
            not weighty["has_both"].all() or table["has_both"].sum() < min(MIN_STRATA, len(table)),
        ),
        ("few-lines", found.n_parts < LINES_A_COEFFICIENT * found.coefficients),
    ]
    return tuple(code for code, bad in checks if bad)
