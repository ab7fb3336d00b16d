"""How fast lives are fitted beside lifelines, and repeats counted beside reliability, in one process:
python tests/bench/bench_life.py

Each is the median of a few runs by turns on the same data; our log-likelihood may not be less than
theirs. What is asked leaves room for a busy machine. Ends with 1 where a ratio is short of it.
"""

import sys
import time
import warnings

import numpy as np
import pandas as pd

from wearbar import stats
from wearbar.stats.recurrence import mean_cumulative
from wearbar.stats.regression import fit_life_regression

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import lifelines
    import matplotlib

    matplotlib.use("agg")
    from reliability.Repairable_systems import MCF_nonparametric

FITTED, GROUPS, EACH = 100_000, 5_000, 40


def data(n=1_000_000):
    rng = np.random.default_rng(list(b"speed"))
    t, c = 2 * rng.weibull(1.7, n), rng.exponential(2, n)
    return np.minimum(t, c), t <= c, rng.uniform(0, 0.05, n) * np.minimum(t, c)


def rows():
    """What is compared, seconds of each, how many times as fast, and how many times is asked."""
    x, seen, entry = data()
    few, many = slice(0, FITTED), slice(0, GROUPS * EACH)
    group = np.repeat(np.arange(GROUPS), EACH)
    fitter = lifelines.WeibullFitter
    yield row(
        "Weibull fit, 100,000 lives",
        20,
        lambda: stats.fit_weibull(x[few], seen[few]),
        lambda: fitter().fit(x[few], seen[few]),
    )
    yield row(
        "the same with late entry",
        10,
        lambda: stats.fit_weibull(x[few], seen[few], entry[few]),
        lambda: fitter().fit(x[few], seen[few], entry=entry[few]),
    )
    yield regression()
    ours, one_by_one = (
        lambda: stats.fit_groups("weibull", x[many], seen[many], group),
        lambda: loop(x, seen),
    )
    yield row("5,000 fits of 40 lives", 500, ours, one_by_one, share=100 / GROUPS)
    curve = lifelines.KaplanMeierFitter
    yield row(
        "curve of a million lives",
        4,
        lambda: stats.kaplan_meier(x, seen),
        lambda: curve().fit(x, seen),
    )
    for n in (1_000, 100_000, 1_000_000):
        yield from tied(n, fitter, curve)
        if n != 100_000:
            yield repeats(n)


def regression(n=200_000, vehicles=5_000):
    """Eight covariates; ours has its errors by vehicle, theirs as if all lives were independent."""
    rng = np.random.default_rng(list(b"regression"))
    x, vehicle = rng.standard_normal((n, 8)), rng.integers(0, vehicles, n)
    own = 0.2 * rng.standard_normal(vehicles)[vehicle]
    life = np.exp(1 + x @ np.linspace(-0.3, 0.3, 8) + own) * rng.weibull(2, n)
    end, names = rng.exponential(6, n), [f"x{k}" for k in range(8)]
    theirs = pd.DataFrame(x, columns=names).assign(T=np.minimum(life, end), E=life <= end)
    lives = theirs.rename(columns={"T": "duration", "E": "observed"}).assign(vehicle=vehicle)
    return row(
        "Weibull regression, 200,000 lives, 8 covariates",
        5,
        lambda: fit_life_regression(lives, names),
        lambda: lifelines.WeibullAFTFitter().fit(theirs, "T", "E"),
    )


def tied(n, fitter, curve):
    """Rows of lives as a log has them: whole numbers, rounded to hundreds, some entered late."""
    x, seen, entry = (part[:n] for part in data())
    for what, step in (
        ("whole numbers", 1),
        ("hundreds", 100),
        ("hundreds of miles in km", 160.9344),
    ):
        whole, late = np.ceil(30_000 * x / step) * step, np.floor(30_000 * entry / step) * step
        for how, begun in (("", None), (", late entry", late)):
            rows = whole, seen, begun
            yield row(
                f"curve of {n:,} lives, {what}{how}",
                4 if step in (1, 100) else 2,
                lambda rows=rows: stats.kaplan_meier(*rows),
                lambda rows=rows: curve().fit(rows[0], rows[1], entry=rows[2]),
            )
            yield row(
                f"Weibull fit, {n:,} lives, {what}{how}",
                15,
                lambda rows=rows: stats.fit_weibull(*rows),
                lambda rows=rows: fitter().fit(rows[0], rows[1], entry=rows[2]),
            )


def repeats(n, each=20):
    """Events of n / each vehicles, on whole days."""
    rng = np.random.default_rng(list(b"repeats"))
    end = np.ceil(rng.uniform(1000, 3650, n // each))
    unit = np.sort(rng.integers(0, len(end), n))
    day = np.ceil(rng.uniform(size=n) * end[unit])
    days = np.split(day, np.searchsorted(unit, np.arange(1, len(end))))
    histories = [[*own, last] for own, last in zip(days, end, strict=True)]
    return row(
        f"mean cumulative function, {n:,} events",
        5 if n == 1_000_000 else 1,
        lambda: mean_cumulative(unit, day, None, pd.Series(end)),
        lambda: MCF_nonparametric(histories, print_results=False, show_plot=False),
    )


def loop(x, seen):
    for k in range(0, 100 * EACH, EACH):
        lifelines.WeibullFitter().fit(x[k : k + EACH], seen[k : k + EACH])


def row(what, asked, ours, theirs, share=1.0):
    """share: of the work that theirs is given to do."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        own, other = by_turns(ours, theirs, 3 if share == 1 else 1)
        if hasattr(fit := ours(), "loglik") and not isinstance(fit, pd.DataFrame):
            assert fit.loglik >= theirs().log_likelihood_ - 1e-7 * abs(fit.loglik)
    other /= share
    return {"what": what, "own": own, "other": other, "times": other / own, "asked": asked}


def by_turns(ours, theirs, times):
    """Median seconds of processor time of each, ours run three times for one of theirs."""
    ours()
    own, other = [], []
    for _ in range(times):
        own += [spent(ours) for _ in range(3)]
        other.append(spent(theirs))
    return float(np.median(own)), float(np.median(other))


def spent(call):
    begin = time.process_time()
    call()
    return time.process_time() - begin


def main():
    short = False
    print("| what | wearbar, s | other, s | times as fast | asked |\n|---|---|---|---|---|")
    for r in rows():
        print(
            f"| {r['what']} | {r['own']:.4f} | {r['other']:.3f} | {r['times']:.0f} | {r['asked']} |",
            flush=True,
        )
        short |= r["times"] < r["asked"]
    sys.exit(int(short))


if __name__ == "__main__":
    main()
