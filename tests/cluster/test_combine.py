"""A log split into partitions says the same as the whole, also where a worker dies on the way."""

import json
import os
import signal
from dataclasses import asdict
from functools import partial
from pathlib import Path

import pandas as pd
import pytest

from wearbar import intervals, parts
from wearbar.cost import account as money
from wearbar.cost import per_distance
from wearbar.log import places
from wearbar.stats import fit_weibull, kaplan_meier
from wearbar_cluster import combine as cluster
from wearbar_cluster.split import split

TODAY = pd.Timestamp("2026-11-29")
NEAR = {"rtol": 1e-9, "check_dtype": False, "check_names": False}


@pytest.fixture(scope="module")
def fleet(tmp_path_factory):
    """The demo fleet in five partitions."""
    out = tmp_path_factory.mktemp("split") / "fleet"
    split(places.place("data", "fleet"), out, 5, TODAY)
    return out


def rows_and_a_death(folder):
    """The rows of a partition; the first worker that is asked for one of them is killed."""
    died = Path(folder).parent / "died"
    if folder.endswith("2") and not died.exists():
        died.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return cluster.rows_of(folder)


@pytest.fixture(scope="module")
def run(fleet, tmp_path_factory):
    """(findings, tables, folder) that a cluster of two processes, of which one dies, makes of it."""
    distributed = pytest.importorskip("dask.distributed")
    told, combined, out = [], cluster.combined, tmp_path_factory.mktemp("combined") / "out"
    own = {"n_workers": 2, "threads_per_worker": 1, "dashboard_address": ":0"}
    with distributed.LocalCluster(**own) as made, pytest.MonkeyPatch.context() as patch:
        patch.setattr(cluster, "combined", lambda *asked: told.extend(combined(*asked)) or told)
        patch.setattr(cluster, "gather", partial(cluster.gather, work=rows_and_a_death))
        assert cluster.combine(fleet, out, made.scheduler_address) == 18
    return *told, out


def same(found, whole):
    """Hold two estimates equal."""
    for (name, x), y in zip(asdict(found).items(), asdict(whole).values(), strict=True):
        assert x == y if isinstance(y, str) else x == pytest.approx(y, rel=1e-9), name


def alike(found, whole, key):
    """Hold two frames equal, whatever the order of their rows."""
    found, whole = (f.sort_values(key).reset_index(drop=True) for f in (found, whole))
    pd.testing.assert_frame_equal(found[list(whole)], whole, **NEAR)


def test_partitions_on_a_cluster_say_what_the_whole_log_says(run, demo_log):
    (found, by, out), log = run, demo_log("fleet")
    jobs = intervals.placed(intervals.occasions(log), log)
    same(found["on_time_rate"], intervals.rate(jobs))
    same(found["early_share"], intervals.early_work(jobs)[0])
    for name in ("kind", "task", "month"):
        alike(by[f"interval_compliance-{name}"], intervals.compliance(jobs, [name]), name)
    alike(
        by["interval_compliance-site"],
        intervals.sites_told(intervals.compliance(jobs, ["site"])),
        "site",
    )
    alike(by["interval_compliance-vehicle"], intervals.counts(jobs), "vehicle")
    alike(by["interval_compliance-left-out"], intervals.excluded(jobs), "why")
    key = ["vehicle", "what", "item", "line"]
    alike(by["interval_compliance-open"], intervals.items(log).query("is_open"), key)

    spans = parts.spans_of(log)
    lives = parts.service_lives(parts.with_place(spans))
    for key, own in lives.groupby(cluster.PLACE):
        rows = own["duration_km"], own["came_off"], own["entry_km"]
        at = dict(zip(cluster.PLACE, key, strict=True))
        curve, fit = (
            f[(f[list(at)] == pd.Series(at)).all(axis=1)]
            for f in (by["consumable_life-curves"], by["consumable_life-weibull"])
        )
        alike(curve, kaplan_meier(*rows), "duration")
        if own["came_off"].sum() > 1:
            whole = fit_weibull(*rows)
            assert fit["shape"].item() == pytest.approx(whole.shape, rel=1e-9, nan_ok=True)
            assert fit["scale_km"].item() == pytest.approx(whole.scale, rel=1e-9, nan_ok=True)
    wear = parts.wear_of(spans, parts.looks_of(log), parts.law_of(log))
    alike(by["consumable_life-life-to-limit"], parts.life_to_limit(wear), list(parts.STRATUM))

    account = money.account(log)
    same(found["cost_per_km"], per_distance.total_per_km(account))
    for name in ("category", "kind"):
        alike(by[f"running_cost-{name}"], per_distance.cost_per_km(account, name), name)
    alike(by["running_cost-fixed"], per_distance.cost_per_km(account, "is_fixed"), "is_fixed")
    for name in ("site", "vehicle", "year"):
        alike(by[f"running_cost-{name}"], getattr(per_distance, f"by_{name}")(account), name)
    for name, whole in (
        ("ledger", log.ledger),
        ("set-aside", log.set_aside),
        ("warnings", log.warnings),
    ):
        pd.testing.assert_frame_equal(by[f"log_check-{name}"], whole, check_dtype=False)

    told = json.loads((out / "findings.json").read_text(encoding="utf-8"))
    assert told["as_of"] == f"{log.as_of:%Y-%m-%d}"
    assert told["ledger"] == log.ledger.to_dict("records")
    assert told["findings"]["cost_per_km"]["n"] == 34
    for name, frame in by.items():
        assert len(pd.read_csv(out / "tables" / f"{name}.csv")) == len(frame)


def test_a_worker_killed_on_the_way_costs_only_time(run, fleet):
    assert (fleet / "died").exists()
    kept = {file.stem for file in (run[2] / "rows" / "jobs").iterdir()}
    assert kept == {folder.name for folder in fleet.glob("partition=*")}
