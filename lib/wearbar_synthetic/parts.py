"""The part now in every slot, how it wears, and the record of those that were."""

import numpy as np
import pandas as pd

from wearbar_synthetic.settings import CHANCES, HISTORY_DAYS, ITEMS, NEVER

__all__ = ["Parts", "frame_of"]

ROTATE_EVERY_KM = 14000
ROTATES_EVERY_NTH = 3  # vehicles whose tyres change axles
SWAPPED = 4  # motorcycles that change rear wheels with one another
OWN = (
    "item",
    "part",
    "rate",
    "margin",
    "used",
    "allowance",
    "new",
    "places",
)  # what goes with a part from slot to slot


class Parts:
    """State of every slot; `visit` moves it on by one occasion of each vehicle, `record` hands over what happened."""

    def __init__(self, world, slots, facts, rng):
        self.world, self.slots, self.facts, self.rng = world, slots, facts, rng
        n = len(slots)
        self.v, self.category = slots["v"].to_numpy(), slots["category"].to_numpy()
        self.stored, self.mate = slots["stored"].to_numpy(), slots["mate"].to_numpy()
        self.item, self.part = np.full(n, -1), np.arange(n)
        self.rate, self.margin, self.used, self.used_at_fit = (np.zeros(n) for _ in range(4))
        self.allowance, self.new, self.places = np.ones(n), np.full(n, np.nan), np.ones((n, 3))
        self.from_day = world.vehicles["in_day"].to_numpy()[self.v].copy()
        self.from_exposure = np.zeros(n)
        self.next_part = 0
        self.rotated_km = np.zeros(world.n)
        self.winter_on = False
        self.spans, self.parts, self.readings = [], [], []
        self._fit(np.arange(n), self.from_day)

    def visit(self, step, done):
        """Look at what the tasks done look at; take off what is worn, nearly worn or damaged; fit new; change wheels about.

        step: arrays v, day, hit (slot damaged, or -1), one entry a vehicle. done: vehicles x task columns.
        """
        day_of = np.full(self.world.n, -1)
        day_of[step["v"]] = step["day"]
        day = day_of[self.v]
        hit = np.zeros(len(day), dtype=bool)
        hit[step["hit"][step["hit"] >= 0]] = True
        looked, renewed = (
            self._asked(done, "inspected_by") & ~self.stored,
            self._asked(done, "renewed_by"),
        )
        slot = np.flatnonzero((looked | renewed | hit) & (self.from_day < day))
        read = self._read(slot, day[slot])
        seen = looked[slot] & (self.category[slot] != "air-filter")
        self._note(slot[seen], day[slot[seen]], read[seen])
        reason = self._reasons(
            slot, looked[slot], renewed[slot], hit[slot], read.max(1, initial=-1.0), day
        )
        off = reason != ""
        self._close(slot[off], day[slot[off]], reason[off], read[off].max(1, initial=-1.0))
        self._fit(slot[off], day[slot[off]])
        self._rotate(step, looked, day)
        self._change_season(day)

    def _asked(self, done, which):
        column = self.slots[which].to_numpy()
        return done[self.v, np.maximum(column, 0)] & (column >= 0)

    def _exposure(self, slot, day):
        """Exposure of these slots' vehicles by the end of these days; a part still on at the end has that of the last day."""
        day = np.minimum(day, len(self.world.odometer) - 1)
        return self.world.exposure_table[self.facts["table"][slot], day, self.v[slot]]

    def _wear(self, slot, day):
        """Wear at the quickest place, in mm (chain: %; air filter: share of its life)."""
        run = np.where(self.stored[slot], 0.0, self._exposure(slot, day) - self.from_exposure[slot])
        return self.used[slot] + self.rate[slot] * self.facts["rate_factor"][slot] * run

    def _read(self, slot, day):
        """Wear as read at three places, to 0.1; a part with fewer has minus infinity there."""
        places = self.places[slot]
        read = (
            self._wear(slot, day)[:, None] * places
            + self.rng.standard_normal((len(slot), 3)) * self.facts["error"][slot, None]
        )
        return np.where(places > 0, np.round(read, 1), -np.inf)

    def _reasons(self, slot, looked, renewed, hit, read, day):
        """Why each of these parts comes off now; blank where it stays."""
        filters = self.category[slot] == "air-filter"
        wear = np.where(filters, self._wear(slot, day[slot]), read)
        allowance = self.allowance[slot]
        worn = (looked | renewed) & (wear >= allowance - 1e-9)
        early = looked & ~filters & (wear >= allowance - self.margin[slot])
        goes = np.zeros(len(self.slots), dtype=bool)
        goes[slot] = worn | early
        pair = goes[self.mate[slot]] & looked & (wear > 0.45 * allowance)
        cases = [hit, worn, early, pair, renewed & filters]
        return np.select(cases, ["damaged", "worn", "convenience", "pair", "age"], "")

    def _choose(self, slot):
        """Items for these slots: alike all over a vehicle at one occasion, and like the tyre that stays on the other side."""
        u = self.rng.random(self.world.n)[self.v[slot]]
        choice = (u[:, None] > self.facts["chance"][slot]).sum(1)
        item = self.facts["options"][slot, choice]
        mate = self.mate[slot]
        stays = (mate != slot) & ~np.isin(mate, slot) & (self.item[mate] >= 0)
        return np.where(stays, self.item[mate], item)

    def _fit(self, slot, day):
        """New parts into these slots."""
        n, rng = len(slot), self.rng
        spread, scatter, weibull = (
            rng.standard_normal(n),
            rng.standard_normal((n, 3)),
            rng.standard_exponential(n),
        )
        early, margin, second_hand, worn = rng.random((4, n))
        self.item[slot] = self._choose(slot)
        item = ITEMS.iloc[self.item[slot]]
        sigma = CHANCES["wear_spread_sigma"]
        rate = item["rate"].to_numpy() / 1000 * np.exp(sigma * spread - sigma**2 / 2)
        scale, shape = self.facts["law"][slot].T
        self.rate[slot] = np.where(np.isnan(scale), rate, 1 / (scale * weibull ** (1 / shape)))
        places = self.facts["pattern"][slot] * np.exp(CHANCES["place_spread_sigma"] * scatter)
        self.places[slot] = places / places.max(1, keepdims=True)
        self.new[slot] = item["new"]
        self.allowance[slot] = (item["new"] - item["limit"]).abs().fillna(1.0)
        self.margin[slot] = np.where(
            early < CHANCES["early_removal_share"],
            (0.05 + 0.15 * margin) * self.allowance[slot],
            0.0,
        )
        used = (
            (second_hand < CHANCES["second_hand_share"])
            & (self.mate[slot] != slot)
            & (day > HISTORY_DAYS)
        )
        self.used[slot] = np.where(
            used, np.round((0.2 + 0.25 * worn) * self.allowance[slot], 1), 0.0
        )
        self.part[slot] = self.next_part + np.arange(n)
        self.next_part += n
        self._start(slot, day)
        own = {
            "part": self.part[slot],
            "slot": slot,
            "item": self.item[slot],
            "rate": self.rate[slot],
            "fitted_used": self.used[slot],
        }
        self.parts.append(own | {f"place_{i}": self.places[slot, i] for i in range(3)})

    def _start(self, slot, day):
        self.from_day[slot] = day
        self.from_exposure[slot] = self._exposure(slot, day)
        self.used_at_fit[slot] = self.used[slot]

    def _close(self, slot, day, reason, read=np.nan):
        """End the spans of these slots; what is in store has no span."""
        own = {
            "slot": slot,
            "part": self.part[slot],
            "item": self.item[slot],
            "from": self.from_day[slot],
            "to": day,
        }
        own |= {
            "reason": np.broadcast_to(reason, slot.shape),
            "used_from": self.used_at_fit[slot],
            "used_to": self._wear(slot, day),
        }
        own["read"] = np.broadcast_to(read, slot.shape)
        self.spans.append({name: values[~self.stored[slot]] for name, values in own.items()})

    def _note(self, slot, day, read):
        """Keep what was read, as depth or thickness left (chain: elongation)."""
        sign = np.where(self.category[slot] == "chain", 1.0, -1.0)[:, None]
        value = np.round(
            self.new[slot][:, None] + sign * np.where(np.isinf(read), np.nan, read), 1
        ).clip(min=0)
        self.readings.append(
            {"slot": slot, "part": self.part[slot], "day": day}
            | {f"read_{i}": value[:, i] for i in range(3)}
        )

    def _exchange(self, slot, other, day, reason):
        """The parts of `slot` go off and those of `other` come in their place; each list holds both ends."""
        self._close(slot, day, reason)
        self.used[slot] = self._wear(slot, day)
        for name in OWN:
            own = getattr(self, name)
            own[slot] = own[other]
        self._start(slot, day)

    def _rotate(self, step, looked, day):
        """Some vehicles' four tyres change axles now and then, so that they wear alike, when none of them is new that day."""
        v = step["v"]
        km = np.zeros(self.world.n)
        km[v] = self.world.odometer[step["day"], v]
        wheels = self.slots["partner"].to_numpy() >= 0
        fresh = np.bincount(self.v[wheels & (self.from_day >= day)], minlength=self.world.n) > 0
        ready = (
            (np.arange(self.world.n) % ROTATES_EVERY_NTH == 1)
            & (km - self.rotated_km > ROTATE_EVERY_KM)
            & ~fresh
        )
        slot = np.flatnonzero(wheels & looked & ready[self.v])
        self.rotated_km[self.v[slot]] = km[self.v[slot]]
        if len(slot):
            self._exchange(slot, self.slots["partner"].to_numpy()[slot], day[slot], "rotated")

    def _change_season(self, day):
        """The winter set goes on at the first visit from November on and comes off at the first from April on."""
        store = np.flatnonzero(self.stored)
        if not len(store) or (day[store] < HISTORY_DAYS).any():
            return
        month = (self.world.start + day[store]).astype("datetime64[M]").astype(int) % 12 + 1
        if np.isin(month, [11, 12, 1, 2, 3]).all() != self.winter_on:
            on = self.slots["shelf"].to_numpy()[store]
            self._exchange(
                np.append(store, on), np.append(on, store), day[np.append(store, on)], "stored"
            )
            self.winter_on = not self.winter_on

    def swap_between_vehicles(self, until):
        """Some motorcycles of a type change rear wheels with one another on one day; gives those occasions (v, day, planned, hit)."""
        own = self.world.vehicles.iloc[self.v]
        running = (
            (own["in_day"] < until - 90) & (own["end_day"] > until + 90)
        ).to_numpy() & ~self.world.laid_up[until, self.v]
        rear = ((self.category == "tyre") & (self.slots["position"] == "rear")).to_numpy()
        slot = np.flatnonzero(running & rear & (self.from_day < until))[1:]
        slot = slot[:SWAPPED] if len(slot) >= SWAPPED else slot[:0]
        if len(slot):
            self._exchange(
                slot, slot.reshape(-1, 2)[:, ::-1].ravel(), np.full(len(slot), until), "moved"
            )
        return {
            "v": self.v[slot],
            "day": np.full(len(slot), until),
            "planned": np.zeros(len(slot), bool),
            "hit": np.full(len(slot), -1),
        }

    def record(self):
        """Close what is still on; spans, parts and readings as frames."""
        end = self.world.vehicles["end_day"].to_numpy()[self.v]
        slot = np.flatnonzero(self.from_day <= np.minimum(end, len(self.world.odometer) - 1))
        self._close(slot, end[slot], np.where(end[slot] < NEVER, "disposed", ""))
        return tuple(map(frame_of, (self.spans, self.parts, self.readings)))


def frame_of(pieces):
    """One DataFrame of dicts of arrays, one below the other."""
    return pd.DataFrame({name: np.concatenate([p[name] for p in pieces]) for name in pieces[0]})
