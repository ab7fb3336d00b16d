"""What is said of hard use: the effect or why it is refused, what it rests on, and the interval that it supports."""

import math

import pandas as pd

from wearbar import severity
from wearbar.report.quantities import listing, number, plural, safe
from wearbar.severity import STEP
from wearbar.severity.use import USE

__all__ = [
    "CAPTION_EFFECTS",
    "CAPTION_USE",
    "CAPTION_VEHICLES",
    "HEADS_OVERLAP",
    "all_checks",
    "alt_effects",
    "alt_use",
    "alt_vehicles",
    "cannot",
    "checks",
    "drawn",
    "effect",
    "effects",
    "findings",
    "headline",
    "heads_supported",
    "heads_use",
    "kinds",
    "left_out",
    "note_supported",
    "overlaps",
    "refusal",
    "supported",
    "told",
    "use_of_fleet",
]  # fmt: skip

CAPTION_USE = "Shares of each vehicle's distance, from the log's table of use; shares overlap and need not add up."
CAPTION_EFFECTS = "The mark is the estimate, the line its interval. An effect left of the broken line would be less wear in hard use."
CAPTION_VEHICLES = (
    "A mark a vehicle: the mean of its parts' wear once site, kind, item and position are allowed for. "
    "The line and its interval are the fitted effect."
)
HEADS_OVERLAP = {
    "what": "Part and use", "site": "Site", "n_vehicles": "Vehicles", "n_easier": "Easier", "n_harder": "Harder",
    ("share_least", "share_most"): ("Their shares", "share"), "weight_share": "Part of the contrast",
}  # fmt: skip
HOLDS = (
    "In simulated logs such ranges hold the true effect 88 to 95 times in 100. Of logs without an effect, at most 10 in 100 are said to "
    "have one."
)
LONG = (
    "loose",
    "mud_water",
    "short_trips",
    "dusty",
    "heat",
    "cold",
)  # said with a preposition first
SMALL_SITE = 3  # no figure of a site with fewer vehicles: it would be a person's


def headline(found, table):
    """(sentence, urgency) that answers the notebook's question."""
    settled = [e for e in found if e.told and not e.vehicles_needed]
    clear = [e for e in settled if e.lower > 1 and e.p_holm < 0.05]
    if clear:
        sooner = (
            "Some work on vehicles used hard is due sooner than the plan says."
            if table["is_sooner"].any()
            else _PLAN_COVERS
        )
        uses = [
            [e for e in clear if _use(e) == use] for use in dict.fromkeys(_use(e) for e in clear)
        ]
        said = [
            f"{_points(STEP)} more of the distance {_use(some[0])}: {listing([_wears(e) for e in some])}."
            for some in uses
        ]
        return f"Hard use matters here. {' '.join(said)} {sooner}", "soon"
    if settled:
        return f"This log shows no clear effect of hard use on wear. {_KEEP}", "note"
    return f"Not enough data to say whether hard use wears parts sooner. {_KEEP}", "note"


_KEEP = "Keep to the limits for severe use in your plan or handbook."
_PLAN_COVERS = "The plan's own limits for severe use already allow for that."


def _wears(e):
    """ "9.5% more tyre wear (8.0% to 11%)"."""
    return f"{_change(e.ratio.value)} {_part(e)} wear ({_changes(e.ratio.low, e.ratio.high)})"


def effect(e):
    """A sentence or two on one effect; of one that is refused, the reason that weighs most."""
    if e.refusals:
        return f"**{_Part(e)} wear, use {_use(e)}:** not shown. {refusal(e, e.refusals[0])}"
    at = f", at about {_percent(e.share_mid)}" if e.points is not None else ""
    text = (
        f"**{_Part(e)} wear, use {_use(e)}:** {_change(e.ratio.value)} for each {_points(e.step)} more of the distance{at}. "
        f"Range: {_changes(e.ratio.low, e.ratio.high)}, from {plural(e.n_parts, 'part')} on {plural(e.n_vehicles, 'vehicle')} with shares "
        f"of {_percent(e.share_low)} to {_percent(e.share_high)}."
    )
    if e.points is None:
        return f"{text} This compares one vehicle's own parts, and speaks of that vehicle alone."
    if e.vehicles_needed:
        return f"{text} That is not settled: it would take about {plural(e.vehicles_needed, 'such vehicle')}."
    if e.ratio.low <= 1 <= e.ratio.high:
        return f"{text} No effect at all is inside that range."
    return text


def effects(found):
    """Every effect, as a list."""
    if not found:
        return "There is nothing to compare. It takes wear readings of parts, and vehicles that are used differently."
    why = {}
    for e in found:
        if e.refusals:
            why.setdefault(refusal(e, e.refusals[0]), []).append(f"{_part(e)} wear {_use(e)}")
    refused = [
        f"- **Not shown:** {listing(labels, last='or', most=9)}. {reason}"
        for reason, labels in why.items()
    ]
    return "\n".join([*(f"- {effect(e)}" for e in told(found)), *refused])


def told(found):
    """The effects that have a figure."""
    return [e for e in found if e.told]


def drawn(found):
    """The effects that have a picture."""
    return [e for e in found if e.told and e.points is not None]


def refusal(e, code):
    """Why no figure is given, and what would help."""
    return _REFUSALS[code](e)


def _few_vehicles(e):
    least = severity.MIN_A_SIDE
    return (
        f"{plural(e.n_vehicles, 'vehicle')} {'is' if e.n_vehicles == 1 else 'are'} too few to part the use from the vehicle: it takes "
        f"{number(2 * least)}, {number(least)} of them used harder than the others. {_KEEP}"
    )


def _no_contrast(e):
    return (
        "Too little difference in this use is left once site, kind, item, position and other use are allowed for. "
        "Vehicles of one kind, used differently at one site, would show its effect."
    )


def _few_a_side(e):
    return (
        f"Fewer than {number(severity.MIN_A_SIDE)} vehicles are used harder, or fewer used easier, than the others of their site and kind: "
        "one or two of them would decide."
    )


def _one_sided(e):
    return (
        f"At a site that counts, fewer than {number(severity.MIN_AT_SITE)} vehicles are used harder, or fewer used easier, than the others "
        "of their kind there, or they differ too little."
    )


def _few_lines(e):
    need = severity.LINES_A_COEFFICIENT * e.coefficients
    return f"{plural(e.n_parts, 'wear line')} for {plural(e.coefficients, 'thing')} to allow for is too few: it takes {number(need)}."


def _disagree(e):
    return (
        f"Between vehicles it is {_interval(e.between)}, within one vehicle {_interval(e.within)}, for each {_points(e.step)} more: these "
        "disagree, so something else differs between the vehicles, and no single figure is given."
    )


_REFUSALS = {
    "no-parts": lambda e: (
        "No part has all that it takes: two readings of its depth, and its use known for half of its distance. "
        "Read depths at each visit and fill in the table of use."
    ),
    "site-not-known": lambda e: (
        "Site is not known for too many of the vehicles. Sites differ in roads as well as in use, so their difference could pass for one "
        "of use. Fill in the column site; where all work from one place, give it one name."
    ),
    "few-vehicles": _few_vehicles,
    "one-vehicle": lambda e: (
        f"One vehicle's parts can be compared only with {number(severity.OWN_A_SIDE)} worn in harder use and "
        f"{number(severity.OWN_A_SIDE)} in easier use."
    ),
    "no-contrast": _no_contrast,
    "few-a-side": _few_a_side,
    "one-sided-site": _one_sided,
    "few-lines": _few_lines,
    "disagree": _disagree,
    "one-vehicle-decides": lambda e: (
        "One vehicle decides the figure: without it, the figure leaves its own interval. Look at that vehicle first."
    ),
    "not-estimable": lambda e: "Too few vehicles differ in it for an interval.",
}


def checks(e):
    """Sentences on how far an effect that is told can be trusted."""
    if not e.told or e.points is None:
        return []
    said = [
        f"With any one vehicle left out it stays between {_changes(*e.without_vehicle, 'and')}."
    ]
    if not math.isnan(e.without_site[0]):
        said.append(
            f"With any one site left out it stays between {_changes(*e.without_site, 'and')}."
        )
    if not math.isnan(e.between.value + e.within.value):
        said.append(
            f"Between vehicles it is {_interval(e.between)}; within one vehicle {_interval(e.within)}: they agree well enough."
        )
    said.append(
        f"Site, kind, item and position account for {_percent(e.r2)} of the differences in this use; the figure rests on the rest. "
        + _recalled(e)
    )
    if e.e_value_limit > 1:
        said.append(
            f"To explain it away, a cause that is not in the log would have to go with hard use, and with wear, by a factor of "
            f"{number(e.e_value, 1)} each ({number(e.e_value_limit, 1)} to bring the interval to no effect)."
        )
    return [*said, _forms(e), HOLDS]


def all_checks(found):
    """The checks of every effect that is told, as lists."""
    parts = [
        f"**{_Part(e)} wear, use {_use(e)}**\n\n" + "\n".join(f"- {c}" for c in checks(e))
        for e in drawn(found)
    ]
    return "\n\n".join(parts) or "There is no figure to try."


def _recalled(e):
    """What errors in recalled shares would do."""
    if math.isnan(e.attenuated.value):
        return "Shares are recalled, not measured, and were a fifth of their spread error, the true effect could be much larger."
    return f"Shares are recalled, not measured; were a fifth of their spread error, it would be {_change(e.attenuated.value)}."


def _forms(e):
    """What the figure takes for granted, and the other form beside."""
    fits = (
        "no better"
        if e.is_additive
        else "better, so that the figure holds best near the middle of the shares seen"
    )
    times = f"{number(e.additive.value, 1)} times as much as one with none of it ({number(e.additive.low, 1)} to {number(e.additive.high, 1)})"
    return (
        f"The figure takes rates to add up by share: a distance all {_use(e)} would wear {times}, though that reaches beyond the shares "
        f"seen. A like ratio at every share, {_change(e.log_linear.value)} for {_points(e.step)}, fits {fits}."
    )


def supported(table, show):
    """A sentence or two on the intervals that the evidence supports."""
    if table.empty:
        return f"No effect is known well enough to change an interval. {_KEEP}"
    sooner = table[table["is_sooner"]]
    if sooner.empty:
        return "The evidence asks for no work sooner than the plan, with its limits for severe use, already does."
    rows = [
        f"{safe(r.code)} ({safe(r.plan)}) every {show.distance(r.supported_km)} rather than "
        f"{show.distance(r.plan_km if math.isnan(r.severe_km) else min(r.plan_km, r.severe_km))}"
        for r in sooner.itertuples()
    ]
    return (
        f"For vehicles used hard, do {listing(rows, most=3)}. Each counts no more than the lower limit of the wear ratio, and never goes "
        "beyond the plan. The maker's handbook wins."
    )


def use_of_fleet(table, limits):
    """How much of the use is known, and how many vehicles the plan calls used hard."""
    known = kinds(table)
    if not known:
        return (
            "The log has no record of use with shares in it, so nothing can be said of hard use. Fill in, for each vehicle and quarter, "
            "roughly what share of the distance was on loose ground, in mud or water, in short trips or loaded."
        )
    known = table[table["coverage_share"] >= severity.MIN_COVERAGE]
    first = f"Use is known for at least half of the distance of {number(len(known))} of {plural(len(table), 'vehicle')}."
    if not limits:
        return f"{first} No plan of this log names a use as severe."
    when = listing(
        [f"at least {_percent(v)} {USE[k]}" for k, v in limits.items() if k in known], last="or"
    )
    hard = int(table["severe_now"].eq("yes").sum())
    return f"{first} The plan calls {when} in the past year severe. Work now open is due by severe limits on {plural(hard, 'vehicle')}."


def left_out(found):
    """Which parts do not count, in a sentence, by category."""
    seen = {e.category: e for e in found}
    said = [
        f"{_part(e)}: " + listing([f"{number(r.parts)} {r.why}" for r in e.left_out.itertuples()])
        for e in seen.values()
        if e.left_out is not None and len(e.left_out)
    ]
    return f"Parts that do not count: {'; '.join(said)}." if said else ""


def overlaps(found):
    """The overlap of every effect for print: sites with too few vehicles stand together, without their shares."""
    tables = [
        _overlap(e) for e in found if e.overlap is not None and "few-vehicles" not in e.refusals
    ]
    return (
        pd.concat(tables, ignore_index=True)
        if tables
        else pd.DataFrame(columns=["what", *_COUNTS, "share_least", "share_most", "site"])
    )


_COUNTS = ["n_vehicles", "n_easier", "n_harder", "weight_share"]


def _overlap(e):
    table = e.overlap.copy()
    small = table["n_vehicles"] < SMALL_SITE
    table.loc[small, ["share_least", "share_most"]] = math.nan
    table.loc[small, "site"] = "sites with too few vehicles to name"
    how = dict.fromkeys(_COUNTS, "sum") | {"share_least": "min", "share_most": "max"}
    return (
        table.groupby("site", sort=False)
        .agg(how)
        .reset_index()
        .assign(what=f"{e.category.replace('-', ' ')}, {_use(e)}")
    )


def heads_use(table):
    """Headings of the table of use by vehicle: the first kinds of use, and how much of it is known."""
    first = {
        "vehicle": "Vehicle",
        "site": "Site",
        "kind": "Kind",
        "severe_now": "Severe limits now",
    }
    words = {
        name: USE[name].split(" ", 1)[-1] if name in LONG else USE[name]
        for name in kinds(table)[:2]
    }
    return (
        first
        | {name: (word[:1].upper() + word[1:], "share") for name, word in words.items()}
        | {"coverage_share": "Use known for"}
    )


def heads_supported(table):
    """Headings of the table of supported intervals; the severe limit only where a plan has one."""
    severe = {"severe_km": "Severe"} if table["severe_km"].notna().any() else {}
    ratios = {
        "wear_ratio": ("Wear, hard to easy", "times"),
        "lower_ratio": ("Its lower limit", "times"),
    }
    return {
        "plan": "Plan",
        "code": "Task",
        "plan_km": "Normal",
        **severe,
        "supported_km": "Supported",
        **ratios,
    }


def note_supported(table):
    """What hard and easy mean in the table."""
    shares = table.drop_duplicates(["category", "exposure"])
    said = [
        f"{r.category.replace('-', ' ')}: {_percent(r.share_hard)} {USE[r.exposure]} against {_percent(r.share_easy)}"
        for r in shares.itertuples()
    ]
    return f"Hard use against easy, as means of vehicles: {'; '.join(said)}."


def kinds(table):
    """The kinds of use that the log knows."""
    return [k for k in table.columns if k in USE]


def findings(found):
    """(name, value, unit, note) of every effect, for the record."""
    return [
        (f"wear_ratio.{e.category}.{e.exposure}", e.ratio, "ratio", ", ".join(e.refusals))
        for e in found
    ]


def cannot(found):
    """What no analysis of such a log can tell."""
    asked = listing(sorted({_part(e) for e in found}))
    of = f"It speaks of {asked} wear alone" if asked else "It speaks of measured wear alone"
    return (
        f"{of}, not of engines, oil, filters or bearings, whose wear nobody reads; and it takes the effect to be the same on every kind of "
        "vehicle. Shares of use are what people recall. Loads, tyre pressures, speeds and who was at the controls are not in it, and go "
        "with where a vehicle works. An item may have been chosen because of the use; the same items are compared here, so that choice is "
        "left out. Parts used hard are looked at more often and taken off sooner, and a worn tyre may have been kept off gravel."
    )


def alt_use(table):
    """Alternative text of the picture of use by vehicle."""
    known = kinds(table)
    if not known:
        return "No use is known."
    if len(table) == 1:
        shares = [f"{USE[k]} {_percent(table[k].iloc[0])}" for k in known[:2]]
        return f"One row, of one vehicle, with its share of distance {listing(shares)}."
    spans = [
        f"{USE[k]} from {_percent(table[k].min())} to {_percent(table[k].max())}" for k in known[:2]
    ]
    return f"A row for each of {plural(len(table), 'vehicle')}, the hardest used on top, with its share of distance {listing(spans)}."


def alt_effects(found):
    """Alternative text of the picture of effects."""
    shown = [
        f"{_part(e)} {_use(e)} {_change(e.ratio.value)} ({_changes(e.ratio.low, e.ratio.high)})"
        for e in found
        if e.told
    ]
    refused = [f"{_part(e)} {_use(e)}" for e in found if not e.told]
    said = (
        [f"Change in wear for ten points more of a use, with intervals: {'; '.join(shown)}."]
        if shown
        else []
    )
    return " ".join([*said, f"Not told: {listing(refused, most=9)}."] if refused else said)


def alt_vehicles(found):
    """Alternative text of the picture of vehicles."""
    return " ".join(
        f"{_Part(e)} wear of {plural(len(e.points), 'vehicle')}, adjusted, against the share of distance {_use(e)}: from "
        f"{number(e.points['wear_ratio'].min(), 2)} to {number(e.points['wear_ratio'].max(), 2)} times the mean; the fitted line is "
        f"{_change(e.ratio.value)} for each {_points(e.step)}."
        for e in drawn(found)
    )


def _part(e):
    return safe(e.category.replace("-", " "))


def _Part(e):
    part = _part(e)
    return part[:1].upper() + part[1:]


def _use(e):
    return USE[e.exposure]


def _points(step):
    return f"{number(100 * step)} points"


def _percent(share):
    return f"{number(100 * share, 0)}%"


def _change(ratio):
    """ "11% more", "4% less"."""
    change = 100 * (ratio - 1)
    size = f"{number(abs(change), 0 if abs(change) >= 10 else 1)}%"
    return f"{size} {'more' if change >= 0 else 'less'}"


def _changes(low, high, to="to"):
    """ "8% to 14% more"; where the ends lie on two sides, "4% less to 12% more"."""
    if not (math.isfinite(low) and math.isfinite(high)):
        return "without bounds"
    first, second = _change(low), _change(high)
    same = first[-4:] == second[-4:]
    return f"{first[:-5]} {to} {second}" if same else f"{first} {to} {second}"


def _interval(estimate):
    return f"{_change(estimate.value)} ({_changes(estimate.low, estimate.high)})"
