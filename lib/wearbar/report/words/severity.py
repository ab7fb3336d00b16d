"""What severe_use says of hard use: the effect or why it is refused, and what it rests on."""

import math

from wearbar.report.quantities import Show, decimals_of, number
from wearbar.report.template import words_of
from wearbar.severity import evidence
from wearbar.severity.evidence import STEP
from wearbar.severity.fit import OWN_A_SIDE
from wearbar.severity.use import USE


def part_of(e):
    return e.category.replace("-", " ")


def _Part(e):
    return part_of(e)[:1].upper() + part_of(e)[1:]


def _many(e):
    """More than one of the part: tyres, brake pads, clutches."""
    part = part_of(e)
    return part + ("es" if part.endswith(("s", "x", "ch", "sh")) else "s")


def _way(ratio):
    return "faster" if ratio >= 1 else "slower"


def _size(ratio, decimals):
    return number(abs(100 * (ratio - 1)), decimals)


def _change(ratio, decimals=None):
    """ "11% faster", "4.2% slower"."""
    if decimals is None:
        decimals = 0 if abs(ratio - 1) >= 0.1 else 1
    return f"{_size(ratio, decimals)}% {_way(ratio)}"


def _changes(low, high):
    """ "8 to 14%"; where the ends lie on two sides, "4% slower to 12% faster"."""
    if not (math.isfinite(low) and math.isfinite(high)):
        return "without bounds"
    decimals = _places(low, high)
    if _way(low) != _way(high):
        return f"{_change(low, decimals)} to {_change(high, decimals)}"
    return f"{_size(low, decimals)} to {_size(high, decimals)}%"


def _places(low, high):
    """Whole percents, and one decimal where the interval is narrow or ends near no effect."""
    near = min(abs(low - 1), abs(high - 1)) < 0.01
    return 1 if near or (decimals_of(100 * low, 100 * high) or 0) > 1 else 0


def _with_range(estimate):
    """ "9% faster (8 to 11%)"."""
    low, high = estimate.low, estimate.high
    is_bounded = math.isfinite(low) and math.isfinite(high)
    decimals = _places(low, high) if is_bounded else None
    return f"{_change(estimate.value, decimals)} ({_changes(low, high)})"


SAY = words_of(
    "severe_use",
    show=Show(),
    uses_of=USE,
    part=_Part,
    change=_change,
    changes=_changes,
    with_range=_with_range,
)
# least number that a refusal speaks of, where it is not of vehicles a side
LEAST = {"one-vehicle": OWN_A_SIDE, "one-sided-site": evidence.MIN_AT_SITE}
CHECKS = ("without_vehicle", "without_site", "agree", "recalled", "unseen", "forms", "holds")


def headline(found, table, show=None):
    """(sentence, urgency): does hard use matter? table: as from `severity.use.supported`."""
    settled = [e for e in shown(found) if not e.vehicles_needed]
    clear = [e for e in settled if e.lower > 1 and e.p_holm < 0.05]
    uses = {}
    for e in clear:
        uses.setdefault(USE[e.exposure], []).append(f"{_many(e)} wear {_with_range(e.ratio)}")
    tasks = _sooner(table, show) if clear else {}
    return SAY("headline", step=STEP, uses=uses, tasks=tasks, settled=settled), (
        "soon" if clear else "note"
    )


def _sooner(table, show):
    """The work that is due sooner, most urgent first: each plan's interval, by title."""
    rows = table[table["is_sooner"]].sort_values("supported_km") if len(table) else table
    tasks = {}
    for row in rows.itertuples():
        every, plans = show.distance(row.supported_km), tasks.setdefault(row.title, [])
        every = every.rpartition(" ")[0] if plans else every  # the unit once
        plans.append((every, row.plan.replace("-", " ")))
    return tasks


def effect(e):
    """A sentence or two on one effect; of one that is refused, the reason that weighs most."""
    return SAY("effect", e=e, reason=_refusal(e) if e.refusals else "")


def effects(found):
    """Every effect, as a list: the largest first, then those that are not shown by their reason."""
    if not found:
        return SAY("none")
    why = {}
    for e in found:
        if e.refusals:
            why.setdefault(_refusal(e), {}).setdefault(USE[e.exposure], []).append(part_of(e))
    refused = [SAY("refused", reason=reason, uses=uses) for reason, uses in why.items()]
    return "\n".join(f"- {text}" for text in [*map(effect, shown(found)), *refused])


def shown(found):
    """The effects that have a figure, the largest first."""
    return sorted((e for e in found if e.is_shown), key=lambda e: -e.ratio.value)


def drawn(found):
    """The effects that have a picture."""
    return [e for e in shown(found) if e.points is not None]


def _refusal(e):
    """Why no figure is given, and what would help: a block of words a code."""
    code = e.refusals[0]
    need = evidence.LINES_A_COEFFICIENT * e.coefficients
    least = LEAST.get(code, evidence.MIN_A_SIDE)
    return SAY(code.replace("-", "_"), e=e, least=least, need=need)


def checks(e):
    """Sentences on how far an effect that is shown can be trusted."""
    if not e.is_shown or e.points is None:
        return []
    return [text for text in (SAY(block, e=e) for block in CHECKS) if text]


def all_checks(found):
    """The checks of every effect that is shown, as lists."""
    parts = []
    for e in drawn(found):
        parts += [f"**{SAY('label', e=e)}**", "\n".join(f"- {check}" for check in checks(e))]
    return "\n\n".join(parts) or SAY("no_checks")


def alt_effects(found):
    """Alternative text of the picture of effects."""
    refused = [e for e in found if not e.is_shown]
    figures = [f"{_labelled(e)} {_with_range(e.ratio)}" for e in shown(found)]
    return SAY("alt_effects", step=STEP, shown=figures, refused=[_labelled(e) for e in refused])


def _labelled(e):
    return f"{part_of(e)} {USE[e.exposure]}"


def alt_vehicles(e):
    """Alternative text of the picture of one effect's vehicles."""
    wear = e.points["wear_ratio"]
    name = e.points.loc[wear.idxmax(), "vehicle"]
    return SAY("alt_vehicles", e=e, least=wear.min(), most=wear.max(), name=name)
