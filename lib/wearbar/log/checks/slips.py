"""What a reading was probably meant to be: the slips that hands make, tried on all doubtful readings at once."""

import numpy as np

from wearbar.log.units import DISTANCE_KM

__all__ = ["likely_reading"]

DIGITS = 9
MOST_NAMED = 3
LAST = "a digit left out"


def likely_reading(x, low, high, in_km=None, most=None):
    """A remedy for each doubtful reading: what it stands between, and the slip and value that would fit there, where few would.

    x: readings. low, high: the true readings before and after, NaN where there is none. in_km: whether the instrument counts km.
    most: the most that is likely where no reading comes after.
    """
    text = _between(x, low, high)
    bounded = np.isfinite(high)
    high = high if most is None else np.where(np.isfinite(high), high, most)
    open_ = np.isfinite(low) & np.isfinite(high)
    for name, made in _slips(x, in_km):
        fits = (made >= low[:, None]) & (made <= high[:, None]) & (made != x[:, None])
        made = np.sort(np.where(fits, made, np.inf), axis=1)
        made[:, 1:] = np.where(made[:, 1:] == made[:, :-1], np.inf, made[:, 1:])
        count = np.isfinite(made).sum(axis=1)
        told = np.flatnonzero(open_ & (count > 0) & ((count <= MOST_NAMED) | (name == LAST)))
        for k in told:
            likely = (
                [_number(v) for v in np.sort(made[k])[: count[k]]] if count[k] <= MOST_NAMED else []
            )
            text[k] += f": {name}? {' or '.join(likely)}".rstrip()
        open_[told] = False
    text[open_ & ~bounded] += "; if the instrument was changed before it, say restarts_at"
    return text


def _between(x, low, high):
    def said(v, a, b):
        if np.isfinite(a) and np.isfinite(b):
            return f"{_number(v)} between {_number(a)} and {_number(b)}"
        if np.isfinite(a):
            return f"{_number(v)} after {_number(a)}"
        return (
            f"{_number(v)} before {_number(b)}: mend it or its date"
            if np.isfinite(b)
            else f"{_number(v)} alone: mend it or its date"
        )

    return np.array([said(*row) for row in zip(x, low, high, strict=True)], dtype=object)


def _number(value):
    return f"{round(value, 2):.15g}"


def _slips(x, in_km):
    """Each slip with the values that undo it, a column each; NaN where it can't be."""
    whole = np.where((x == np.floor(x)) & (x < 10**DIGITS), x, 0).astype("int64")
    power = 10 ** np.arange(DIGITS, dtype="int64")
    digits = whole[:, None] // power % 10
    real = whole[:, None] >= power
    left, right = whole[:, None] // (power * 10) * power, whole[:, None] % power
    least = 10.0 ** (real.sum(axis=1) - 1)[:, None]  # no reading is written with a 0 in front
    twice = real[:, :-1] & (digits[:, :-1] == digits[:, 1:])
    yield (
        "an extra digit",
        np.where(twice & ((left + right)[:, :-1] >= least / 10), (left + right)[:, :-1], np.nan),
    )
    yield "an extra digit", np.where(real & (left + right >= least / 10), left + right, np.nan)
    swapped = whole[:, None] + (digits[:, :-1] - digits[:, 1:]) * (power[1:] - power[:-1])
    yield (
        "two digits the wrong way round",
        np.where(real[:, 1:] & (swapped >= least), swapped, np.nan).astype(float),
    )
    mile = DISTANCE_KM["mi"]
    if in_km is not None:
        yield "in the other unit", np.round(np.where(in_km, x * mile, x / mile), 0)[:, None]
    yield "a lost decimal point", x[:, None] / np.array([10.0, 100.0])
    yield (
        "a point too many",
        np.where(
            whole[:, None] == x[:, None], np.nan, x[:, None] * np.array([10.0, 100.0, 1000.0])
        ),
    )
    others = whole[:, None, None] + (np.arange(10) - digits[:, :, None]) * power[None, :, None]
    yield (
        "one digit wrong",
        np.where(real[:, :, None] & (others >= least[:, :, None]), others, np.nan)
        .reshape(len(x), -1)
        .astype(float),
    )
    more = (whole[:, None] // power * power * 10 + whole[:, None] % power)[:, :, None] + np.arange(
        10
    ) * power[None, :, None]
    yield LAST, np.where(real[:, :, None], more, np.nan).reshape(len(x), -1).astype(float)
