"""Wear lines of every part at once, the place on each that will reach its limit first, and what they have in common."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy import stats

from wearbar.log.keys import look_up
from wearbar.parts.wear_bend import bends_of, hinge_of, straighten
from wearbar.parts.wear_limits import limits_for
from wearbar.parts.wear_line import RISING, crossing, without_doubtful

__all__ = ["STRATUM", "Wear", "wear_of"]

STRATUM = ["category", "kind", "item", "axle"]
MIN_PARTS = 3  # of a stratum, or of a category and kind, that say what is usual
ENOUGH_READ, ENOUGH_ALIKE = (
    3,
    12,
)  # days read since a part was moved; parts read of its category and kind
LEAST_SPREAD = 0.05
SPREAD, SPREAD_WORTH = (
    0.2,
    4,
)  # part-to-part spread as a share, and the number of parts that this is worth beside the log's own: judgement


@dataclass(frozen=True)
class Wear:
    """Wear of all parts.

    lines: one row a part and place read: `part_key, place, quantity, n, x_mean, y_mean, sxx, slope, slope_se, at_zero, error, df`;
    heights fall with wear (stretch has its sign changed). parts: one row a part, from its governing place: the span's columns, `limit`,
    `legal_limit` and the others of `limits.limits_for`, `place`, `rate_mm_per_1000km` (% for stretch), `se`, `n_readings`,
    `distance_km` over which it was read, `usual_rate`, `usual_cv`, `n_alike`, `spread_cv` (of like parts on any vehicle), and
    `bend`, `hinge`. looks: the readings, with `residual`, `t`, `is_doubtful`; those without a distance are in no line and have
    neither of the first two. error: by category and quantity, the standard deviation of one reading and its degrees of freedom.
    bends: as `bend.bends_of`. bent: the same with wear bent in the last third where `bends` shows that, its heights
    straightened; None where none is shown.
    """

    lines: pd.DataFrame
    parts: pd.DataFrame
    looks: pd.DataFrame
    error: pd.DataFrame
    bends: pd.DataFrame | None = None
    bent: "Wear | None" = None

    def only(self, vehicles):
        """The same for these vehicles' parts alone; what is usual, and a reading's error, stay those of all."""
        parts = self.parts[self.parts["vehicle"].isin(vehicles)].reset_index(drop=True)
        own = [
            table[table["part_key"].isin(parts["part_key"])].reset_index(drop=True)
            for table in (self.lines, self.looks)
        ]
        return Wear(
            own[0], parts, own[1], self.error, self.bends, self.bent and self.bent.only(vehicles)
        )

    @property
    def rates(self):
        """Parts with a wear rate of their own, for the effect of use."""
        columns = [
            "part_key",
            "vehicle",
            "site",
            "kind",
            "category",
            "item",
            "position",
            "watched_from",
            "end",
            "rate_mm_per_1000km",
            "se",
            "n_readings",
            "distance_km",
        ]
        rates = self.parts.loc[
            self.parts["rate_mm_per_1000km"].notna() & self.parts["se"].notna(), columns
        ]
        return rates.rename(columns={"watched_from": "start"}).reset_index(drop=True)


def wear_of(spans, looks, law):
    """`Wear` of the spans that have readings (`spans.spans_of`, `spans.looks_of`); law: the log's (`law.law_of`).

    A place's line is its least squares line, the error of a reading pooled over all lines of a category. The governing place is the one
    whose line reaches the limit first. What is usual (`usual_rate`, and `usual_cv`, its part-to-part spread as a share) is an empirical
    Bayes prior: rates of like parts (same kind, item and axle, or where under three, same kind) vary about their mean by a share common
    to the category, by moments (DerSimonian & Laird 1986, iterated; from memory), with `SPREAD` taken as worth `SPREAD_WORTH` parts. Of
    that spread, what the parts of one vehicle share leans the prior to the vehicle's other parts, so that a new part on a hard-used vehicle
    is not taken for a usual one.
    """
    spans = pd.concat([spans, limits_for(spans, law)], axis=1)
    spans["axle"] = axle_of(spans)
    looks = _by_place(looks, spans)
    straight = _lines_of(spans, looks)
    bends = bends_of(straight.looks, straight.parts)
    if not bends["is_shown"].any():
        return replace(straight, bends=bends)
    bend, hinge = (
        look_up(spans["category"], bends[bends["is_shown"]].set_index("category")["bend"]).fillna(
            0.0
        ),
        hinge_of(straight.parts),
    )
    own = pd.DataFrame({"bend": bend, "hinge": hinge}).set_axis(spans["part_key"])
    looks["height"] = straighten(
        looks["height"], *(look_up(looks["part_key"], own[c]) for c in ("hinge", "bend"))
    )
    return replace(
        straight, bends=bends, bent=_lines_of(spans.assign(bend=bend, hinge=hinge), looks)
    )


def _lines_of(spans, looks):
    told = looks["distance_km"].notna()
    placed, lines, error = without_doubtful(looks[told])
    if not told.all():
        placed = pd.concat([placed, looks[~told].assign(is_doubtful=False)], ignore_index=True)
    return Wear(lines, _with_usual(_governing(spans, lines)), placed, error)


def axle_of(spans):
    """front, rear, axle2 ...: where a part on now is; where one that came off always was, or "rotated"."""
    axles = (
        spans["last_position"]
        .where(spans["is_on"], spans["positions"])
        .str.replace(r"\b(axle\d+|front|rear)(-[a-z]+)+", r"\1", regex=True)
    )
    alike = axles.str.split(", ").map(set).str.len().eq(1)
    return axles.str.split(", ").str[0].where(alike, "rotated")


def _by_place(looks, spans):
    """Readings by place with height falling; what `fitted` says goes to every place (new) or stands in where nothing was read that day.

    A part on now that has been moved is judged by what was read since, where that is enough or enough like parts are read to help:
    another position wears another place, at another rate.
    """
    since = look_up(looks["part_key"], _moved(spans, looks))
    looks = looks[since.isna() | (looks["date"] >= since)]
    kind = (
        looks.dropna(subset=["quantity"])
        .drop_duplicates("part_key")
        .set_index("part_key")["quantity"]
    )
    general = (
        looks.dropna(subset=["quantity"])
        .groupby("category")["quantity"]
        .agg(lambda q: q.mode().iloc[0])
    )
    looks = looks.assign(
        quantity=looks["quantity"]
        .fillna(look_up(looks["part_key"], kind))
        .fillna(look_up(looks["category"], general))
        .fillna("depth")
    )
    read = looks[looks["source"].eq("reading")]
    seen = pd.MultiIndex.from_frame(read[["part_key", "date"]])
    places = read[["part_key", "place"]].drop_duplicates()
    alone = looks[
        ~looks["source"].isin(["reading", "new"])
        & ~looks["part_key"].isin(places.loc[places["place"].ne(""), "part_key"])
    ]
    alone = alone[~pd.MultiIndex.from_frame(alone[["part_key", "date"]]).isin(seen)]
    new = [
        f.drop(columns="place", errors="ignore")
        for f in (looks[looks["source"].eq("new")], _unstretched(spans, kind))
        if len(f)
    ]
    new = pd.concat(new, ignore_index=True) if new else looks[:0].drop(columns="place")
    new = new.merge(places, on="part_key", how="left").fillna({"place": ""})
    rows = pd.concat([f for f in (read, alone, new) if len(f)] or [looks], ignore_index=True)
    rows["height"] = rows["value"].where(rows["quantity"].ne(RISING), -rows["value"])
    return rows.sort_values(
        ["part_key", "place", "distance_km", "line"], kind="stable", ignore_index=True
    )


def _moved(spans, looks):
    """Part to the day since which its readings count, of parts on now that have been moved."""
    moved = spans[spans["is_on"] & spans["positions"].ne(spans["last_position"])].set_index(
        "part_key"
    )
    since = looks["date"] >= look_up(looks["part_key"], moved["last_start"])
    later = looks[since & looks["distance_km"].notna()].groupby("part_key")["date"].nunique()
    read = spans[spans["part_key"].isin(looks["part_key"])].groupby(["category", "kind"]).size()
    alike = pd.Series(
        read.reindex(pd.MultiIndex.from_frame(moved[["category", "kind"]])).to_numpy(), moved.index
    )
    return moved.loc[
        later.reindex(moved.index).ge(ENOUGH_READ) | alike.ge(ENOUGH_ALIKE), "last_start"
    ]


def _unstretched(spans, kind):
    """A part measured by its stretch had none when new."""
    new = spans[
        spans["age_known"] & look_up(spans["part_key"], kind).eq(RISING) & (spans["start"].notna())
    ]
    columns = {
        "part_key": new["part_key"],
        "vehicle": new["vehicle"],
        "category": new["category"],
        "position": new["position"],
    }
    told = pd.DataFrame(
        {
            **columns,
            "date": new["start"],
            "value": 0.0,
            "quantity": RISING,
            "source": "new",
            "line": -1,
        }
    )
    return told.assign(distance_km=0.0, distance_is_own=True)


def _governing(spans, lines):
    """Each span with the line of the place that reaches its limit first; a span without readings has none."""
    spans = spans if "bend" in spans else spans.assign(bend=0.0, hinge=np.nan)
    lines = lines.merge(
        spans[["part_key", "category", "limit", "bend", "hinge"]], on=["part_key", "category"]
    )
    height = np.where(lines["quantity"].eq(RISING), -lines["limit"], lines["limit"])
    height = straighten(height, lines["hinge"], lines["bend"])
    slope = lines["slope"].fillna(0.0)
    at, _, _ = crossing(lines["at_zero"].fillna(lines["y_mean"]), slope, 0, 0, 0, height, 0)
    order = lines.assign(height_limit=height, at=at).sort_values(
        ["part_key", "at", "y_mean"], kind="stable", na_position="last"
    )
    order = order.drop_duplicates(["part_key", "category"]).drop(
        columns=["at", "rss", "limit", "bend", "hinge"]
    )
    parts = spans.merge(order, on=["part_key", "category"], how="left")
    parts["rate_mm_per_1000km"], parts["se"] = -1000 * parts["slope"], 1000 * parts["slope_se"]
    return parts.rename(columns={"reach": "distance_km"})


def _with_usual(parts):
    """Adds usual_rate (per 1,000 km), usual_cv, n_alike and spread_cv: what is usual of like parts, leant to the part's own vehicle."""
    known = parts["rate_mm_per_1000km"].notna() & parts["se"].notna() & (parts["n"] > 2)
    rate, se = parts["rate_mm_per_1000km"].where(known), parts["se"].where(known)
    group = parts.loc[known, "category"]
    freedom = (
        group.groupby(group).size()
        - parts[known].drop_duplicates(STRATUM).groupby("category").size()
    )
    mean = _mean_alike(parts, rate, 1.0 / (se**2 + (0.3 * rate.abs()) ** 2))
    for _ in range(10):
        off, noise = rate / mean - 1, (se / mean) ** 2
        cv2 = _spread(off**2 - noise, parts["category"], freedom)
        mean = _mean_alike(parts, rate, 1 / (se**2 + cv2 * mean**2))
    n_alike, vehicles = _alike(
        parts.assign(known=parts["part_key"].where(known), vehicle=parts["vehicle"].where(known))
    )
    vehicle, left = _of_vehicle(parts, off, noise, cv2, vehicles)
    enough = n_alike >= MIN_PARTS
    usual = {
        "usual_rate": mean * (1 + vehicle),
        "usual_cv": np.sqrt(left),
        "spread_cv": np.sqrt(cv2),
    }
    return parts.assign(
        **{name: values.where(enough) for name, values in usual.items()}, n_alike=n_alike
    )


def _alike(parts):
    """Like parts known, and their vehicles; where under three, those of the same kind and axle."""
    own, wide = (
        parts.groupby(by)[["known", "vehicle"]].transform("nunique")
        for by in (STRATUM, ["category", "kind", "axle"])
    )
    return own.mask(own["known"] < MIN_PARTS, wide).astype(int).T.to_numpy()


def _spread(squares, category, freedom):
    """Squared spread as a share, by category, by moments; `SPREAD` stands in for `SPREAD_WORTH` parts."""
    cv2 = (squares.groupby(category).sum() + SPREAD_WORTH * SPREAD**2) / (freedom + SPREAD_WORTH)
    return look_up(category, cv2.clip(lower=LEAST_SPREAD**2))


def _of_vehicle(parts, off, noise, cv2, vehicles):
    """(how far a vehicle's parts wear from the mean, as a share, told by its other parts; squared spread of a part that is left).

    Two levels: what a vehicle's parts of a category share (its use, its drivers), by the products of parts fitted on different days, and
    the rest, taken as common to parts fitted together. The vehicle's part is the best linear predictor.
    """
    own, together = (
        [parts["category"], parts["vehicle"]],
        [parts["category"], parts["vehicle"], parts["start"]],
    )
    known, off = off.notna().astype(float), off.fillna(0.0)
    pairs, products = (
        (x.groupby(own).sum() ** 2).groupby("category").sum()
        - (x.groupby(together, dropna=False).sum() ** 2).groupby("category").sum()
        for x in (known, off)
    )
    shared = (
        look_up(parts["category"], products / pairs.where(pairs > 0)).fillna(0.0).clip(lower=0.0)
    )
    shared = np.minimum(shared, cv2 - LEAST_SPREAD**2)
    within = cv2 - shared
    weight = known / (
        within * known.groupby(together, dropna=False).transform("sum") + noise.fillna(0.0)
    )
    weight = weight.fillna(0.0)
    others = weight.groupby(own).transform("sum") - weight
    pull = weight * off
    with np.errstate(divide="ignore"):
        precision = others + 1 / shared
    return (pull.groupby(own).transform("sum") - pull) / precision, within + (
        1 + 1 / np.maximum(vehicles, 1)
    ) / precision


def _mean_alike(parts, rate, weight):
    """Weighted mean of like parts; where under three, of the same kind and axle."""
    frame = parts[STRATUM].assign(weight=weight, total=weight * rate, one=rate.notna().astype(int))
    own = frame.groupby(STRATUM)[["weight", "total", "one"]].transform("sum")
    wide = frame.groupby(["category", "kind", "axle"])[["weight", "total"]].transform("sum")
    few = own["one"] < MIN_PARTS
    mean = own["total"].mask(few, wide["total"]) / own["weight"].mask(few, wide["weight"])
    return mean.where(mean > 0)


def t_quantile(confidence, freedom):
    """Upper two-sided quantile of Student's t, at least one degree of freedom."""
    return stats.t.ppf((1 + confidence) / 2, np.maximum(freedom, 1))
