"""How fast lives are fitted beside lifelines, in one process: python tests/bench/bench_life.py

Each is the best of a few runs on the same data; our log-likelihood may not be less than theirs. Ends with 1 where a ratio is short of what
is asked.
"""

import sys
import time
import warnings

import numpy as np

from wearbar import stats

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import lifelines

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
    ours, one_by_one = (
        lambda: stats.fit_groups("weibull", x[many], seen[many], group),
        lambda: loop(x, seen),
    )
    yield row("5,000 fits of 40 lives", 500, ours, one_by_one, share=100 / GROUPS)
    curve = lifelines.KaplanMeierFitter
    yield row(
        "curve of a million lives",
        3,
        lambda: stats.kaplan_meier(x, seen),
        lambda: curve().fit(x, seen),
    )


def loop(x, seen):
    for k in range(0, 100 * EACH, EACH):
        lifelines.WeibullFitter().fit(x[k : k + EACH], seen[k : k + EACH])


def row(what, asked, ours, theirs, share=1.0):
    """share: of the work that theirs is given to do."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        own, other = best(ours, 5), best(theirs, 3 if share == 1 else 1) / share
        if hasattr(fit := ours(), "loglik") and hasattr(fit, "fits"):
            assert fit.loglik >= theirs().log_likelihood_ - 1e-7 * abs(fit.loglik)
    return {"what": what, "own": own, "other": other, "times": other / own, "asked": asked}


def best(call, times):
    spent = []
    for _ in range(times):
        begin = time.process_time()
        call()
        spent.append(time.process_time() - begin)
    return min(spent)


def main():
    short = False
    print("| what | wearbar, s | lifelines, s | times as fast | asked |\n|---|---|---|---|---|")
    for r in rows():
        print(
            f"| {r['what']} | {r['own']:.4f} | {r['other']:.3f} | {r['times']:.0f} | {r['asked']} |",
            flush=True,
        )
        short |= r["times"] < r["asked"]
    sys.exit(int(short))


if __name__ == "__main__":
    main()
