"""Slips of the pen, a handful, each kept with the truth beside it."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

__all__ = ["soil"]


@dataclass(frozen=True)
class Slip:
    """`n` rows of a table in which `column` is mistyped.

    typed: turns the true values into what was written. where: picks the rows that suit.
    """

    kind: str
    table: str
    column: str
    typed: Any
    where: Any = None
    n: int = 1


def _digits(change):
    return lambda values: np.array([float(change(f"{int(x)}")) for x in values], dtype=object)


def _always(value):
    return lambda values: np.full(len(values), value, dtype=object)


def _large(frame):
    return frame["odometer"].between(11000, 95000) & (
        frame["odometer"] // 10000 % 10 != frame["odometer"] // 1000 % 10
    )


def _off_tyre(frame):
    return (
        frame["removed"].notna()
        & frame["fitted"].notna()
        & frame["category"].eq("tyre")
        & frame["reason"].eq("worn")
    )


def _deep(frame):
    return (
        frame["quantity"].eq("depth")
        & frame["value"].between(3.1, 6.9)
        & (frame["value"] % 1 > 0.05)
    )


SLIPS = (
    Slip("a digit twice", "odometer", "odometer", _digits(lambda t: t[:2] + t[1:]), _large, 2),
    Slip(
        "two digits changed places",
        "odometer",
        "odometer",
        _digits(lambda t: t[1] + t[0] + t[2:]),
        _large,
    ),
    Slip(
        "km written for miles",
        "odometer",
        "odometer",
        lambda x: np.round(x * 1.609344).astype(object),
        _large,
    ),
    Slip("a digit left out", "fuel", "odometer", _digits(lambda t: t[:1] + t[2:]), _large),
    Slip("a digit twice", "fuel", "odometer", _digits(lambda t: t[:3] + t[2:]), _large),
    Slip(
        "unit in the cell",
        "work",
        "odometer",
        lambda x: np.array([f"{int(v):,} miles" for v in x], dtype=object),
        _large,
    ),
    Slip(
        "decimal point lost",
        "fuel",
        "volume",
        lambda x: np.round(x * 100).astype(object),
        lambda f: (f["volume"] % 1 > 0.1) & f["kind"].ne("urea"),
        2,
    ),
    Slip(
        "decimal point lost",
        "measurements",
        "value",
        lambda x: np.round(x * 10).astype(object),
        _deep,
        2,
    ),
    Slip(
        "another wheel's reading",
        "measurements",
        "value",
        lambda x: np.round(x + 3.4, 1).astype(object),
        lambda f: _deep(f) & (f["value"] < 4.5),
    ),
    Slip(
        "date in another order",
        "work",
        "date",
        lambda x: pd.DatetimeIndex(x).strftime("%d/%m/%Y").astype(object),
        lambda f: f["date"].dt.day > 12,
    ),
    Slip(
        "year of another century",
        "fuel",
        "date",
        lambda x: pd.DatetimeIndex(x).strftime("19%y-%m-%d").astype(object),
    ),
    Slip("code misspelt", "fuel", "kind", _always("deisel"), lambda f: f["kind"].eq("diesel")),
    Slip("code misspelt", "work", "why", _always("planed"), lambda f: f["task"].eq("battery-test")),
    Slip(
        "code misspelt",
        "defects",
        "grade",
        _always("offroad"),
        lambda f: f["grade"].eq("off-road") & f["closed"].notna(),
    ),
    Slip("left blank", "work", "task", _always(np.nan), lambda f: f["task"].eq("engine-oil-level")),
    Slip("left blank", "fixed_costs", "amount", _always(np.nan)),
    Slip(
        "letter for a figure",
        "work",
        "vehicle",
        _always("M1O"),
        lambda f: f["vehicle"].eq("M10") & f["task"].eq("engine-oil-level"),
    ),
    Slip(
        "percent written for a share",
        "use",
        "loose",
        lambda x: np.round(x * 100).astype(object),
        lambda f: f["loose"] > 0.1,
    ),
    Slip(
        "off before on",
        "fitted",
        "removed",
        lambda x: (
            (pd.DatetimeIndex(x) - pd.DateOffset(years=10)).strftime("%Y-%m-%d").astype(object)
        ),
        _off_tyre,
    ),
    Slip(
        "end before beginning",
        "use",
        "to",
        lambda x: (
            (pd.DatetimeIndex(x) - pd.DateOffset(years=1)).strftime("%Y-%m-%d").astype(object)
        ),
    ),
)
OF_AN_OWNER = (
    "a digit twice",
    "decimal point lost",
    "percent written for a share",
    "date in another order",
)
TWICE = {"fuel": 2, "odometer": 1, "work": 1}


def soil(tables, setting, rng):
    """The tables with slips typed in, and a frame of them: kind, table, line (the header being 1), column, written, true.

    Column `also` of a repeated row is blank; a row dated after the report date is true, only late.
    """
    mine = [s for s in SLIPS if not setting.names or s.kind in OF_AN_OWNER]
    tables, taken, told = dict(tables), {}, []
    for name, n in TWICE.items():
        tables[name], taken[name] = _repeat(tables[name], n if not setting.names else 1, rng)
        told.append(_note("row typed twice", name, taken[name], "", "", ""))
        taken[name] = [*taken[name], *(row - 1 for row in taken[name])]
    tables["odometer"], late = _too_new(tables["odometer"], setting)
    told.append(_note("after the report date", "odometer", late, "date", "", ""))
    for slip in mine:
        tables[slip.table], rows, written, true = _mistype(
            tables[slip.table], slip, taken.setdefault(slip.table, []), rng
        )
        taken[slip.table] = [*taken[slip.table], *rows]
        told.append(_note(slip.kind, slip.table, rows, slip.column, written, true))
    return tables, pd.concat(told, ignore_index=True)


def _note(kind, table, rows, column, written, true):
    text = {"written": _text(written, len(rows)), "true": _text(true, len(rows))}
    return pd.DataFrame(
        {
            "kind": kind,
            "table": table,
            "line": np.asarray(rows, dtype=int) + 2,
            "column": column,
            **text,
        }
    )


def _text(values, n):
    values = pd.Series(
        np.broadcast_to(values, n).ravel() if isinstance(values, str) else values, dtype=object
    )
    return values.map(
        lambda x: (
            ""
            if x is None or x != x
            else f"{x:.10g}"
            if isinstance(x, float)
            else f"{x:%Y-%m-%d}"
            if isinstance(x, pd.Timestamp)
            else str(x)
        )
    )


def _repeat(frame, n, rng):
    """n rows written twice, the second just below the first; gives the second ones' places."""
    row = np.sort(rng.choice(np.arange(20, len(frame) - 20), n, replace=False))
    order = np.sort(np.append(np.arange(len(frame)), row))
    return frame.iloc[order].reset_index(drop=True), [int(r) for r in row + 1 + np.arange(n)]


def _too_new(frame, setting):
    """Two readings typed in after the log was closed."""
    last = frame.drop_duplicates("vehicle", keep="last").iloc[-2:]
    new = last.assign(
        date=pd.Timestamp(setting.last) + pd.to_timedelta([3, 5], unit="D"),
        odometer=last["odometer"] + 60,
    )
    return pd.concat([frame, new], ignore_index=True), [len(frame), len(frame) + 1]


def _mistype(frame, slip, taken, rng):
    fits = frame[slip.column].notna() & ~frame.index.isin(taken)
    if slip.where is not None:
        fits &= slip.where(frame)
    choice = np.flatnonzero(fits)
    rows = np.sort(rng.choice(choice, min(slip.n, len(choice)), replace=False))
    true = frame[slip.column].iloc[rows]
    written = slip.typed(true.to_numpy())
    column = frame[slip.column]
    if column.dtype.kind == "M":
        column = column.dt.strftime("%Y-%m-%d")
    column = column.astype(object)
    column.iloc[rows] = written
    if (
        slip.typed is not None
        and all(isinstance(x, float) for x in written)
        and frame[slip.column].dtype.kind == "f"
    ):
        column = column.astype(float)
    return (
        frame.assign(**{slip.column: column}),
        rows.tolist(),
        written,
        true.to_numpy(dtype=object),
    )
