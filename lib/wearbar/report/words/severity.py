"""What is said of hard use: the effect or why it is refused, what it rests on, and the interval that it supports."""

import math

from wearbar import severity
from wearbar.report.quantities import decimals_of, number
from wearbar.report.template import words_of
from wearbar.severity import STEP
from wearbar.severity.use import USE

__all__ = [
    "SAY",
    "all_checks",
    "alt_effects",
    "alt_vehicles",
    "checks",
    "drawn",
    "effect",
    "effects",
    "findings",
    "headline",
    "part_of",
    "percent",
    "shown",
]

SAY = words_of("severe_use")


def headline(found, table, show=None):
    """(sentence, urgency) that answers the notebook's question. table: as from `severity.use.supported`."""
    settled = [e for e in found if e.is_shown and not e.vehicles_needed]
    clear = [e for e in settled if e.lower > 1 and e.p_holm < 0.05]
    clear = sorted(clear, key=lambda e: -e.ratio.value)
    uses = {}
    for e in clear:
        uses.setdefault(USE[e.exposure], []).append(f"{_many(e)} wear {_interval(e.ratio)}")
    text = SAY(
        "headline",
        points=_points(STEP),
        uses=[{"use": use, "effects": said} for use, said in uses.items()],
        tasks=_sooner(table, clear, show),
        covers=SAY("covers"),
        settled=settled,
    )
    return text, "soon" if clear else "note"


def _sooner(table, clear, show):
    """The work that is due sooner, most urgent first: its title and each plan's interval."""
    if not clear or not table["is_sooner"].any():
        return []
    rows = table[table["is_sooner"]].sort_values("supported_km")
    tasks = []
    for title, own in rows.groupby("title", sort=False):
        every = [show.distance(km) for km in own["supported_km"]]
        every = every[:1] + [text.rpartition(" ")[0] for text in every[1:]]
        plans = own["plan"].str.replace("-", " ")
        each = [{"every": km, "plan": plan} for km, plan in zip(every, plans, strict=True)]
        tasks.append({"title": title, "rows": each})
    return tasks


def effect(e):
    """A sentence or two on one effect; of one that is refused, the reason that weighs most."""
    if e.refusals:
        return SAY("effect", part=_Part(e), use=USE[e.exposure], reason=_refusal(e))
    return SAY(
        "effect",
        part=_Part(e),
        use=USE[e.exposure],
        reason="",
        change=_change(e.ratio.value),
        range=_changes(e.ratio.low, e.ratio.high),
        points=_points(e.step),
        mid=percent(e.share_mid) if e.points is not None else "",
        n_parts=e.n_parts,
        n_vehicles=e.n_vehicles,
        low=percent(e.share_low),
        high=percent(e.share_high),
        needed=e.vehicles_needed,
        spans=e.ratio.low <= 1 <= e.ratio.high,
    )


def effects(found):
    """Every effect, as a list: the largest first, then those that are not shown by their reason."""
    if not found:
        return SAY("none")
    why = {}
    for e in found:
        if e.refusals:
            why.setdefault(_refusal(e), {}).setdefault(USE[e.exposure], []).append(part_of(e))
    refused = [
        SAY("refused", reason=reason, uses=[{"use": u, "parts": p} for u, p in uses.items()])
        for reason, uses in why.items()
    ]
    return "\n".join(f"- {text}" for text in [*(effect(e) for e in shown(found)), *refused])


def shown(found):
    """The effects that have a figure, the largest first."""
    return sorted((e for e in found if e.is_shown), key=lambda e: -e.ratio.value)


def drawn(found):
    """The effects that have a picture."""
    return [e for e in shown(found) if e.points is not None]


def _refusal(e):
    """Why no figure is given, and what would help: a block of words a code."""
    code = e.refusals[0]
    least = {"one-vehicle": severity.OWN_A_SIDE, "one-sided-site": severity.MIN_AT_SITE}
    return SAY(
        code.replace("-", "_"),
        n=e.n_parts if code == "few-lines" else e.n_vehicles,
        least=least.get(code, severity.MIN_A_SIDE),
        things=e.coefficients,
        need=severity.LINES_A_COEFFICIENT * e.coefficients,
        between=_interval(e.between),
        within=_interval(e.within),
        points=_points(e.step),
    )


def checks(e):
    """Sentences on how far an effect that is shown can be trusted."""
    if not e.is_shown or e.points is None:
        return []
    said = []
    for name, ends in (("vehicle", e.without_vehicle), ("site", e.without_site)):
        if not math.isnan(ends[0]):
            low, high = (_change(ratio) for ratio in ends)
            said.append(SAY(f"without_{name}", low=low, high=high))
    if not math.isnan(e.between.value + e.within.value):
        said.append(SAY("agree", between=_interval(e.between), within=_interval(e.within)))
    recalled = e.attenuated.value
    change = "" if math.isnan(recalled) else _change(recalled)
    said.append(SAY("recalled", r2=percent(e.r2), change=change))
    if e.e_value_limit > 1:
        factors = {"factor": number(e.e_value, 1), "limit": number(e.e_value_limit, 1)}
        said.append(SAY("unseen", **factors))
    return [*said, _forms(e), SAY("holds")]


def _forms(e):
    """What the figure takes for granted, and the other form beside."""
    return SAY(
        "forms",
        use=USE[e.exposure],
        times=number(e.additive.value, 1),
        low=number(e.additive.low, 1),
        high=number(e.additive.high, 1),
        change=_change(e.log_linear.value),
        points=_points(e.step),
        better=not e.is_additive,
    )


def all_checks(found):
    """The checks of every effect that is shown, as lists."""
    parts = [
        f"**{SAY('label', part=_Part(e), use=USE[e.exposure])}**\n\n"
        + "\n".join(f"- {c}" for c in checks(e))
        for e in drawn(found)
    ]
    return "\n\n".join(parts) or SAY("no_checks")


def findings(found):
    """(name, value, unit, note) of every effect, for the record."""
    return [
        (f"wear_ratio.{e.category}.{e.exposure}", e.ratio, "ratio", ", ".join(e.refusals))
        for e in found
    ]


def alt_effects(found):
    """Alternative text of the picture of effects."""
    labels = {id(e): f"{part_of(e)} {USE[e.exposure]}" for e in found}
    return SAY(
        "alt_effects",
        points=_points(STEP),
        shown=[f"{labels[id(e)]} {_interval(e.ratio)}" for e in shown(found)],
        refused=[labels[id(e)] for e in found if not e.is_shown],
    )


def alt_vehicles(e):
    """Alternative text of the picture of one effect's vehicles."""
    wear = e.points["wear_ratio"]
    return SAY(
        "alt_vehicles",
        part=_Part(e),
        n=len(e.points),
        use=USE[e.exposure],
        least=number(wear.min(), 2),
        most=number(wear.max(), 2),
        name=e.points.loc[wear.idxmax(), "vehicle"],
        change=_change(e.ratio.value),
        points=_points(e.step),
    )


def part_of(e):
    return e.category.replace("-", " ")


def _Part(e):
    return part_of(e)[:1].upper() + part_of(e)[1:]


def _many(e):
    """More than one of the part: tyres, brake pads, clutches."""
    part = part_of(e)
    return part + ("es" if part.endswith(("s", "x", "ch", "sh")) else "s")


def _points(step):
    return f"{number(100 * step)} points"


def percent(share):
    return f"{number(100 * share, 0)}%"


def _size(ratio, decimals):
    return number(abs(100 * (ratio - 1)), decimals)


def _way(ratio):
    return "faster" if ratio >= 1 else "slower"


def _change(ratio, decimals=None):
    """ "11% faster", "4.2% slower"."""
    if decimals is None:
        decimals = 0 if abs(ratio - 1) >= 0.1 else 1
    return f"{_size(ratio, decimals)}% {_way(ratio)}"


def _changes(low, high, decimals=None):
    """ "8 to 14%"; where the ends lie on two sides, "4% slower to 12% faster"."""
    if not (math.isfinite(low) and math.isfinite(high)):
        return "without bounds"
    decimals = _places(low, high) if decimals is None else decimals
    if _way(low) != _way(high):
        return f"{_change(low, decimals)} to {_change(high, decimals)}"
    return f"{_size(low, decimals)} to {_size(high, decimals)}%"


def _places(low, high):
    """Whole percents, and one decimal where the interval is narrow or ends near no effect."""
    near = min(abs(low - 1), abs(high - 1)) < 0.01
    return 1 if near or (decimals_of(100 * low, 100 * high) or 0) > 1 else 0


def _interval(estimate):
    """ "9% faster (8 to 11%)"."""
    low, high = estimate.low, estimate.high
    if not (math.isfinite(low) and math.isfinite(high)):
        return f"{_change(estimate.value)} (without bounds)"
    decimals = _places(low, high)
    return f"{_change(estimate.value, decimals)} ({_changes(low, high, decimals)})"
