"""Legal limits: a jurisdiction or a legal class for which none is known."""

import numpy as np

from wearbar.log.checks.problems import join, problems
from wearbar.log.law import classes_of, jurisdictions

__all__ = ["unknown_law"]


def unknown_law(tables, jurisdiction):
    """Doubts about `jurisdiction` of log.toml, and about legal classes that its limits lack."""
    known, has_any = classes_of(tables["limits"], jurisdiction)
    shipped = ", ".join(jurisdictions())
    found = []
    if jurisdiction and not has_any:
        remedy = f"no legal limit is used; give its limits in table limits, or use one that is shipped as an example: {shipped}"
        found.append(
            problems(
                "log.toml", [1], "jurisdiction", [jurisdiction], "unknown-jurisdiction", remedy
            )
        )
    fleet = tables["vehicles"]
    lost = fleet[fleet["legal_class"].notna() & ~fleet["legal_class"].isin(known)]
    if jurisdiction:
        has = f"the limits of {jurisdiction} have {', '.join(sorted(known)) or 'no class'}"
        remedy = f"no legal limit is used for this vehicle; {has}: mend the class, or give its limits in table limits"
    else:
        remedy = f"no legal limit is used: say jurisdiction in log.toml (shipped as examples: {shipped}), or give table limits"
    lines, values = np.asarray(lost.index), lost["legal_class"]
    found.append(problems("vehicles", lines, "legal_class", values, "unknown-legal-class", remedy))
    return join(found)
