"""What severe_use says of hard use: the effect or why it is refused, what it rests on, intervals.

Its blocks are in shared/words/severe_use.md.j2; a percentage there is of a ratio of wear rates.
"""

import math

import pandas as pd

from wearbar.report.quantities import Show, decimals_of, number
from wearbar.report.template import coded, words_of
from wearbar.severity import evidence
from wearbar.severity.evidence import MIN_COVERAGE, STEP
from wearbar.severity.fit import OWN_A_SIDE
from wearbar.severity.use import USE
from wearbar.stats.estimate import SMALL_SITE

CHECKS = ("without_vehicle", "without_site", "agree", "recalled", "unseen", "forms", "holds")
# said with a preposition first
LONG = ("loose", "mud_water", "short_trips", "dusty", "heat", "cold")
SMALL = "sites with too few vehicles to name"
SHARES = {"share_least": "min", "share_most": "max"}
OVERLAP = dict.fromkeys(("n_vehicles", "n_easier", "n_harder", "weight_share"), "sum") | SHARES


def _change(ratio, decimals=None):
    """ "11% faster", "4.2% slower"."""
    if decimals is None:
        decimals = 0 if abs(ratio - 1) >= 0.1 else 1
    way = "faster" if ratio >= 1 else "slower"
    return f"{number(abs(100 * (ratio - 1)), decimals)}% {way}"


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
    low, high = _change(low, decimals), _change(high, decimals)
    if low.split()[1] != high.split()[1]:
        return f"{low} to {high}"
    return f"{low.split('%')[0]} to {high.split()[0]}"


def _with_range(estimate):
    """ "9% faster (8 to 11%)"."""
    low, high = estimate.low, estimate.high
    return f"{_change(estimate.value, _places(low, high))} ({_changes(low, high)})"


_SAID = {"change": _change, "changes": _changes, "with_range": _with_range}
# least numbers that a refusal speaks of: of vehicles, of one vehicle's parts, of wear lines
_LEAST = {"a_side": evidence.MIN_A_SIDE, "at_site": evidence.MIN_AT_SITE, "own_a_side": OWN_A_SIDE}
_LEAST |= {"lines_each": evidence.LINES_A_COEFFICIENT}
SAY = words_of("severe_use", show=Show(), uses_of=USE, step=STEP, **_SAID, **_LEAST)


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
            uses = why.setdefault(_refusal(e), {})
            uses.setdefault(USE[e.exposure], []).append(coded(e.category))
    refused = [SAY("refused", reason=reason, uses=uses) for reason, uses in why.items()]
    return "\n".join(f"- {text}" for text in [*map(effect, shown(found)), *refused])


def _refusal(e):
    """Why no figure is given, and what would help: a block of words a code."""
    return SAY(e.refusals[0].replace("-", "_"), e=e)


def shown(found):
    """The effects that have a figure, the largest first."""
    return sorted((e for e in found if e.is_shown), key=lambda e: -e.ratio.value)


def drawn(found):
    """The effects that have a picture."""
    return [e for e in shown(found) if e.points is not None]


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
    known = kinds(table)
    return SAY(
        "use",
        known=known,
        table=table,
        shares=table.head(1)[known[:3]].melt(var_name="kind", value_name="share"),
        n_known=(table["coverage_share"] >= MIN_COVERAGE).sum(),
        limits=[{"kind": k, "share": share} for k, share in limits.items() if k in known],
    )


def heads_use(table):
    """The table of use by vehicle: the first kinds of use, and how much of it is known."""
    heads = {name: name.capitalize() for name in ("vehicle", "site", "kind")}
    heads |= {"severe_now": "Severe limits now"}
    for name in kinds(table)[:2]:
        word = USE[name].split(" ", 1)[-1] if name in LONG else USE[name]
        heads[name] = (word[:1].upper() + word[1:], "share")
    return heads | {"coverage_share": "Use known for"}


def left_out(found):
    """Which parts do not count, in a sentence, by category."""
    seen = [e for e in found if e.left_out is not None and len(e.left_out)]
    return SAY("left_out", seen={coded(e.category): e.left_out for e in seen})


def overlaps(found):
    """The overlap of every effect for print: sites too small to name as one, without shares."""
    seen = [e for e in found if e.overlap is not None and "few-vehicles" not in e.refusals]
    named = [e.overlap.assign(what=f"{coded(e.category)}, {USE[e.exposure]}") for e in seen]
    columns = ["what", "site", *OVERLAP]
    table = pd.concat(named, ignore_index=True) if named else pd.DataFrame(columns=columns)
    small = table["n_vehicles"] < SMALL_SITE
    table.loc[small, list(SHARES)] = math.nan
    table.loc[small, "site"] = SMALL
    return table.groupby(["what", "site"], sort=False).agg(OVERLAP).reset_index()
