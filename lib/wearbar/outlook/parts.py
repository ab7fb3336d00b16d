"""Parts ahead: the fitted sets whose wear is read, and when each reaches its limit."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearbar import parts, usage
from wearbar.parts import usable_of
from wearbar.parts.fitted import axle_of

DAMAGE = ("damaged", "failed")
RENEWED = ("worn", "removed-early")
FEW_RENEWALS, LATE_STEPS = 8, 40
DAMAGE_WORTH = 2  # ends, of what all kinds have in common
SET = ["vehicle", "category", "axle"]
USUAL_CV = 0.25  # of lives of which none is known


@dataclass(frozen=True, eq=False)
class Sets:
    """Sets of like parts on one axle: tyres and pads are renewed by the axle.

    rows: one row a set, `vehicle, site, kind, category, axle, item, size`. parts: one row a part,
    `set` (row), `left_km` and `left_sd` (of its log; NaN where not known). life_km, life_sd:
    (rows,) median of a new one and the sd of its log. damage_per_km: (rows,). late: (rows, steps)
    quantiles of how late sets are renewed, in lives; together: (rows,) share renewed whole; None:
    as the limit and the set say.
    """

    rows: pd.DataFrame
    parts: pd.DataFrame
    life_km: np.ndarray
    life_sd: np.ndarray
    damage_per_km: np.ndarray
    late: np.ndarray | None = None
    together: np.ndarray | None = None

    def left(self, rows, draws, rng):
        """(draws, sets) km until each is renewed: by its least part, as late as is usual here."""
        at, left = self.parts["set"].to_numpy(), self.parts["left_km"].to_numpy()
        sd, shape = self.parts["left_sd"].to_numpy(), (draws, len(at))
        km = np.nan_to_num(left) * np.exp(rng.standard_normal(shape) * np.nan_to_num(sd))
        fresh = self.life_km[at] * np.exp(rng.standard_normal(shape) * self.life_sd[at])
        km = np.where(np.isnan(left), fresh * rng.random(shape), km)
        least = np.full((len(self.rows), draws), np.inf)
        np.minimum.at(least, at, km.T)
        with np.errstate(invalid="ignore"):  # a life without end, renewed when due
            after = self.life_km[rows] * (self._late(rows, draws, rng) - 1)
        return np.maximum(least[rows].T + np.where(np.isfinite(after), after, 0.0), 0.0)

    def life(self, rows, draws, rng):
        noise = rng.standard_normal((draws, len(rows))) * self.life_sd[rows]
        return self.life_km[rows] * np.exp(noise) * self._late(rows, draws, rng)

    def _late(self, rows, draws, rng):
        if self.late is None:
            return np.ones((draws, len(rows)))
        return self.late[rows, rng.integers(0, self.late.shape[1], (draws, len(rows)))]

    def is_whole(self, rows, draws, rng):
        """(draws, sets): whether all of the set is renewed with the part that is worn."""
        if self.together is None:
            return np.ones((draws, len(rows)), bool)
        return rng.random((draws, len(rows))) < self.together[rows]

    def damage(self, rows, draws, rng):
        rate = np.maximum(self.damage_per_km[rows] * self.rows["size"].to_numpy()[rows], 1e-12)
        return rng.exponential(1.0, (draws, len(rows))) / rate

    def extra(self, rows, prices):
        """Money of what is fitted with a piece, by row."""
        total, blank = np.zeros(len(rows)), np.repeat("", len(rows))
        for category, others in prices.companions.items():
            for other in others:
                own = prices.piece(rows["kind"], np.repeat(other, len(rows)), blank)["amount"]
                total += np.where(rows["category"].eq(category), np.nan_to_num(own), 0.0)
        return total


def worn_of(log, readings=None, confidence=0.9):
    """(`parts.Wear` of the log, `parts.remaining` of its fitted parts)."""
    readings = usage.readings(log) if readings is None else readings
    looks, lives = parts.looks_of(log, readings), parts.spans_of(log, readings=readings)
    lines = parts.wear_of(lives, looks, parts.law_of(log))
    daily = usage.daily_rate(readings, log.as_of)
    return lines, parts.remaining(lines, log.as_of, daily, confidence)


def sets_of(log, readings):
    """The `Sets` fitted now, of the categories whose wear is read."""
    found, on = worn_of(log, readings)
    on = on[on["vehicle"].isin(log.here)].reset_index(drop=True)
    on["axle"] = axle_of(on["last_position"].fillna(""))
    by = on.groupby(SET, sort=True, dropna=False)
    first, size = {"site": ("site", "first"), "kind": ("kind", "first")}, ("part_key", "size")
    rows, at = by.agg(**first, item=("item", "last"), size=size).reset_index(), by.ngroup()
    left, life = (on[c].to_numpy(dtype=float) for c in ("left_km", "life_km"))
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = (np.log(on["life_high_km"]) - np.log(on["life_low_km"])) / 3.29
        sd = np.where(left > 0, np.clip(spread * life / np.maximum(left, 1.0), 0.02, 1.0), 0.0)
    told = np.isfinite(left) | on["state"].isin(["below", "below-legal"])
    left = np.where(told, np.nan_to_num(left, posinf=np.nan), np.nan)
    pieces = {"set": at, "left_km": left, "left_sd": np.nan_to_num(sd, nan=0.3)}
    own = 1000 * usable_of(on) / on["usual_rate"]
    usual = pd.DataFrame({"km": own, "sd": on["usual_cv"].fillna(USUAL_CV)})
    usual = usual.groupby(at).mean().reindex(range(len(rows)))
    km = usual["km"].fillna(_lives(found.parts, rows)).to_numpy()
    sd = usual["sd"].fillna(USUAL_CV).to_numpy()
    damage, habits = _damage(found.parts, rows), _habits(found, rows)
    return Sets(rows, pd.DataFrame(pieces), km, sd, damage, *habits)


def _habits(found, rows):
    """(late, together) of `Sets`, by the renewals of each category on record; what fewer than
    FEW_RENEWALS tell is as the limit and the set say.

    A renewal is what left one axle of a vehicle on one day; it is as late as its latest part.
    """
    p = found.parts
    rate = p["rate_mm_per_1000km"].where(p["rate_mm_per_1000km"] > 0, p["usual_rate"])
    life = 1000 * usable_of(p) / rate
    axle = axle_of(p["last_position"].fillna(""))
    ends = p.assign(late=p["duration_km"] / life.where(life > 0), axle=axle)
    ends = ends[~ends["is_on"] & ends["cause"].isin(RENEWED)]
    events = ends.groupby(["category", "vehicle", "axle", "end"], dropna=False)["late"]
    events = events.agg(["max", "size"]).reset_index()
    late, together = np.ones((len(rows), LATE_STEPS)), np.ones(len(rows))
    for category, some in events.groupby("category"):
        mine, known = rows["category"].eq(category).to_numpy(), some["max"].dropna().clip(0.5, 2.0)
        if len(known) >= FEW_RENEWALS:
            late[mine] = np.quantile(known, (np.arange(LATE_STEPS) + 0.5) / LATE_STEPS)
        if len(some) >= FEW_RENEWALS:
            together[mine & (rows["size"] > 1).to_numpy()] = (some["size"] > 1).mean()
    return late, together


def _lives(worn, rows):
    """Median life to the limit of like parts: of the category and kind, else of the category."""
    worn = worn[(worn["rate_mm_per_1000km"] > 0) & worn["limit"].notna()]
    life = (1000 * usable_of(worn) / worn["rate_mm_per_1000km"]).where(lambda km: km > 0)
    both = life.groupby([worn["category"], worn["kind"]]).median()
    both = both.reindex(pd.MultiIndex.from_frame(rows[["category", "kind"]])).reset_index(drop=True)
    one = rows["category"].map(life.groupby(worn["category"]).median())
    return both.fillna(one).fillna(np.inf)


def _damage(lives, rows):
    """Ends by damage a km of each kind, drawn to the category's as by `DAMAGE_WORTH` ends."""
    harmed, both = lives["cause"].isin(DAMAGE), pd.MultiIndex.from_frame(rows[["category", "kind"]])
    ends = lives.assign(n=harmed.astype(float))
    sums, whole = (
        ends.groupby(by)[["n", "duration_km"]].sum() for by in (["category", "kind"], "category")
    )
    whole = whole["n"] / whole["duration_km"].where(whole["duration_km"] > 0)
    usual = rows["category"].map(whole).fillna(0.0).to_numpy(dtype=float)
    n, km = sums.reindex(both).fillna(0.0).to_numpy(dtype=float).T
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(usual > 0, (n + DAMAGE_WORTH) / (km + DAMAGE_WORTH / usual), 0.0)
