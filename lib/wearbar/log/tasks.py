"""What people call a task. Work written as the plan's `also` says counts as that task; any other
word near a task of the vehicle's plan is only a doubt: the row stays as it was written."""

from difflib import SequenceMatcher

import numpy as np
import pandas as pd

from wearbar.log.checks.problems import codes, named
from wearbar.log.keys import is_among, stacked
from wearbar.log.schema import TEXT, said
from wearbar.log.sources.header import toml
from wearbar.log.units import is_example

WORDS = ("table", "vehicle", "written", "task", "how", "line", "date")
NO_WORDS = pd.DataFrame(columns=list(WORDS))
_TOLD = said("task_words")
_PLAIN = set(_TOLD["plain"].split())
_DOES = {action: set(words.split()) for action, words in _TOLD["does"].items()}
_ACTS = set().union(*_DOES.values())
_LIKE = 0.86  # of letters in order: one slip in a word of seven


def as_planned(plan, tables):
    """(tables, words, problems): `task` of work and deferrals as the plan has it; frame `WORDS`, a
    row whose task is in other words: `how` "also" by its `also`, or "near", a doubt."""
    own = plan.assign(tables["vehicles"])
    told = zip(*(plan.tasks[name] for name in ("plan", "code", "also")), strict=True)
    code = {(of, word): task for of, task, also in told for word in also}
    words, tables = [], dict(tables)
    for name in ("work", "deferrals") if code else ():
        rows = tables[name].copy(deep=False)
        pair, pairs = _pairs(own, rows)
        meant = [code.get((of, task and task.strip().casefold())) for of, task in pairs]
        meant = pd.Series(pd.array(meant, dtype=TEXT).take(pair), rows.index)
        words.append(_words(name, rows, meant, "also"))
        tables[name], rows["task"] = rows, meant.fillna(rows["task"])

    # the task that planned work outside the plan comes near to
    work, latest = tables["work"], plan.tasks
    is_asked = (work["why"].isin(["planned", "advice"]) & work["task"].notna()).to_numpy()
    asked = work[["vehicle", "task", "date"]][is_asked]
    pair, pairs = _pairs(own, asked)
    if strange := {*pairs} - {*zip(latest["plan"], latest["code"], strict=True)}:
        latest = latest.drop_duplicates(["plan", "code"], keep="last")
    near = {
        (name, task): nearest(task, latest[latest["plan"] == name])
        for name, task in strange
        if name and not task.endswith("-recheck")
    }
    meant = pd.array([near.get(each) or None for each in pairs], dtype=TEXT).take(pair)
    meant = pd.Series(meant, asked.index)
    words = stacked([NO_WORDS, *words, _words("work", asked, meant, "near")])
    mend = f'if it is that work, add also = ["{{}}"] to task {{}} in {plan.source}'.format
    return tables, words, named("work", asked, meant.notna(), "task", "task-near", mend, meant)


def _pairs(own, rows):
    """The plan and task of each row, None for none: numbers, and the pairs that they stand for.
    own: the plan of each vehicle, by vehicle."""
    plan, plans = own.factorize()
    task, tasks = rows["task"].factorize()
    plans, tasks = [*plans, None], [*tasks, None]
    plan = np.r_[plan, -1][codes(rows["vehicle"], own.index)]
    pair, pairs = pd.factorize(plan % len(plans) * len(tasks) + task % len(tasks))
    return pair, [(plans[k // len(tasks)], tasks[k % len(tasks)]) for k in pairs]


def beside_plan(log):
    """What of the plan matches nothing in the log, and what of the log no plan has: sentences, each
    with the line to add."""
    vehicles, work, fitted = (log.tables[name] for name in ("vehicles", "work", "fitted"))
    says, tasks, covers = _TOLD["says"], log.plan_or_empty.tasks, log.plan_or_empty.covers
    own = log.plan_for(vehicles["vehicle"])
    for kind in sorted(set(vehicles["kind"][own.isna() & vehicles["vehicle"].isin(log.here)])):
        yield says["without"].format(kind=toml(kind))
    done = set(zip(log.plan_for(work["vehicle"]), work["task"], strict=True))
    done |= set(zip(log.plan_for(fitted["vehicle"]), fitted["category"], strict=True))
    done |= {(c.plan, c.covered) for c in covers.itertuples() if (c.plan, c.code) in done}
    for plan, its in tasks.drop_duplicates(["plan", "code"], keep="last").groupby("plan"):
        if plan not in set(own):
            kind = ", ".join(map(toml, sorted(set(vehicles["kind"].dropna()))))
            yield says["no_vehicle"].format(plan=plan, kind=kind)
            continue
        if n := its["source"].map(is_example).sum():
            yield says["examples"].format(plan=plan, n=n, all=len(its))
        never = [x.code for x in its.itertuples() if not {(plan, x.code), (plan, x.fits)} & done]
        if never:
            yield says["never"].format(plan=plan, tasks=", ".join(never))
    rows = work.assign(plan=log.plan_for(work["vehicle"]).array)[work["why"].eq("planned")]
    rows = rows[~is_among(rows.rename(columns={"task": "code"}), tasks, ["plan", "code"])]
    rows = rows[~rows["task"].isin(log.words["written"]) & ~rows["task"].str.endswith("-recheck")]
    for (plan, task), its in rows.groupby(["plan", "task"]):
        action = min(_split(task)[1], default="inspect")
        yield says["lacks"].format(plan=plan, task=toml(task), n=len(its), action=action)


def nearest(written, tasks):
    """The code of the task (rows `code, title, also, action`) that a word comes nearest to, or "".
    Near: all that is said beside what is done is said by the task too, or the letters are alike but
    for a slip. Of several, that of the action written, then the one that says least beside."""
    said, does = _split(written)
    best = ("", 0.0)
    for task in tasks.itertuples():
        for name in (task.code, task.title, *task.also):
            mine, _ = _split(name)
            alike = SequenceMatcher(None, _plain_text(written), _plain_text(name)).ratio()
            inside = bool(said) and said <= mine
            if not inside and not (len(mine) > 1 and mine <= said) and alike < _LIKE:
                continue
            same = len(said & mine) / max(len(said | mine), 1)
            score = 2 * (task.action in does) + same + alike
            best = max(best, (task.code, score), key=lambda pair: pair[1])
    return best[0]


def _split(text):
    """(what is spoken of, the plan's actions that it names) of a task as written."""
    words = set(_plain_text(text).split()) - _PLAIN
    does = {action for action, said in _DOES.items() if words & said}
    return {w.removesuffix("s") for w in words - _ACTS}, does


def _plain_text(text):
    return " ".join("".join(c if c.isalnum() else " " for c in text.casefold()).split())


def _words(table, rows, task, how):
    is_meant = task.notna().to_numpy()
    if not is_meant.any():
        return NO_WORDS
    told = rows[["vehicle", "task", "date"]].rename(columns={"task": "written"})
    told = told.assign(table=table, task=task, how=how, line=rows.index)
    return told.loc[is_meant, list(WORDS)]
