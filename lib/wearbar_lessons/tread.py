"""Lesson `tread`: three readers measure the same tyres twice each. How far do two of them differ,
how well does a reading repeat, and which difference is real?"""

import numpy as np
import pandas as pd

from wearbar_lessons import draw
from wearbar_lessons.draw import AS_OF, World
from wearbar_lessons.exercises import CONFIDENCE, Exercise, by_t

READERS = ("A", "B", "C")  # the exercises ask of A and B
ROUNDS = ("1", "2")  # each tyre is read twice, without a look at the first figures
PAIRS = ["A1", "A2", "B1", "B2"]
OF_REAL = 1.96 * 2**0.5  # of the difference of two readings, 95%
INCH_32ND_MM = 25.4 / 32


def tyres_read(rng):
    """A world of vans with one tyre read each: `readings` has v, read_by, round, depth_mm."""
    vans, first = draw.vans(rng, int(rng.integers(10, 17)), (500, 800))
    n, repeat = len(vans), rng.uniform(0.05, 0.16)
    bias = np.array([0, rng.uniform(0.2, 0.6), rng.uniform(-0.3, 0.1)])
    depth = rng.uniform(2.2, 7.2, n)[:, None, None] + bias[:, None]
    depth = depth + repeat * rng.uniform(0, 1) * rng.standard_normal((n, len(READERS), 1))
    depth = depth + repeat * rng.standard_normal((n, len(READERS), len(ROUNDS)))
    v, reader, at = (x.ravel() for x in np.indices(depth.shape))
    made = {"v": v, "read_by": np.array(READERS)[reader], "round": np.array(ROUNDS)[at]}
    readings = pd.DataFrame(made | {"depth_mm": depth.ravel().round(2)})
    return World(vans, None, {"told": float(bias[1]), "scale": 0.0}, first, readings)


def tyres_frame(world):
    """A row a tyre, a column a reader and round (A1, A2, B1 ...), in mm."""
    read = world.readings
    return wide(read["v"], read["read_by"] + read["round"], read["depth_mm"])


def tyres_of(log, category):
    """The same read from a log: the rounds stand in its notes."""
    read = log.si("measurements")
    read = read[read["category"].eq(category)]
    v = pd.factorize(read["vehicle"])[0]
    return wide(v, read["read_by"] + read["note"].str[-1:], read["value"])


def wide(v, column, value):
    made = {"v": np.asarray(v), "column": np.asarray(column), "value": np.asarray(value)}
    return pd.DataFrame(made).pivot(index="v", columns="column", values="value")


def tables(world, category, _):
    """The tables of its logs: vans, and a row a reading."""
    vans, read = world.vehicles, world.readings
    rows = pd.DataFrame({"vehicle": draw.names(len(vans))[read["v"]], "date": AS_OF})
    rows = rows.assign(odometer=vans["km"].to_numpy()[read["v"]], position="front")
    rows = rows.assign(category=category, quantity="depth", value=read["depth_mm"])
    rows = rows.assign(read_by=read["read_by"], note="round " + read["round"])
    return {"vehicles": draw.vehicles_table(vans), "measurements": rows}


def between(rows):
    """How much deeper B reads than A on each tyre, on the mean of both rounds: an array."""
    return ((rows["B1"] + rows["B2"] - rows["A1"] - rows["A2"]) / 2).to_numpy()


def told(rows, confidence=CONFIDENCE):
    """The bias between A and B, an `Estimate`: Student's t over tyres."""
    off, n = between(rows), len(rows)
    return by_t(off.mean(), off.std(ddof=1) / n**0.5, n - 1, n, "mm", confidence)


def count(rows):
    """What the bands count: tyres, and the repeatability in mm."""
    return {"tyres": len(rows), "repeat_mm": _repeat(rows)}


def _bias(rows):
    return between(rows).mean()


def _again(rows):
    """Second reading less first, of both readers: an array."""
    return np.concatenate([rows["A2"] - rows["A1"], rows["B2"] - rows["B1"]])


def _repeat(rows):
    """The standard deviation of one reading about what the same reader reads on average there."""
    return ((_again(rows) ** 2).mean() / 2) ** 0.5


def _real(rows, factor=OF_REAL):
    return factor * _repeat(rows)


def _of_both(rows):
    """The limit for two readers: their bias counts as scatter, too."""
    return OF_REAL * (_repeat(rows) ** 2 + _bias(rows) ** 2 / 2) ** 0.5


BIAS = {
    "sign": lambda rows: -_bias(rows),
    "one-round": lambda rows: (rows["B1"] - rows["A1"]).mean(),
    "worst-tyre": lambda rows: between(rows).max(),
    "reader-mean": lambda rows: rows[["B1", "B2"]].to_numpy().mean(),
    "of-depth": lambda rows: 100 * _bias(rows) / rows[["A1", "A2"]].to_numpy().mean(),
    "in-32nds": lambda rows: _bias(rows) / INCH_32ND_MM,
}
REPEAT = {
    "sd-of-all": lambda rows: rows[PAIRS].to_numpy().std(ddof=1),
    "of-difference": lambda rows: 2**0.5 * _repeat(rows),
    "mean-range": lambda rows: np.abs(_again(rows)).mean(),
    "one-reader": lambda rows: ((rows["A2"] - rows["A1"]) ** 2).mean() ** 0.5 / 2**0.5,
    "variance": lambda rows: _repeat(rows) ** 2,
    "between-readers": lambda rows: between(rows).std(ddof=1),
}
REAL = {
    "one-reading": lambda rows: _real(rows, 1.96),
    "three-sd": lambda rows: _real(rows, 3.0),
    "at-90": lambda rows: _real(rows, 1.645 * 2**0.5),
    "bias-added": lambda rows: _real(rows) + _bias(rows),
    "readers-too": _of_both,
    "in-32nds": lambda rows: _real(rows) / INCH_32ND_MM,
}
EXERCISES = {
    "bias": Exercise("mm", _bias, (), BIAS, 0.002),
    "repeat": Exercise("mm", _repeat, (), REPEAT, 0.002),
    "real": Exercise("mm", _real, (), REAL, 0.015),
}
LESSON = (tyres_read, EXERCISES, told, tyres_frame, tyres_of, count, tables)
