"""What severe_use says of hard use, in percent of wear rates: shared/words/severe_use.md.j2."""

import math

import pandas as pd

from wearbar.report.quantities import Show, decimals_of, number
from wearbar.report.template import coded, words_of
from wearbar.severity import evidence
from wearbar.severity.fit import OWN_A_SIDE
from wearbar.severity.use import DERIVED, USE
from wearbar.stats.estimate import SMALL_SITE

CHECKS = ("without_vehicle", "without_site", "agree", "recalled", "unseen", "forms", "holds")
# said with a preposition first
LONG = ("loose", "mud_water", "short_trips", "dusty", "heat", "cold")
SMALL = "sites with too few vehicles to name"
SHARES = {"share_least": "min", "share_most": "max"}
OVERLAP = dict.fromkeys(("n_vehicles", "n_easier", "n_harder", "weight_share"), "sum") | SHARES


def _change(ratio, decimals=None, ways=("faster", "slower")):
    """ "11% faster", "4.2% slower"."""
    if decimals is None:
        decimals = 0 if abs(ratio - 1) >= 0.1 else 1
    return f"{number(abs(100 * (ratio - 1)), decimals)}% {ways[ratio < 1]}"


def _ranged(estimate, *ways):
    """The change and its range: "9% faster" and "8 to 11%", or "4% slower to 12% faster"; with a
    decimal where the interval is narrow or ends near no effect."""
    value, low, high = estimate.value, estimate.low, estimate.high
    if not (math.isfinite(low) and math.isfinite(high)):
        return _change(value, None, *ways), "without bounds"
    is_near = min(abs(low - 1), abs(high - 1)) < 0.01
    decimals = 1 if is_near or (decimals_of(100 * low, 100 * high) or 0) > 1 else 0
    value, low, high = (_change(x, decimals, *ways) for x in (value, low, high))
    if low.split()[1:] == high.split()[1:]:
        low, high = (low, high) if estimate.low >= 1 else (high, low)
        low, high = low.split("%")[0], high.split()[0]
    return value, f"{low} to {high}"


# least numbers that a refusal speaks of: of vehicles, of one vehicle's parts, of wear lines
_LEAST = {"a_side": evidence.MIN_A_SIDE, "at_site": evidence.MIN_AT_SITE, "own_a_side": OWN_A_SIDE}
_LEAST |= {"lines_each": evidence.LINES_A_COEFFICIENT, "step": evidence.STEP}
_SAID = {"change": _change, "ranged": _ranged}
_SAID["with_range"] = lambda estimate, *ways: "{} ({})".format(*_ranged(estimate, *ways))
SAY = words_of("severe_use", show=Show(), uses_of=USE, **_SAID, **_LEAST)


def headline(found, table, show=None):
    """(sentence, urgency): does hard use matter? table: as from `severity.advice.advice`."""
    settled = [e for e in shown(found) if not e.vehicles_needed and e.exposure not in DERIVED]
    clear = [e for e in settled if e.lower > 1 and e.p_holm < 0.05]
    uses = {e.exposure: [other for other in clear if other.exposure == e.exposure] for e in clear}
    is_sooner = "hard_km < plan_km and not hard_km >= severe_km"
    sooner = table.query(is_sooner).sort_values("hard_km") if len(table) else table
    tasks = sooner.groupby("title", sort=False) if len(sooner) else ()  # the most urgent first
    said = SAY("headline", show=show, uses=uses, tasks=tasks, settled=settled)
    return said, "soon" if clear or len(sooner) else "note"


def effects(found):
    """Every effect, as a list: the largest first, then those that are not shown by their reason."""
    refused, said = {}, [SAY("effect", e=e) for e in shown(found)]
    for e in found:
        if e.refusals:  # the first weighs most
            uses = refused.setdefault(SAY(e.refusals[0].replace("-", "_"), e=e), {})
            uses.setdefault(USE[e.exposure], []).append(coded(e.category))
    said += [SAY("refused", reason=reason, uses=uses) for reason, uses in refused.items()]
    return "\n".join(f"- {text}" for text in said) if found else SAY("none")


def shown(found):
    """The effects that have a figure, the largest first."""
    return sorted((e for e in found if e.is_shown), key=lambda e: -e.ratio.value)


def drawn(found):
    """The effects that have a picture."""
    return [e for e in shown(found) if e.points is not None]


def all_checks(found):
    """How far every effect that is drawn can be trusted, as lists."""
    parts = []
    for e in drawn(found):
        checks = filter(None, (SAY(block, e=e) for block in CHECKS))
        parts += [f"**{SAY('label', e=e)}**", "\n".join(f"- {check}" for check in checks)]
    return "\n\n".join(parts) or SAY("no_checks")


def kinds(table):
    """The kinds of use that the log knows."""
    return [k for k in table.columns if k in USE]


def use_of_fleet(table, limits):
    """How much of the use is known, and how many vehicles the plan calls used hard."""
    known, n_known = kinds(table), (table["coverage_share"] >= evidence.MIN_COVERAGE).sum()
    shares = table.head(1)[known[:3]].melt(var_name="kind", value_name="share")
    limits = [{"kind": k, "share": share} for k, share in limits.items() if k in known]
    about = {"shares": shares, "limits": limits, "derived": DERIVED.keys() & known}
    return SAY("use", table=table, known=known, n_known=n_known, **about)


def heads_use(table):
    """The table of use by vehicle: the first kinds of use, and how much of it is known."""
    where = ["site"] if table["site"].nunique() > 1 else []
    heads, uses = {x: x.capitalize() for x in ("vehicle", *where, "kind")}, kinds(table)
    heads |= {"severe_now": "Severe limits now", "first_severe": "First known to be hard"}
    for name in uses[:2]:
        word = USE[name].split(" ", 1)[-1] if name in LONG else USE[name]
        heads[name] = (word[:1].upper() + word[1:], "share")
    return heads if DERIVED.keys() & uses else heads | {"coverage_share": "Use known for"}


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
