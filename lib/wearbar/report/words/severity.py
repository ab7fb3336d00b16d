"""What severe_use says of hard use: the effect or why it is refused, what it rests on, intervals.

Its blocks are in shared/words/severe_use.md.j2; a percentage there is of a ratio of wear rates.
"""

import math

import pandas as pd

from wearbar.report.quantities import Show, decimals_of, number
from wearbar.report.template import words_of
from wearbar.severity import evidence
from wearbar.severity.evidence import MIN_COVERAGE, STEP
from wearbar.severity.fit import OWN_A_SIDE
from wearbar.severity.use import USE
from wearbar.stats.estimate import SMALL_SITE

# least number that a refusal speaks of, where it is not of vehicles a side
LEAST = {"one-vehicle": OWN_A_SIDE, "one-sided-site": evidence.MIN_AT_SITE}
CHECKS = ("without_vehicle", "without_site", "agree", "recalled", "unseen", "forms", "holds")
# said with a preposition first
LONG = ("loose", "mud_water", "short_trips", "dusty", "heat", "cold")
SMALL = "sites with too few vehicles to name"
COUNTS = ["n_vehicles", "n_easier", "n_harder", "weight_share"]
SHARES = {"share_least": "min", "share_most": "max"}


def part_of(e):
    return e.category.replace("-", " ")


def _Part(e):
    return part_of(e)[:1].upper() + part_of(e)[1:]


def _way(ratio):
    return "faster" if ratio >= 1 else "slower"


def _size(ratio, decimals):
    return number(abs(100 * (ratio - 1)), decimals)


def _change(ratio, decimals=None):
    """ "11% faster", "4.2% slower"."""
    if decimals is None:
        decimals = 0 if abs(ratio - 1) >= 0.1 else 1
    return f"{_size(ratio, decimals)}% {_way(ratio)}"


def _places(low, high):
    """Whole percents, and one decimal where the interval is narrow or ends near no effect.

    None where it has no bounds.
    """
    if not (math.isfinite(low) and math.isfinite(high)):
        return None
    near = min(abs(low - 1), abs(high - 1)) < 0.01
    return 1 if near or (decimals_of(100 * low, 100 * high) or 0) > 1 else 0


def _changes(low, high):
    """ "8 to 14%"; where the ends lie on two sides, "4% slower to 12% faster"."""
    decimals = _places(low, high)
    if decimals is None:
        return "without bounds"
    if _way(low) != _way(high):
        return f"{_change(low, decimals)} to {_change(high, decimals)}"
    return f"{_size(low, decimals)} to {_size(high, decimals)}%"


def _with_range(estimate):
    """ "9% faster (8 to 11%)"."""
    low, high = estimate.low, estimate.high
    return f"{_change(estimate.value, _places(low, high))} ({_changes(low, high)})"


_SAID = {"change": _change, "changes": _changes, "with_range": _with_range, "part": _Part}
SAY = words_of("severe_use", show=Show(), uses_of=USE, step=STEP, **_SAID)


def headline(found, table, show=None):
    """(sentence, urgency): does hard use matter? table: as from `severity.use.supported`."""
    settled = [e for e in shown(found) if not e.vehicles_needed]
    clear = [e for e in settled if e.lower > 1 and e.p_holm < 0.05]
    uses = {e.exposure: [other for other in clear if other.exposure == e.exposure] for e in clear}
    sooner = table[table["is_sooner"]].sort_values("supported_km") if len(table) else table
    tasks = sooner.groupby("title", sort=False) if len(sooner) else ()  # the most urgent first
    said = SAY("headline", show=show, uses=uses, tasks=tasks, settled=settled)
    return said, "soon" if clear else "note"


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
    """Sentences on how far an effect that is drawn can be trusted."""
    return [text for text in (SAY(block, e=e) for block in CHECKS) if text]


def all_checks(found):
    """The checks of every effect that is drawn, as lists."""
    parts = []
    for e in drawn(found):
        parts += [f"**{SAY('label', e=e)}**", "\n".join(f"- {check}" for check in checks(e))]
    return "\n\n".join(parts) or SAY("no_checks")


def kinds(table):
    """The kinds of use that the log knows."""
    return [k for k in table.columns if k in USE]


def use_of_fleet(table, limits):
    """How much of the use is known, and how many vehicles the plan calls used hard."""
    known, first = kinds(table), table.iloc[:1]
    return SAY(
        "use",
        known=known,
        table=table,
        shares=[{"kind": k, "share": x} for k in known[:3] for x in first[k]],
        n_known=(table["coverage_share"] >= MIN_COVERAGE).sum(),
        limits=[{"kind": k, "share": share} for k, share in limits.items() if k in known],
    )


def heads_use(table):
    """The table of use by vehicle: the first kinds of use, and how much of it is known."""
    columns = ["vehicle", "site", "kind"]
    heads = {name: name.capitalize() for name in columns} | {"severe_now": "Severe limits now"}
    for name in kinds(table)[:2]:
        word = USE[name].split(" ", 1)[-1] if name in LONG else USE[name]
        heads[name] = (word[:1].upper() + word[1:], "share")
    return heads | {"coverage_share": "Use known for"}


def left_out(found):
    """Which parts do not count, in a sentence, by category."""
    seen = {part_of(e): e.left_out for e in found if e.left_out is not None and len(e.left_out)}
    return SAY("left_out", seen=seen)


def overlaps(found):
    """The overlap of every effect for print: sites too small to name as one, without shares."""
    seen = [e for e in found if e.overlap is not None and "few-vehicles" not in e.refusals]
    if seen:
        return pd.concat([_overlap(e) for e in seen], ignore_index=True)
    return pd.DataFrame(columns=["what", *COUNTS, *SHARES, "site"])


def _overlap(e):
    table, small = e.overlap.copy(), e.overlap["n_vehicles"] < SMALL_SITE
    table.loc[small, list(SHARES)] = math.nan
    table.loc[small, "site"] = SMALL
    by_site = table.groupby("site", sort=False).agg(dict.fromkeys(COUNTS, "sum") | SHARES)
    return by_site.reset_index().assign(what=f"{part_of(e)}, {USE[e.exposure]}")
