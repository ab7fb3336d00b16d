"""Parts ahead: the sets now on whose wear is read, when each reaches its limit."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearbar import parts as spans
from wearbar import usage
from wearbar.parts import law_of, remaining, usable_of, wear_of

DAMAGE = ("damaged", "failed")
RENEWED = ("worn", "removed-early")
FEW_RENEWALS, LATE_STEPS = 8, 40
DAMAGE_WORTH = 2  # ends, of what all kinds have in common


@dataclass(frozen=True, eq=False)
class Sets:
    """rows: one row a set of like parts on one axle (tyres and pads are renewed by the axle): `vehicle, site, kind, category, axle, item,
    size`. parts: one row a part, `set` (row), `left_km` and `left_sd` (of its log; NaN where not known), `is_past`. lives: (rows,) median
    km of a new one and the sd of its log. damage_per_km: (rows,).
    """

    rows: pd.DataFrame
    parts: pd.DataFrame
    life_km: np.ndarray
    life_sd: np.ndarray
    damage_per_km: np.ndarray
    late: np.ndarray | None = None
    together: np.ndarray | None = None

    def left(self, rows, draws, rng):
        """(draws, sets) km until each is renewed: the least of its parts, and as much later as is usual here."""
        known = np.nan_to_num(self.parts["left_km"].to_numpy(), nan=0.0)
        noise = rng.standard_normal((draws, len(known)))
        km = known * np.exp(noise * np.nan_to_num(self.parts["left_sd"].to_numpy()))
        blind = self.parts["left_km"].isna().to_numpy()
        at = self.parts["set"].to_numpy()
        fresh = (
            self.life_km[at]
            * np.exp(rng.standard_normal(km.shape) * self.life_sd[at])
            * rng.random(km.shape)
        )
        km = np.where(blind, fresh, km)
        least = np.full((len(self.rows), draws), np.inf)
        np.minimum.at(least, at, km.T)
        with np.errstate(invalid="ignore"):  # a life without end, renewed when due
            after = self.life_km[rows] * (self._late(rows, draws, rng) - 1)
        return np.maximum(least[rows].T + np.where(np.isfinite(after), after, 0.0), 0.0)

    def life(self, rows, draws, rng):
        life = self.life_km[rows] * np.exp(
            rng.standard_normal((draws, len(rows))) * self.life_sd[rows]
        )
        return life * self._late(rows, draws, rng)

    def _late(self, rows, draws, rng):
        if self.late is None:
            return np.ones((draws, len(rows)))
        return self.late[
            np.asarray(rows)[None, :], rng.integers(0, self.late.shape[1], (draws, len(rows)))
        ]

    def is_whole(self, rows, draws, rng):
        """(draws, sets): whether all of the set is renewed with the part that is worn."""
        return (
            np.ones((draws, len(rows)), bool)
            if self.together is None
            else rng.random((draws, len(rows))) < self.together[rows]
        )

    def damage(self, rows, draws, rng):
        rate = np.maximum(self.damage_per_km[rows] * self.rows["size"].to_numpy()[rows], 1e-12)
        return rng.exponential(1.0, (draws, len(rows))) / rate

    def extra(self, rows, prices):
        """Money of what is fitted with a piece, by row."""
        total = np.zeros(len(rows))
        for category, others in prices.companions.items():
            for other in others:
                own = prices.piece(
                    rows["kind"], np.repeat(other, len(rows)), np.repeat("", len(rows))
                )["amount"]
                total = total + np.where(rows["category"].eq(category), np.nan_to_num(own), 0.0)
        return total


def sets_of(log, readings):
    """The `Sets` now on, of the categories whose wear is read."""
    lives = spans.spans_of(log, readings=readings)
    found = wear_of(lives, spans.looks_of(log, readings), law_of(log))
    on = remaining(found, log.as_of, usage.daily_rate(readings, log.as_of))
    gone = log.tables["vehicles"].loc[log.tables["vehicles"]["disposed"].le(log.as_of), "vehicle"]
    on = on[~on["vehicle"].isin(gone)].reset_index(drop=True)
    on["axle"] = axle_at(on["last_position"])
    key = ["vehicle", "category", "axle"]
    rows = on.groupby(key, sort=True, dropna=False).agg(
        site=("site", "first"),
        kind=("kind", "first"),
        item=("item", "last"),
        size=("part_key", "size"),
    )
    rows = rows.reset_index()
    at = pd.MultiIndex.from_frame(rows[key]).get_indexer(pd.MultiIndex.from_frame(on[key]))
    left, life, cv = (on[c].to_numpy(dtype=float) for c in ("left_km", "life_km", "usual_cv"))
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = (np.log(on["life_high_km"]) - np.log(on["life_low_km"])) / 3.29
        sd = np.where(left > 0, np.clip(spread * life / np.maximum(left, 1.0), 0.02, 1.0), 0.0)
    told = on["left_km"].notna() & np.isfinite(on["left_km"]) | on["state"].isin(
        ["below", "below-legal"]
    )
    parts = pd.DataFrame(
        {
            "set": at,
            "left_km": np.where(told, np.nan_to_num(left, posinf=np.nan), np.nan),
            "left_sd": np.nan_to_num(sd, nan=0.3),
        }
    )
    lives_km = (
        (1000 * usable_of(on) / on["usual_rate"]).groupby(at).mean().reindex(range(len(rows)))
    )
    lives_km = lives_km.fillna(_lives(found, rows)).to_numpy()
    sd = (
        pd.Series(np.nan_to_num(cv, nan=0.25))
        .groupby(at)
        .mean()
        .reindex(range(len(rows)))
        .fillna(0.25)
        .to_numpy()
    )
    return Sets(rows, parts, lives_km, sd, _damage(lives, rows), *_habits(found, rows))


def _habits(found, rows):
    """(late, together) of `Sets`, by the renewals of each category on record; what fewer than FEW_RENEWALS tell is as the limit and the set
    say. A renewal is what left one axle of a vehicle on one day; it is as late as its latest part."""
    p = found.parts
    life = (
        1000
        * usable_of(p)
        / p["rate_mm_per_1000km"].where(p["rate_mm_per_1000km"] > 0, p["usual_rate"])
    )
    ends = p.assign(late=p["duration_km"] / life.where(life > 0))
    ends = ends[
        ~ends["is_on"] & ends["cause"].isin(RENEWED) & ends["category"].isin(rows["category"])
    ]
    ends["axle"] = axle_at(ends["last_position"])
    events = (
        ends.groupby(["category", "vehicle", "axle", "end"], dropna=False)["late"]
        .agg(["max", "size"])
        .reset_index()
    )
    late, together = np.ones((len(rows), LATE_STEPS)), np.ones(len(rows))
    for category, some in events.groupby("category"):
        mine, known = rows["category"].eq(category).to_numpy(), some["max"].dropna().clip(0.5, 2.0)
        if len(known) >= FEW_RENEWALS:
            late[mine] = np.quantile(known, (np.arange(LATE_STEPS) + 0.5) / LATE_STEPS)
        if len(some) >= FEW_RENEWALS:
            together[mine & (rows["size"] > 1).to_numpy()] = (some["size"] > 1).mean()
    return late, together


def axle_at(position):
    """The axle of each position: front, rear, axle2 ...; a position that names none stays as it is."""
    return position.fillna("").str.replace(r"^(axle\d+|front|rear)-.*$", r"\1", regex=True)


def _lives(found, rows):
    """Median life to the limit of like parts: of the category and kind, else of the category."""
    parts = found.parts[(found.parts["rate_mm_per_1000km"] > 0) & found.parts["limit"].notna()]
    life = (1000 * usable_of(parts) / parts["rate_mm_per_1000km"]).where(lambda x: x > 0)
    by_both = life.groupby([parts["category"], parts["kind"]]).median().rename("a")
    by_one = life.groupby(parts["category"]).median()
    both = by_both.reindex(pd.MultiIndex.from_frame(rows[["category", "kind"]]))
    return both.reset_index(drop=True).fillna(rows["category"].map(by_one)).fillna(np.inf)


def _damage(lives, rows):
    """Ends by damage or failure a km of each category and kind, drawn to the category's as by `DAMAGE_WORTH` ends."""
    harmed, by_both, by_one = lives[lives["cause"].isin(DAMAGE)], ["category", "kind"], "category"
    n, km = harmed.groupby(by_both).size(), lives.groupby(by_both)["duration_km"].sum()
    whole = harmed.groupby(by_one).size() / lives.groupby(by_one)["duration_km"].sum().where(
        lambda km: km > 0
    )
    usual = rows["category"].map(whole).fillna(0.0).to_numpy(dtype=float)
    both = pd.MultiIndex.from_frame(rows[by_both])
    n, km = (x.reindex(both).fillna(0.0).to_numpy(dtype=float) for x in (n, km))
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(usual > 0, (n + DAMAGE_WORTH) / (km + DAMAGE_WORTH / usual), 0.0)
