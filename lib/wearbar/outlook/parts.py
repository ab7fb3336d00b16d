"""Parts ahead: the fitted sets whose wear is read, and when each reaches its limit."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearbar import parts, usage
from wearbar.log.keys import look_up
from wearbar.parts import usable_of
from wearbar.parts.lives import axle_of

DAMAGE = ("damaged", "failed")
RENEWED = ("worn", "removed-early")
FEW_RENEWALS, LATE_STEPS = 8, 40
DAMAGE_WORTH = 2  # ends, of what all kinds have in common
KINDS, SET = ["category", "kind"], ["vehicle", "category", "axle"]
USUAL_CV = 0.25  # of lives of which none is known


@dataclass(frozen=True, eq=False)
class Sets:
    """Sets of like parts on one axle: tyres and pads are renewed by the axle."""

    # one row a set, `vehicle, site, kind, category, axle, item, size` (its parts); of a new one
    # `life_km`, the median, and `life_sd`, of its log; `damage_per_km` of a part; `together`, the
    # share renewed whole
    rows: pd.DataFrame
    # one row a part, `set` (row), `left_km` (NaN not known), `left_sd` (of log)
    parts: pd.DataFrame
    # (rows, LATE_STEPS) quantiles of how late sets are renewed, in lives
    late: np.ndarray

    def left(self, rows, draws, rng):
        """(draws, sets) km until each is renewed: by its least part, as late as is usual here."""
        at, left, sd = (self.parts[c].to_numpy() for c in ("set", "left_km", "left_sd"))
        life, life_sd = self.rows[["life_km", "life_sd"]].to_numpy().T
        shape = (draws, len(at))
        km = np.nan_to_num(left) * np.exp(rng.standard_normal(shape) * sd)
        fresh = life[at] * np.exp(rng.standard_normal(shape) * life_sd[at])
        km = np.where(np.isnan(left), fresh * rng.random(shape), km)
        least = np.full((len(life), draws), np.inf)
        np.minimum.at(least, at, km.T)
        with np.errstate(invalid="ignore"):  # a life without end, renewed when due
            after = life[rows] * (self._late(rows, draws, rng) - 1)
        return np.maximum(least[rows].T + np.where(np.isfinite(after), after, 0.0), 0.0)

    def life(self, rows, draws, rng):
        """(draws, sets) km that new ones last."""
        life, sd = self.rows[["life_km", "life_sd"]].to_numpy()[rows].T
        noise = rng.standard_normal((draws, len(rows))) * sd
        return life * np.exp(noise) * self._late(rows, draws, rng)

    def _late(self, rows, draws, rng):
        return self.late[rows, rng.integers(0, LATE_STEPS, (draws, len(rows)))]

    def damage(self, rows, draws, rng):
        """(draws, sets) km until a part of each is damaged."""
        rate = (self.rows["damage_per_km"] * self.rows["size"]).clip(lower=1e-12)
        return rng.exponential(1.0, (draws, len(rows))) / rate.to_numpy()[rows]


def worn_of(log, readings=None, confidence=0.9):
    """(`parts.Wear` of the log, `parts.remaining` of its fitted parts)."""
    readings = usage.readings(log) if readings is None else readings
    looks, lives = parts.looks_of(log, readings), parts.spans_of(log, readings=readings)
    lines = parts.wear_of(lives, looks, parts.law_of(log))
    daily = usage.daily_rate(readings, log.as_of)
    return lines, parts.remaining(lines, log.as_of, daily, confidence)


def sets_of(log, readings):
    """The `Sets` fitted now, of the categories whose wear is read."""
    lines, on = worn_of(log, readings)
    on = on[on["vehicle"].isin(log.here)].reset_index(drop=True)
    left, low, high = on["left_km"], on["life_low_km"], on["life_high_km"]
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = (np.log(high) - np.log(low)) / 3.29 * on["life_km"] / left.clip(lower=1.0)
    is_told = np.isfinite(left) | on["state"].isin(["below", "below-legal"])
    on = on.assign(
        axle=axle_of(on["last_position"].fillna("")),
        left_sd=spread.clip(0.02, 1.0).where(left > 0, 0.0).fillna(0.3),
        left_km=left.fillna(0.0).replace(np.inf, np.nan).where(is_told),
        new_km=1000 * usable_of(on) / on["usual_rate"],
        new_sd=on["usual_cv"].fillna(USUAL_CV),
    )
    by = on.groupby(SET, sort=True, dropna=False)
    rows = by.agg(
        site=("site", "first"),
        kind=("kind", "first"),
        item=("item", "last"),
        size=("part_key", "size"),
        life_km=("new_km", "mean"),
        life_sd=("new_sd", "mean"),
    ).reset_index()
    late, together = _habits(lines.parts, rows)
    rows = rows.assign(
        life_km=rows["life_km"].fillna(_lives(lines.parts, rows)),
        damage_per_km=_damage(lines.parts, rows),
        together=together,
    )
    return Sets(rows, on[["left_km", "left_sd"]].assign(set=by.ngroup()), late)


def _habits(ended, rows):
    """(late, together) of `Sets`, by the renewals of each category on record; what fewer than
    FEW_RENEWALS tell is as the limit and the set say. A renewal is what left one axle of a vehicle
    on one day; it is as late as its latest part."""
    rate = ended["rate_mm_per_1000km"].where(lambda rate: rate > 0, ended["usual_rate"])
    life = (1000 * usable_of(ended) / rate).where(lambda km: km > 0)
    ended = ended.assign(
        late=ended["duration_km"] / life, axle=axle_of(ended["last_position"].fillna(""))
    )
    ended = ended[~ended["is_on"] & ended["cause"].isin(RENEWED)]
    events = ended.groupby(["category", "vehicle", "axle", "end"], dropna=False)["late"]
    events = events.agg(["max", "size"]).reset_index()
    late, together = np.ones((len(rows), LATE_STEPS)), np.ones(len(rows))
    for category, some in events.groupby("category"):
        mine, known = rows["category"].eq(category).to_numpy(), some["max"].dropna().clip(0.5, 2.0)
        if len(known) >= FEW_RENEWALS:
            late[mine] = np.quantile(known, (np.arange(LATE_STEPS) + 0.5) / LATE_STEPS)
        if len(some) >= FEW_RENEWALS:
            together[mine & rows["size"].gt(1)] = (some["size"] > 1).mean()
    return late, together


def _lives(worn, rows):
    """Median life to the limit of like parts: of the category and kind, else of the category."""
    km = 1000 * usable_of(worn) / worn["rate_mm_per_1000km"].where(lambda rate: rate > 0)
    worn = worn.assign(km=km.where(km > 0))
    both, one = (worn.groupby(by)["km"].median().rename("km") for by in (KINDS, "category"))
    own, every = rows[KINDS].join(both, on=KINDS)["km"], look_up(rows["category"], one)
    return own.fillna(every).fillna(np.inf)


def _damage(lives, rows):
    """Ends by damage a km of each kind, drawn to the category's as by `DAMAGE_WORTH` ends."""
    ends = lives.assign(n=lives["cause"].isin(DAMAGE).astype(float), km=lives["duration_km"])
    own, whole = (ends.groupby(by)[["n", "km"]].sum() for by in (KINDS, "category"))
    own = rows[KINDS].join(own, on=KINDS).fillna({"n": 0.0, "km": 0.0})
    usual = look_up(rows["category"], whole["n"] / whole["km"].where(whole["km"] > 0))
    usual = usual.where(usual > 0)
    return ((own["n"] + DAMAGE_WORTH) / (own["km"] + DAMAGE_WORTH / usual)).fillna(0.0)
