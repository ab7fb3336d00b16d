"""The verbs of `import wearbar as wb` about parts: their lives, their wear, what use does to it."""

import pandas as pd

from wearbar import parts, severity
from wearbar.cost.account import account
from wearbar.log.units import DEPTH_MM
from wearbar.outlook.action_list import worn_of
from wearbar.parts.lives import RISING
from wearbar.report.tables import in_units
from wearbar.report.verbs import frame_of, one_of, show_of
from wearbar.severity import lives as duty
from wearbar.severity import use as hard_use
from wearbar.severity.advice import advice

LIFE = """part_key vehicle kind category item position start end entry_km duration_km observed
    cause is_on price fitting_cost"""
WEAR = """part_key vehicle kind category item place is_on readings distance_km rate_per_1000km
    se_per_1000km usual_rate_per_1000km limit legal_limit unit"""
LEFT = """vehicle category item position state by last_read height_now limit unit left_km
    left_low_km left_high_km act_by why_not"""
ADVICE = """plan code basis exposure ratio lower_ratio reach_km n_ends n_vehicles n_censored plan_km
    severe_km normal_km hard_km is_sooner"""
EFFECT = "category use wear_ratio low high p p_holm parts vehicles step_share why_not"


def part_lives(log, category="", every=False, units=""):
    """The lives of parts, as curves and fits want them: a row a life, several where it has holes.

    category: "tyre", "brake-pad", ...; "" is all; ValueError for one that the log doesn't have.
    Columns: part_key, vehicle, kind, category, item, position, start, end, entry_mi and duration_mi
    (distance on the part when the log began to watch it, and when it last saw it), observed (worn
    out or failed), cause, is_on, price and fitting_cost (in the log's currency). every: parts of
    unknown age too, one row each, their distances NaN. units: as in `due`. A part removed early
    because it was nearly worn isn't censored at random: compare `remaining_life`.

    >>> pads = wb.part_lives(wb.read_log().only(["M12"]), "brake-pad")
    >>> bool((pads["duration_mi"] > pads["entry_mi"]).all())
    True
    """
    known = log.tables["fitted"]["category"].dropna().unique()
    if category and len(known):
        one_of("category", category, sorted(known))
    lives = parts.spans_of(log, category or None)
    return frame_of(lives if every else parts.watched(lives), LIFE, log, units)


def wear(log, units=""):
    """How fast each part wears, by its readings: a frame, one row a part whose wear was read.

    Columns: part_key, vehicle, kind, category, item, place (that reaches its limit first), is_on,
    readings, distance_mi (over which it was read), rate_per_1000mi with se_per_1000mi,
    usual_rate_per_1000mi (of like parts), limit, legal_limit, unit (of the rates and limits: mm,
    in32 or, of a chain's stretch, %). NaN where two readings don't make a line. units: as in `due`.
    Least squares, one line a place, the error of a reading pooled over a category; like parts by
    moments (DerSimonian & Laird 1986; from memory).

    >>> rates = wb.wear(wb.read_log().only(["M12"]))
    >>> rates.query("category == 'tyre'")["unit"].unique().tolist()
    ['mm']
    """
    found = worn_of(log)[0].parts
    names = {"n_readings": "readings", "rate_mm_per_1000km": "rate_per_1000km"}
    names |= {"se": "se_per_1000km", "usual_rate": "usual_rate_per_1000km"}
    found = found[found["n_readings"] > 0].rename(columns=names)
    quantity = found["quantity"] if "quantity" in found else pd.Series("", found.index)
    heights = [name for name in WEAR.split() if name.endswith(("per_1000km", "limit"))]
    return frame_of(_in_depths(found, heights, quantity, log), WEAR, log, units)


def remaining_life(log, confidence=0.9, units=""):
    """How far each fitted part still goes by its wear: a row a part, the most pressing first.

    Columns: vehicle, category, item, position, state ("below-legal", "near", ...), by ("reading" or
    "forecast"), last_read (day), height_now (by its wear line, or by a reading at its limit),
    limit, unit (of both), left_mi with left_low_mi and left_high_mi, act_by (a day), why_not (what
    is left isn't known). confidence: of the limits; the low one of 0.9 is the one-sided 95% limit.
    units: as in `due`. A forecast from past readings: it sees neither age nor damage, and is no
    permission to use a part that far. Limits: Fieller's, on an empirical Bayes line.

    >>> left = wb.remaining_life(wb.read_log().only(["M12"]))
    >>> bool((left["left_low_mi"].dropna() >= 0).all())
    True
    """
    on = worn_of(log, confidence)[1]
    names = {"last_position": "position", "now_height": "height_now", "date_low": "act_by"}
    on = on.drop(columns="position").rename(columns=names)
    return frame_of(_in_depths(on, ["height_now", "limit"], on["quantity"], log), LEFT, log, units)


def severe_use(log, intervals=False, confidence=0.9, units=""):
    """Does hard use wear parts faster: a frame, one row a category and kind of use.

    Columns: category, use, wear_ratio (wear at 10 points more of that use over wear without, other
    things alike), low, high, p and p_holm (one-sided, of no effect), parts, vehicles, step_share,
    why_not (codes; then there is no ratio). intervals: True gives those that the evidence supports
    instead, a row a task: plan, code, basis ("wear", "life", "faults", "oil", "reach": 90% reach
    it), exposure, ratio (hard use over easy) and lower_ratio, reach_mi, n_ends, n_vehicles,
    n_censored, plan_mi, severe_mi, normal_mi and hard_mi (supported, never longer), is_sooner.
    units: as in `due`. Limits: cluster-robust (Bell & McCaffrey 2002). Advice only brings forward.

    >>> wb.severe_use(wb.read_log().only(["M12"]))["wear_ratio"].isna().all().item()
    True
    """
    show = show_of(log, units)
    worn = hard_use.with_use(worn_of(log)[0].rates, log)
    tested = hard_use.exposures(hard_use.by_vehicle(log), hard_use.conditions(log))
    found = severity.effects(worn, tested, confidence)
    if intervals:
        visited = duty.visits_by_vehicle(log, account(log))[1]
        beyond = duty.lives_and_visits(log, visited, tested, confidence)
        made = advice(log, found, beyond, confidence, show.units.to_km(1))
        return in_units(made[ADVICE.split()], show)
    rows = []
    for e in found:
        ratio = (e.ratio.value, e.ratio.low, e.ratio.high, e.p, e.p_holm)
        why_not = ", ".join(e.refusals)
        rows.append((e.category, e.exposure, *ratio, e.n_parts, e.n_vehicles, e.step, why_not))
    return pd.DataFrame(rows, columns=EFFECT.split())


def _in_depths(frame, columns, quantity, log):
    """The frame with those columns in the log's depth, its `unit`; percent of stretch stays."""
    is_share, depth = quantity.eq(RISING).to_numpy(), log.units.depth
    mm = {c: frame[c].astype(float) for c in columns}
    turned = {c: x.where(is_share, x / DEPTH_MM[depth]) for c, x in mm.items()}
    unit = pd.Series(depth, frame.index, dtype=object).mask(is_share, "%")
    return frame.assign(**turned, unit=unit)
