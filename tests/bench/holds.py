"""How often what a report prints as 90% holds the truth, by simulation: one bench, one table.

    nice python tests/bench/holds.py [WORD ...] [--samples 2000] [--write]

Runs the cells whose name holds every WORD and prints a row each; with --write it puts them into tests/reference/coverage.md, where rows
of other cells stay. Cells are functions in tests/bench/cells_*.py: they simulate logs, call the function that the report calls, and give
one outcome a sample:

- kind "90%" (printed as one) and "conservative" (named so: may hold more): (low, high, truth), NaN limits where it refuses; of a
  one-sided bound the other limit is infinite. Asked: 87 to 93 in 100, or 87 and more.
- kind "claim": True where it says that things differ that are alike, None where it refuses. Asked: 10 in 100 at most.
- kind "found": the same where they do differ. Nothing is asked of it: it shows what a true difference has as a chance.
- kind "words": limits that no report prints as 90%. Nothing is asked: it shows why.

Width: the median of (high - low) / truth of those with both limits.
"""

import argparse
import itertools
import re
import sys
import time
import zlib
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path

import numpy as np

HERE = Path(__file__).parent
TABLE = HERE.parent / "reference" / "coverage.md"
HEAD = "| what | vehicles | log | samples | refused | holds | truth under | over | width | kind | verdict |"
ASKED = {"90%": (0.87, 0.93), "conservative": (0.87, 1.0), "claim": (0.0, 0.10)}
REFUSED = 0.90  # a cell that refuses more of its samples than this has nothing to judge


@dataclass(frozen=True)
class Cell:
    """One row: `run(rng, samples)` gives the outcomes."""

    what: str
    vehicles: int
    log: str
    kind: str
    run: object

    @property
    def key(self):
        return self.what, str(self.vehicles), self.log

    def rng(self):
        return np.random.default_rng(zlib.crc32(" ".join(self.key).encode()))


CELLS = []


def cells(what, kind="90%", **options):
    """Registers a function (rng, samples, vehicles, **one of each option) as a cell for every combination of `options` (tuples)."""

    def keep(function):
        for values in itertools.product(*options.values()):
            chosen = dict(zip(options, values, strict=True))
            log = ", ".join(
                words(k, v) for k, v in chosen.items() if k != "vehicles" and v not in (False, "")
            )
            run = lambda rng, samples, chosen=chosen: function(rng, samples, **chosen)  # noqa: E731
            CELLS.append(Cell(what, chosen.get("vehicles", 0), log, kind, run))
        return function

    return keep


def words(name, value):
    if value is True:
        return name.replace("_", " ")
    return value if isinstance(value, str) else f"{name.replace('_', ' ')} {value:g}"


def row_of(cell, samples):
    """The cell's row of the table as a dict."""
    outcomes = list(itertools.islice(cell.run(cell.rng(), samples), samples))
    return judge(cell, outcomes)


def judge(cell, outcomes):
    told = {
        "what": cell.what,
        "vehicles": cell.vehicles,
        "log": cell.log,
        "samples": len(outcomes),
        "kind": cell.kind,
    }
    if cell.kind in ("claim", "found"):
        kept = [o for o in outcomes if o is not None]
        told |= {
            "refused": 1 - len(kept) / len(outcomes),
            "holds": np.mean(kept) if kept else np.nan,
        }
        return told | {"under": np.nan, "over": np.nan, "width": np.nan, "verdict": verdict(told)}
    low, high, truth = np.array(outcomes, float).T
    kept = ~(np.isnan(low) | np.isnan(high))
    with np.errstate(all="ignore"):
        width = (high - low)[kept] / np.abs(truth[kept])
    under, over = (np.mean(x[kept]) if kept.any() else np.nan for x in (truth < low, truth > high))
    told |= {"refused": 1 - kept.mean(), "holds": 1 - under - over, "under": under, "over": over}
    told["width"] = np.median(width[np.isfinite(width)]) if np.isfinite(width).any() else np.nan
    return told | {"verdict": verdict(told)}


def verdict(row):
    if row["refused"] > REFUSED:
        return "refused"
    if row["kind"] not in ASKED:
        return "-"
    least, most = ASKED[row["kind"]]
    return "ok" if least <= row["holds"] <= most else "OUT"


def line(row):
    shares = [
        "-" if row[c] != row[c] else f"{row[c]:.1%}" for c in ("refused", "holds", "under", "over")
    ]
    width = "-" if row["width"] != row["width"] else f"{row['width']:.0%}"
    cars = f"{row['vehicles'] or '-'}"
    return (
        "| "
        + " | ".join(
            [
                row["what"],
                cars,
                row["log"],
                f"{row['samples']:,}",
                *shares,
                width,
                row["kind"],
                row["verdict"],
            ]
        )
        + " |"
    )


def merged(text, lines):
    """The table's text with `lines` in the place of rows of the same cell, in the order of the registry."""
    old = {
        key_of(row): row for row in text.splitlines() if re.match(r"\| [^-w]|\| w(?!hat \|)", row)
    }
    rows = old | {key_of(row): row for row in lines}
    known = [("what", *c.key)[1:] for c in CELLS]
    before = text.split(HEAD)[0] if HEAD in text else text + "\n"
    return (
        before + "\n".join([HEAD, "|---" * 11 + "|", *(rows[k] for k in known if k in rows)]) + "\n"
    )


def key_of(row):
    what, cars, log = (cell.strip() for cell in row.split("|")[1:4])
    return what, cars.replace("-", "0"), log


def load():
    """Registers every cell."""
    sys.path.insert(0, str(HERE))
    sys.modules.setdefault("holds", sys.modules[__name__])
    for path in sorted(HERE.glob("cells_*.py")):
        import_module(path.stem)
    return CELLS


def main():
    ask = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    ask.add_argument("words", nargs="*")
    ask.add_argument("--samples", type=int, default=2000)
    ask.add_argument("--write", action="store_true")
    asked = ask.parse_args()
    print(HEAD, "|---" * 11 + "|", sep="\n", flush=True)
    for cell in load():
        if all(
            word in f"{cell.what}, {cell.vehicles} vehicles, {cell.log}" for word in asked.words
        ):
            start = time.perf_counter()
            row = line(row_of(cell, asked.samples))
            print(row, f"{time.perf_counter() - start:.0f} s", flush=True)
            if asked.write:
                TABLE.write_text(merged(TABLE.read_text(encoding="utf-8"), [row]), encoding="utf-8")


if __name__ == "__main__":
    main()
