"""Visits and parts: what was done, when, and how each part wore, from new to the end of the log.

One round takes the next occasion of every vehicle at once: a planned visit, or damage to a tyre.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearbar.synthetic.plans import task_grid
from wearbar.synthetic.settings import CHANCES, ITEMS, LAWS
from wearbar.synthetic.world import HISTORY_DAYS, NEVER, day_reached

__all__ = ["History", "simulate"]

WHEELS = ("front-left", "front-right", "rear-left", "rear-right")
PLACES = {"tyre": ("centre", "left-shoulder", "right-shoulder"), "brake-pad": ("inner", "outer"), "chain": ("tight-spot",), "air-filter": ("",)}
# wear of each place beside the quickest, before its own scatter
PLACE_WEAR = {"front": (0.90, 1.0, 0.97), "rear": (1.0, 0.88, 0.86), "wheel": (0.93, 1.0, 0.97), "brake-pad": (1.0, 0.84, 0.0), "one": (1.0, 0.0, 0.0)}
ROTATE_EVERY_KM = 14000


@dataclass(frozen=True)
class History:
    """What happened, all of it, with what no log shows.

    slots: a place for a part: v, category, position. spans: one row a part's stay in a slot. parts: one row a physical part, with its true
    rate. tasks: planned tasks done (v, day, column). readings: slot, day, part and what was read at three places (NaN where it has fewer).
    occasions: v, day, planned.
    """

    grid: object
    slots: pd.DataFrame
    spans: pd.DataFrame
    parts: pd.DataFrame
    tasks: pd.DataFrame
    readings: pd.DataFrame
    occasions: pd.DataFrame


def simulate(world, rng):
    """The `History` of a `World`."""
    plan_rng, part_rng, hit_rng = rng.spawn(3)
    grid = task_grid(world.vehicles["plan"], world.setting.distance)
    slots = _slots(world, grid)
    state = _Parts(world, slots, part_rng)
    plan = _Planner(world, grid, plan_rng)
    hits = _damage(world, slots, hit_rng)
    swap_day = HISTORY_DAYS + int(0.55 * (len(world.odometer) - HISTORY_DAYS))
    occasions = []
    for until in (swap_day, len(world.odometer) - 1):
        while (step := _next(world, plan, hits, until)) is not None:
            occasions.append(step)
            plan.do(step)
            state.visit(step, plan.done_now)
        if until == swap_day:
            occasions.append(state.swap_between_vehicles(until))
    return state.history(grid, plan, occasions)


def _next(world, plan, hits, until):
    """Vehicles' next occasions up to day `until`, as a frame v, day, planned, hit (slot damaged, or -1); None when there are no more."""
    hit_day = hits["day"][hits["pointer"]]
    day = np.minimum(plan.next_day, hit_day)
    v = np.flatnonzero(day <= np.minimum(until, world.vehicles["end_day"]))
    if not len(v):
        return None
    planned = plan.next_day[v] <= hit_day[v]
    hit = np.where(planned, -1, hits["slot"][hits["pointer"][v]])
    hits["pointer"][v[~planned]] += 1
    return pd.DataFrame({"v": v, "day": day[v], "planned": planned, "hit": hit})


class _Planner:
    """When each vehicle is next in, and which tasks are then done."""

    def __init__(self, world, grid, rng):
        self.world, self.grid, self.rng = world, grid, rng
        shape = grid.code.shape
        self.last_day = np.tile(world.vehicles["in_day"].to_numpy()[:, None], (1, shape[1])).astype(float)
        self.last_km = np.zeros(shape)
        self.begun = np.isinf(np.minimum(grid.first_km, grid.first_days))
        self.visit_day = world.vehicles["in_day"].to_numpy().copy()
        self.next_day = np.full(world.n, NEVER)
        self.log = []
        self._plan(np.arange(world.n))

    def _due(self, v):
        """Day on which each task of vehicles v falls due, and its limit in days."""
        g, severe = self.grid, self.world.severe[self.visit_day[v], v][:, None]
        km = np.where(self.begun[v], np.where(severe, g.severe_km[v], g.every_km[v]), g.first_km[v])
        days = np.where(self.begun[v], np.where(severe, g.severe_days[v], g.every_days[v]), g.first_days[v])
        reach = np.where(np.isinf(km), 1e9, self.last_km[v] + km)
        by_distance = day_reached(self.world.odometer, np.broadcast_to(v[:, None], km.shape), reach)
        return np.minimum(np.where(np.isinf(km), NEVER, by_distance), self.last_day[v] + np.where(np.isinf(days), NEVER, days))

    def _plan(self, v):
        due = self._due(v)
        column = due.argmin(1)
        first = due[np.arange(len(v)), column]
        length = first - self.last_day[v, column]
        late = self.rng.random(len(v)) < CHANCES["late_share_of_visits"]
        share = np.where(late, 0.13 + 0.16 * self.rng.standard_exponential(len(v)), -0.11 + 0.16 * self.rng.random(len(v)))
        day = np.maximum(first + np.round(share * length), self.visit_day[v] + 3).astype(np.int64)
        self.next_day[v] = np.minimum(self._open_day(v, day), NEVER)

    def _open_day(self, v, day):
        """The workshop is shut at weekends, and a laid-up vehicle waits for its return."""
        days = len(self.world.odometer)
        weekday = (self.world.start.astype(int) + day + 3) % 7
        day = day + np.where(weekday == 5, -1, np.where(weekday == 6, 1, 0)) * (not self.world.setting.names)
        inside = day < days
        ahead = np.cumsum(~self.world.laid_up, axis=0)
        laid = np.zeros(len(v), dtype=bool)
        laid[inside] = self.world.laid_up[day[inside], v[inside]]
        worked = ahead[np.where(laid, day, 0), v]
        return np.where(laid, day_reached(ahead, v, worked + 1), day)

    def do(self, step):
        """Do the tasks due at these planned visits; `done_now` is vehicles x columns."""
        self.done_now = np.zeros(self.begun.shape, dtype=bool)
        v, day = (step.loc[step["planned"], c].to_numpy() for c in ("v", "day"))
        if not len(v):
            return
        due = self._due(v)
        done = due <= day[:, None] + np.maximum(16, 0.07 * (due - self.last_day[v]))
        done &= (self.rng.random(done.shape) > 0.02) | (due == due.min(1, keepdims=True))
        self.done_now[v] = done
        self.last_day[v] = np.where(done, day[:, None], self.last_day[v])
        self.last_km[v] = np.where(done, self.world.odometer[day, v][:, None], self.last_km[v])
        self.begun[v] |= done
        self.visit_day[v] = day
        row, column = np.nonzero(done)
        self.log.append(pd.DataFrame({"v": v[row], "day": day[row], "column": column}))
        self._plan(v)


def _slots(world, grid):
    """One row a slot: vehicle, category, position, mate on the axle, partner in rotation, columns of its tasks, items to choose from."""
    v = np.arange(world.n)
    two = world.vehicles["kind"].eq("motorcycle").to_numpy()
    parts = [(v[two], "tyre", p) for p in ("front", "rear")] + [(v[~two], "tyre", p) for p in WHEELS]
    parts += [(v, "brake-pad", "front"), (v, "brake-pad", "rear"), (v[two], "chain", "drive"), (v, "air-filter", "engine")]
    slots = pd.concat([pd.DataFrame({"v": a, "category": c, "position": p}) for a, c, p in parts], ignore_index=True)
    winter = _winter_van(world)
    store = pd.DataFrame({"v": np.repeat(winter, 4), "category": "tyre", "position": np.tile(WHEELS, len(winter))})
    slots = pd.concat([slots.assign(stored=False), store.assign(stored=True)], ignore_index=True)
    slots["axle"] = slots["position"].str.split("-").str[0]
    slots["type"] = world.vehicles["type"].to_numpy()[slots["v"]]
    key = slots["v"].astype(str) + slots["category"] + slots["stored"].astype(str)
    side = slots["position"].str.replace("left", "x").str.replace("right", "left").str.replace("x", "right")
    other_axle = slots["position"].str.replace("front", "x").str.replace("rear", "front").str.replace("x", "rear")
    number = pd.Series(slots.index, index=key + slots["position"])
    wheels = slots["category"].eq("tyre") & slots["position"].isin(WHEELS)
    slots["mate"] = np.where(wheels, number.reindex(key + side).fillna(-1), slots.index).astype(int)
    slots["partner"] = np.where(wheels, number.reindex(key + other_axle).fillna(-1), slots.index).astype(int)
    shelf = slots["v"].astype(str) + slots["category"] + (~slots["stored"]).astype(str) + slots["position"]
    slots["shelf"] = number.reindex(shelf).fillna(-1).to_numpy().astype(int)
    tasks = {"tyre": "tyres-inspect", "brake-pad": "brake-pads-inspect", "chain": "chain-adjust", "air-filter": "air-filter-inspect"}
    slots["inspected_by"] = _task_column(grid, slots, slots["category"].map(tasks))
    slots["renewed_by"] = np.where(slots["category"].eq("air-filter"), _task_column(grid, slots, pd.Series("air-filter-replace", slots.index)), -1)
    return slots


def _winter_van(world):
    """The vehicle that has a second set of wheels: the newest van but one of a fleet."""
    return world.vehicles.index[world.vehicles["kind"].eq("van")][-2:-1].to_numpy() if world.n >= 12 else np.array([], dtype=int)


def _task_column(grid, slots, code):
    """Column of the task that looks at a slot: the one for its position, or for the whole vehicle."""
    own = grid.code[slots["v"]] == code.to_numpy()[:, None]
    position = grid.position[slots["v"]]
    own &= (position == "") | (position == slots["position"].to_numpy()[:, None])
    return np.where(own.any(1), own.argmax(1), -1)


def _damage(world, slots, rng):
    """Damage to tyres as a Poisson process in distance, quicker on loose ground: day and slot sorted by vehicle, and a pointer a vehicle."""
    km = np.diff(world.odometer, axis=0, prepend=0.0)
    hazard = np.cumsum(km * (1 + CHANCES["damage_loose_effect"] * world.loose) / 1000, axis=0)
    tyres = slots.index[slots["category"].eq("tyre") & ~slots["stored"]].to_numpy()
    v = slots["v"].to_numpy()[tyres]
    mean = hazard[-1, v] * world.vehicles["type"].map(CHANCES["damage_per_1000km"]).to_numpy()[v]
    count = rng.poisson(mean)
    slot, v = np.repeat(tyres, count), np.repeat(v, count)
    day = day_reached(hazard, v, rng.random(len(v)) * hazard[-1, v])
    order = np.lexsort((day, v))
    v, day, slot = v[order], day[order], slot[order]
    start = np.searchsorted(v, np.arange(world.n))
    # one row that never comes closes each vehicle's list
    return {"day": np.insert(day, start + (np.bincount(v, minlength=world.n)), NEVER), "slot": np.insert(slot, start + np.bincount(v, minlength=world.n), -1), "pointer": start + np.arange(world.n)}


class _Parts:
    """The part now in every slot, and the record of those that were."""

    def __init__(self, world, slots, rng):
        self.world, self.slots, self.rng = world, slots, rng
        n = len(slots)
        self.v, self.category = slots["v"].to_numpy(), slots["category"].to_numpy()
        self.stored = slots["stored"].to_numpy()
        self.options, self.chance = _options(world, slots)
        self.rate_factor = np.array([CHANCES["axle_rate"].get(t, {}).get(a, 1.0) if c == "tyre" else 1.0 for t, a, c in zip(slots["type"], slots["axle"], self.category, strict=True)])
        self.error = np.where(self.category == "chain", CHANCES["chain_reading_error_percent"], CHANCES["reading_error_mm"])
        self.pattern = np.array([PLACE_WEAR[k] for k in _pattern_key(slots)])
        self.law = _filter_law(slots)
        self.item = np.zeros(n, dtype=int)
        self.part = np.arange(n)
        self.rate, self.margin, self.used = np.zeros(n), np.zeros(n), np.zeros(n)
        self.places = np.ones((n, 3))
        self.allowance, self.new = np.ones(n), np.full(n, np.nan)
        self.from_day = world.vehicles["in_day"].to_numpy()[self.v].copy()
        self.from_exposure = np.zeros(n)
        self.used_at_fit = np.zeros(n)
        self.next_part = 0
        self.rotated_km = np.zeros(world.n)
        self.spans, self.parts, self.readings = [], [], []
        self._fit(np.ones(n, dtype=bool), self.from_day)

    def _exposure(self, slot, day):
        out = np.zeros(len(slot))
        for category in PLACES:
            own = self.category[slot] == category
            out[own] = self.world.exposure[category][np.minimum(day[own], len(self.world.odometer) - 1), self.v[slot[own]]]
        return out

    def _wear(self, slot, day):
        """Wear at the quickest place, in mm (chain: %; air filter: share of its life)."""
        run = np.where(self.stored[slot], 0.0, self._exposure(slot, day) - self.from_exposure[slot])
        return self.used[slot] + self.rate[slot] * self.rate_factor[slot] * run

    def _fit(self, mask, day):
        """New parts into the slots of the mask, on the days given slot by slot."""
        n, rng = len(mask), self.rng
        choice = (rng.random((n, 1)) > self.chance).sum(1)
        spread, early, margin = rng.standard_normal(n), rng.random(n), rng.random(n)
        scatter, weibull, worn = rng.standard_normal((n, 3)), rng.standard_exponential(n), rng.random((n, 2))
        slot = np.flatnonzero(mask)
        self.item[slot] = self.options[slot, choice[slot]]
        item = ITEMS.iloc[self.item[slot]]
        sigma = CHANCES["wear_spread_sigma"]
        rate = item["rate"].to_numpy() / 1000 * np.exp(sigma * spread[slot] - sigma**2 / 2)
        scale, shape = self.law[slot, 0], self.law[slot, 1]
        self.rate[slot] = np.where(np.isnan(scale), rate, 1 / (scale * weibull[slot] ** (1 / shape)))
        places = self.pattern[slot] * np.exp(CHANCES["place_spread_sigma"] * scatter[slot])
        self.places[slot] = places / places.max(1, keepdims=True)
        self.new[slot] = item["new"]
        self.allowance[slot] = (item["new"] - item["limit"]).abs().fillna(1.0)
        self.margin[slot] = np.where(early[slot] < CHANCES["early_removal_share"], (0.05 + 0.15 * margin[slot]) * self.allowance[slot], 0.0)
        used_one = (worn[slot, 0] < 0.03) & (self.category[slot] == "tyre") & (self.pattern[slot, 0] == PLACE_WEAR["wheel"][0]) & (day[slot] > self.world.log_start)
        self.used[slot] = np.where(used_one, np.round((0.2 + 0.25 * worn[slot, 1]) * self.allowance[slot], 1), 0.0)
        self.part[slot] = self.next_part + np.arange(len(slot))
        self.next_part += len(slot)
        self._start(slot, day[slot])
        own = pd.DataFrame({"part": self.part[slot], "slot": slot, "item": self.item[slot], "rate": self.rate[slot], "fitted_used": self.used[slot]})
        self.parts.append(own.assign(**{f"place_{i}": self.places[slot, i] for i in range(3)}))

    def _start(self, slot, day):
        self.from_day[slot] = day
        self.from_exposure[slot] = self._exposure(slot, day)
        self.used_at_fit[slot] = self.used[slot]

    def _close(self, slot, day, reason, read):
        """End the spans of these slots; what is in store has no span."""
        frame = pd.DataFrame({"slot": slot, "part": self.part[slot], "item": self.item[slot], "from": self.from_day[slot], "to": day})
        frame = frame.assign(reason=reason, used_from=self.used_at_fit[slot], used_to=self._wear(slot, day), read=read)
        self.spans.append(frame[~self.stored[slot]])

    def visit(self, step, done):
        """Look at what the tasks done look at; take off what is worn, nearly worn or damaged; fit new."""
        n = len(self.slots)
        day_of = np.full(self.world.n, -1)
        day_of[step["v"]] = step["day"]
        day = day_of[self.v]
        looked = self._asked(done, self.slots["inspected_by"].to_numpy()) & ~self.stored
        renewed = self._asked(done, self.slots["renewed_by"].to_numpy())
        hit = np.zeros(n, dtype=bool)
        hit[step["hit"][step["hit"] >= 0]] = True
        hit &= self.from_day < day
        slot = np.flatnonzero(looked | renewed | hit)
        read = self._read(slot, day[slot])
        record = looked[slot] & (self.category[slot] != "air-filter") & (self.from_day[slot] < day[slot])
        self._record(slot[record], day[slot[record]], read[record])
        lowest = np.full(n, np.nan)
        lowest[slot] = read.max(1)
        reason = self._reasons(looked, renewed, hit, lowest, day)
        off = reason != ""
        gone = np.flatnonzero(off)
        self._close(gone, day[gone], reason[gone], lowest[gone])
        if off.any():
            self._fit(off, day)
        self._rotate(step, done, day_of)
        self._change_season(step, day_of)

    @staticmethod
    def _column(done, v, column):
        return done[v, np.maximum(column, 0)] & (column >= 0)

    def _asked(self, done, column):
        return self._column(done, self.v, column)

    def _read(self, slot, day):
        """Wear as read at three places: true, with error, to 0.1."""
        error = self.rng.standard_normal((len(slot), 3)) * self.error[slot, None]
        shown = self.places[slot] > 0
        return np.where(shown, np.round(self._wear(slot, day)[:, None] * self.places[slot] + error, 1), -np.inf)

    def _reasons(self, looked, renewed, hit, lowest, day):
        filters = self.category == "air-filter"
        wear = np.where(np.isnan(lowest), -1.0, lowest)
        wear[filters & (looked | renewed)] = self._wear(np.flatnonzero(filters & (looked | renewed)), day[filters & (looked | renewed)])
        worn = looked & (wear >= self.allowance - 1e-9) | renewed & filters & (wear >= 1)
        early = looked & ~filters & (wear >= self.allowance - self.margin) & ~worn
        mate = self.slots["mate"].to_numpy()
        pair = (worn | early)[mate] & looked & (wear > 0.45 * self.allowance) & ~worn & ~early & (mate != np.arange(len(mate)))
        reason = np.where(worn, "worn", np.where(early, "convenience", np.where(pair, "pair", "")))
        reason = np.where((reason == "") & renewed & filters, "age", reason)
        reason = np.where(hit, "damaged", reason)
        return np.where(self.from_day < day, reason, "")

    def _record(self, slot, day, read):
        frame = pd.DataFrame({"slot": slot, "part": self.part[slot], "day": day})
        sign, base = np.where(self.category[slot] == "chain", 1.0, -1.0)[:, None], self.new[slot][:, None]
        value = np.where(np.isinf(read), np.nan, np.round(base + sign * np.where(np.isinf(read), 0, read), 1))
        self.readings.append(frame.assign(**{f"read_{i}": value[:, i].clip(min=0) for i in range(3)}))

    def _exchange(self, slot, other, day, reason_on, into_store=False):
        """Parts of `slot` and `other` change places (both lists hold both ends)."""
        self._close(slot, day, reason_on, np.full(len(slot), np.nan))
        wear = self._wear(slot, day)
        self.used[slot] = wear
        for a in (self.item, self.part, self.rate, self.margin, self.used, self.allowance, self.new, self.places):
            a[slot] = a[other]
        self._start(slot, day)

    def _rotate(self, step, done, day_of):
        """Some vehicles' tyres change axles, so that the four wear alike."""
        v = step["v"].to_numpy()
        inspected = np.zeros(self.world.n, dtype=bool)
        tyres = self.slots[self.slots["category"].eq("tyre") & self.slots["position"].isin(WHEELS) & ~self.slots["stored"]]
        inspected[self.v[tyres.index]] = self._column(done, self.v[tyres.index], tyres["inspected_by"].to_numpy())
        km = np.zeros(self.world.n)
        km[v] = self.world.odometer[day_of[v], v]
        turn = inspected & (np.arange(self.world.n) % 3 == 1) & (km - self.rotated_km > ROTATE_EVERY_KM)
        self.rotated_km[turn] = km[turn]
        slot = tyres.index.to_numpy()
        slot = slot[turn[self.v[slot]]]
        partner = self.slots["partner"].to_numpy()
        fresh = self.from_day[slot] >= day_of[self.v[slot]]
        slot = slot[~(fresh | fresh[np.argsort(np.argsort(slot))][np.searchsorted(np.sort(slot), partner[slot])])] if len(slot) else slot
        if len(slot):
            self._exchange(slot, partner[slot], day_of[self.v[slot]], "rotated")

    def _change_season(self, step, day_of):
        """The winter set goes on in November and comes off in April, at the first visit of the season."""
        store = np.flatnonzero(self.stored)
        if not len(store):
            return
        day = day_of[self.v[store]]
        month = (self.world.start + np.maximum(day, 0)).astype("datetime64[M]").astype(int) % 12 + 1
        winter = np.isin(month, [11, 12, 1, 2, 3])
        turn = (day >= self.world.log_start) & (winter != getattr(self, "winter_on", False))
        if turn.all():
            shelf = self.slots["shelf"].to_numpy()
            slot = np.concatenate([store, shelf[store]])
            self._exchange(slot, shelf[slot], day_of[self.v[slot]], "stored")
            self.winter_on = not getattr(self, "winter_on", False)

    def swap_between_vehicles(self, day):
        """On one day some motorcycles of a type change rear wheels with one another; gives the occasions."""
        own = self.slots[self.slots["category"].eq("tyre") & self.slots["position"].eq("rear")]
        alive = own[(self.world.vehicles["in_day"].to_numpy()[own["v"]] < day - 90) & (self.world.vehicles["end_day"].to_numpy()[own["v"]] > day + 90)]
        slot = alive.index.to_numpy()[: 4 if len(alive) >= 8 else 0]
        slot = slot[~self.world.laid_up[day, self.v[slot]].any() * np.ones(len(slot), dtype=bool)] if len(slot) else slot
        if len(slot):
            self._exchange(slot, np.roll(slot.reshape(-1, 2), 1, axis=1).ravel(), np.full(len(slot), day), "moved")
        return pd.DataFrame({"v": self.v[slot], "day": day, "planned": False, "hit": -2})

    def history(self, grid, plan, occasions):
        """Close what is still on, and hand over the record."""
        end = self.world.vehicles["end_day"].to_numpy()[self.v]
        slot = np.flatnonzero(self.from_day <= np.minimum(end, len(self.world.odometer) - 1))
        self._close(slot, end[slot], np.where(end[slot] < NEVER, "disposed", ""), np.full(len(slot), np.nan))
        spans = pd.concat(self.spans, ignore_index=True)
        parts = pd.concat(self.parts, ignore_index=True)
        return History(grid, self.slots, spans, parts, pd.concat(plan.log, ignore_index=True), pd.concat(self.readings, ignore_index=True), pd.concat(occasions, ignore_index=True))


def _options(world, slots):
    """Items that fit each slot (slots x 3, rows of `ITEMS`) and the cumulative chance of each."""
    loose = world.loose.mean(0)[slots["v"]]
    kind, category, axle = (slots[c].to_numpy()[:, None] for c in ("type", "category", "axle"))
    fits = (ITEMS["type"].to_numpy() == kind) & (ITEMS["category"].to_numpy() == category)
    fits &= (ITEMS["axle"].to_numpy() == "") | (ITEMS["axle"].to_numpy() == axle)
    weight = fits * ITEMS["weight"].to_numpy() * np.exp(np.outer(loose - 0.3, ITEMS["tilt"].to_numpy()))
    options = np.argsort(~fits, axis=1, kind="stable")[:, :3]
    chance = np.take_along_axis(weight, options, axis=1)
    chance = np.cumsum(chance / chance.sum(1, keepdims=True), axis=1)
    return options, np.where(chance > 1 - 1e-12, 2.0, chance)


def _pattern_key(slots):
    wheel = np.where(slots["position"].isin(WHEELS), "wheel", slots["axle"])
    return np.where(slots["category"].eq("tyre"), wheel, np.where(slots["category"].eq("brake-pad"), "brake-pad", "one"))


def _filter_law(slots):
    """Scale and shape of the law that ends an air filter; NaN for parts that wear."""
    laws = LAWS[LAWS["category"].eq("air-filter")].set_index("type")
    own = laws.reindex(slots["type"].where(slots["category"].eq("air-filter")))
    return own[["scale", "shape"]].to_numpy(dtype=float)
