"""Wear lines of all parts, the place on each that governs, and what like parts have in common."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy import stats

from wearbar.log.keys import is_among, look_up, stacked
from wearbar.parts import wear_line
from wearbar.parts.lives import RISING, axle_of

STRATUM = ["category", "kind", "item", "axle"]
WIDER = ["category", "kind", "axle"]  # where a stratum has too few parts
MIN_PARTS = 3  # that say what is usual
ENOUGH_READ, ENOUGH_ALIKE = 3, 12  # days read since a part was moved; parts read of its kind
LEAST_SPREAD = 0.05
# part-to-part spread as a share, and how many parts it is worth beside the log's own (judgement)
SPREAD, SPREAD_WORTH = 0.2, 4
RATES = "part_key vehicle site kind category item position watched_from end"
RATES += " rate_mm_per_1000km se n_readings distance_km"


@dataclass(frozen=True)
class Wear:
    """Wear of all parts; heights fall with wear (stretch has its sign changed).

    parts: a row a part, from its governing place: the span's columns, those of `limits_for` and of
    its line (`fit_lines`), `rate_mm_per_1000km` (% for stretch), `se`, what is usual of like parts
    (`usual_rate`, `usual_cv`, `n_alike`, `spread_cv`: on any vehicle), `bend`, `hinge`. looks: the
    readings, with `residual`, `t`, `is_doubtful`; those without a distance are in no line."""

    parts: pd.DataFrame
    looks: pd.DataFrame
    error: pd.DataFrame  # a reading's standard deviation, its degrees of freedom, by category
    bends: pd.DataFrame | None = None  # as `bends_of`
    bent: "Wear | None" = None  # the same with wear bent where `bends` shows that

    def only(self, vehicles):
        """The same for these vehicles alone; what is usual, and the error, stay those of all."""
        parts = self.parts[self.parts["vehicle"].isin(vehicles)].reset_index(drop=True)
        looks = self.looks[self.looks["part_key"].isin(parts["part_key"])].reset_index(drop=True)
        return replace(self, parts=parts, looks=looks, bent=self.bent and self.bent.only(vehicles))

    @property
    def rates(self):
        """Parts with a wear rate of their own, for the effect of use."""
        known = self.parts["rate_mm_per_1000km"].notna() & self.parts["se"].notna()
        rates = self.parts.loc[known, RATES.split()]
        return rates.rename(columns={"watched_from": "start"}).reset_index(drop=True)


def sign_of(rows):
    """What turns a part's wear into a height that falls, and back."""
    return np.where(rows["quantity"].eq(RISING), -1, 1)


def wear_of(spans, looks, law):
    """`Wear` of the spans that have readings (`spans_of`, `looks_of`); law: the log's (`law_of`).

    The governing place is the one whose line reaches the limit first. What is usual (`usual_rate`,
    and `usual_cv`, its part-to-part spread as a share) is an empirical Bayes prior: rates of like
    parts (same kind, item and axle, or where under three, same kind) vary about their mean by a
    share common to the category, by moments (DerSimonian & Laird 1986, iterated; from memory), with
    `SPREAD` taken as worth `SPREAD_WORTH` parts, leant to what the vehicle's other parts tell."""
    spans = pd.concat([spans, wear_line.limits_for(spans, law)], axis=1)
    # where a fitted part is now; where a removed one always was
    axles = axle_of(spans["last_position"].where(spans["is_on"], spans["positions"]))
    axles = axles.str.split(", ")
    spans["axle"] = axles.str[0].where(axles.map(set).str.len().eq(1), "rotated")
    looks = _by_place(looks, spans)
    straight = _lines_of(spans.assign(bend=0.0, hinge=np.nan), looks)
    bends = wear_line.bends_of(straight.looks, straight.parts)
    shown = bends[bends["is_shown"]].set_index("category")["bend"]
    if shown.empty:
        return replace(straight, bends=bends)
    spans["bend"] = look_up(spans["category"], shown).fillna(0.0)
    spans["hinge"] = wear_line.hinge_of(straight.parts)
    by_part = spans.set_index("part_key")
    bent = (look_up(looks["part_key"], by_part[name]) for name in ("hinge", "bend"))
    looks["height"] = wear_line.straighten(looks["height"], *bent)
    return replace(straight, bends=bends, bent=_lines_of(spans, looks))


def _lines_of(spans, looks):
    """`Wear` by straight lines, each span with the line that reaches its limit first."""
    placed = looks["distance_km"].notna()
    read, lines, error = wear_line.fit_lines(looks[placed].assign(is_doubtful=False))
    # a reading far off is shown, and left out of its line: the farthest of each
    off = read["t"].abs()
    worst = off.eq(off.groupby([read["part_key"], read["place"]]).transform("max"))
    doubtful = worst & (off > wear_line.DOUBTFUL_T) & read["source"].ne("new")
    out = [read[doubtful].assign(is_doubtful=True), looks[~placed].assign(is_doubtful=False)]
    if doubtful.any():
        read, lines, error = wear_line.fit_lines(read[~doubtful])
    read = pd.concat([read, *(rows for rows in out if len(rows))], ignore_index=True)
    key, own = ["part_key", "category"], ["limit", "bend", "hinge"]
    lines = lines.merge(spans[[*key, *own]], on=key)
    height = wear_line.straighten(sign_of(lines) * lines["limit"], lines["hinge"], lines["bend"])
    start = lines["at_zero"].fillna(lines["y_mean"])
    at, _, _ = wear_line.crossing(start, lines["slope"].fillna(0.0), 0, 0, 0, height, 0)
    lines = lines.drop(columns=own).assign(height_limit=height, at=at)
    first = lines.sort_values(["part_key", "at", "y_mean"], kind="stable").drop_duplicates(key)
    parts = spans.merge(first.drop(columns="at"), on=key, how="left")
    parts = parts.assign(rate_mm_per_1000km=-1000 * parts["slope"], se=1000 * parts["slope_se"])
    return Wear(_with_usual(parts), read, error)


def _by_place(looks, spans):
    """Readings by place with height falling; what `fitted` says goes to every place (new) or stands
    in where nothing was read that day. A fitted part that has been moved is judged by what was read
    since, where that or like parts are enough: another position wears another place."""
    is_moved = spans["is_on"] & spans["positions"].ne(spans["last_position"])
    moved = spans[is_moved].set_index("part_key")["last_start"]
    since = look_up(looks["part_key"], moved)
    later = looks[(looks["date"] >= since) & looks["distance_km"].notna()]
    later = later.groupby("part_key")["date"].nunique().reindex(moved.index)
    read = spans["part_key"].isin(looks["part_key"])
    alike = read.groupby([spans["category"], spans["kind"]]).transform("sum")[is_moved].to_numpy()
    moved = moved[later.ge(ENOUGH_READ) | (alike >= ENOUGH_ALIKE)]
    since = since.where(looks["part_key"].isin(moved.index))
    looks = looks[since.isna() | (looks["date"] >= since)]
    told = looks.dropna(subset=["quantity"])
    own = told.drop_duplicates("part_key").set_index("part_key")["quantity"]
    general = told.groupby("category")["quantity"].agg(lambda q: q.mode().iloc[0])
    quantity = looks["quantity"].fillna(look_up(looks["part_key"], own))
    quantity = quantity.fillna(look_up(looks["category"], general)).fillna("depth")
    looks = looks.assign(quantity=quantity)
    read, new = (looks[looks["source"].eq(source)] for source in ("reading", "new"))
    places = read[["part_key", "place"]].drop_duplicates()
    named = looks["part_key"].isin(places.loc[places["place"].ne(""), "part_key"])
    alone = looks[looks["source"].isin(["fitted", "removed"]) & ~named]
    alone = alone[~is_among(alone, read, ["part_key", "date"])]
    # a part measured by its stretch had none when new
    rising = look_up(spans["part_key"], own).eq(RISING)
    is_nil = spans["age_known"] & rising & spans["start"].notna()
    nil = spans.loc[is_nil, ["part_key", "vehicle", "category", "position", "start"]]
    nil = nil.rename(columns={"start": "date"})
    nil = nil.assign(value=0.0, quantity=RISING, source="new", line=-1, distance_km=0.0)
    new = stacked([new.drop(columns="place"), nil])
    new = new.merge(places, on="part_key", how="left").fillna({"place": ""})
    rows = stacked([read, alone, new])
    rows["height"] = sign_of(rows) * rows["value"]
    order = ["part_key", "place", "distance_km", "line"]
    return rows.sort_values(order, kind="stable", ignore_index=True)


def _with_usual(parts):
    """Adds what is usual of like parts, leant to what a vehicle's parts of a category share (its
    use, its drivers): that is told by the products of parts fitted on different days."""
    rate, se, category = parts["rate_mm_per_1000km"], parts["se"], parts["category"]
    is_known = rate.notna() & se.notna() & (parts["n"] > 2)
    rate, se = rate.where(is_known), se.where(is_known)
    like = parts[STRATUM]
    strata = like[is_known].drop_duplicates().groupby("category").size()
    worth = like[is_known].groupby("category").size() - strata + SPREAD_WORTH
    groups = [like.groupby(by).ngroup().replace(-1, np.nan) for by in (STRATUM, WIDER)]

    def mean_of(mean, cv2):
        weight = 1 / (se**2 + cv2 * mean**2)
        sums = _alike(groups, "sum", n=is_known.astype(int), weight=weight, total=weight * rate)
        return (sums["total"] / sums["weight"]).where(lambda means: means > 0)

    mean = mean_of(rate, 0.3**2)
    for _ in range(10 if is_known.any() else 1):
        off, noise = rate / mean - 1, (se / mean) ** 2
        squares = (off**2 - noise).groupby(category).sum() + SPREAD_WORTH * SPREAD**2
        cv2 = look_up(category, (squares / worth).clip(lower=LEAST_SPREAD**2))
        mean = mean_of(mean, cv2)
    own = {"n": parts["part_key"].where(is_known), "v": parts["vehicle"].where(is_known)}
    alike = _alike(groups, "nunique", **own).astype(int)

    own = [category, parts["vehicle"]]
    together = [*own, parts["start"]]
    known, off, noise = off.notna().astype(float), off.fillna(0.0), noise.fillna(0.0)

    def squares_of(x, by):
        return (x.groupby(by, dropna=False).sum() ** 2).groupby("category").sum()

    pairs, products = (squares_of(x, own) - squares_of(x, together) for x in (known, off))
    shared = look_up(category, products / pairs.where(pairs > 0)).fillna(0.0).clip(lower=0.0)
    shared = np.minimum(shared, cv2 - LEAST_SPREAD**2)
    within = cv2 - shared
    beside = known.groupby(together, dropna=False).transform("sum")
    weight = (known / (within * beside + noise)).fillna(0.0)
    others, pulled = (x.groupby(own).transform("sum") - x for x in (weight, weight * off))
    with np.errstate(divide="ignore"):
        precision = others + 1 / shared
    left = within + (1 + 1 / np.maximum(alike["v"], 1)) / precision  # squared spread of a part
    usual = {"usual_rate": mean * (1 + pulled / precision), "usual_cv": left**0.5}
    usual = pd.DataFrame(usual | {"spread_cv": cv2**0.5}).where(alike["n"] >= MIN_PARTS)
    return parts.assign(**usual, n_alike=alike["n"])


def _alike(groups, how, **values):
    """A frame of values put together over like parts; under three (`n`), over wider groups."""
    own, wide = (pd.DataFrame(values).groupby(by).transform(how) for by in groups)
    return own.mask(own["n"] < MIN_PARTS, wide)


def life_to_limit(wear, by=tuple(STRATUM), confidence=0.9):
    """Life to the limit of new parts of a kind, by their wear: one row a group of `by`.

    Beside `by`: `n` (wear lines), `vehicles`, `quantity`, `rate_mm_per_1000km`, `life_km` with
    limits (of the median part: usable depth over the geometric mean rate; Student's t on vehicles -
    1, on the log scale; none below three), `quick_km` (the life that nine parts in ten exceed).
    Where wear bends the rate is that before the bend, the low limit the lower of both forms'."""
    by = list(by)
    if wear.bent is not None:
        forms = (replace(form, bent=None) for form in (wear.bent, wear))
        bent, straight = (life_to_limit(form, by, confidence) for form in forms)
        low = {name: np.fmin(bent[name], straight[name]) for name in ("low_km", "quick_km")}
        return bent.assign(**low)
    parts = wear.parts
    parts = parts[parts["rate_mm_per_1000km"].gt(0) & (parts["n"] > 2) & parts["limit"].notna()]
    rate = parts["rate_mm_per_1000km"]
    weight = 1 / ((parts["se"] / rate) ** 2 + parts["spread_cv"].fillna(0.25) ** 2)
    last = wear_line.LAST
    usable = wear_line.usable_of(parts) * (1 - last + last / (1 + parts["bend"]))
    parts = parts.assign(usable=usable, weight=weight, pull=weight * np.log(rate))
    groups = parts.groupby(by, dropna=False)
    frame = groups.agg({"vehicle": "nunique", "quantity": "first"}).assign(n=groups.size())
    frame = frame.rename(columns={"vehicle": "vehicles"})
    total, middle = groups[["weight", "pull"]].sum(), groups[["usable", "spread_cv"]].median()
    # the error of the weighted mean, parts clustered in vehicles (as for a ratio)
    sums = groups[["weight", "pull"]].transform("sum")
    off = parts.assign(off=parts["pull"] - weight * sums["pull"] / sums["weight"])
    squares = off.groupby([*by, "vehicle"], dropna=False)["off"].sum() ** 2
    squares = squares.groupby(level=by, dropna=False).sum()
    v = frame["vehicles"].where(frame["vehicles"] >= 3)
    half = np.sqrt(squares * v / (v - 1)) / total["weight"] * t_quantile(confidence, v - 1)
    frame["rate_mm_per_1000km"] = np.exp(total["pull"] / total["weight"])
    life = frame["life_km"] = 1000 * middle["usable"] / frame["rate_mm_per_1000km"]
    frame["low_km"], frame["high_km"] = life * np.exp(-half), life * np.exp(half)
    spread = np.sqrt(np.log1p(middle["spread_cv"] ** 2))  # of a lognormal
    frame["quick_km"] = life * np.exp(-stats.norm.ppf(0.9) * spread)
    return frame.reset_index()


def t_quantile(confidence, freedom):
    """Upper two-sided quantile of Student's t, at least one degree of freedom."""
    return stats.t.ppf((1 + confidence) / 2, np.maximum(freedom, 1))
