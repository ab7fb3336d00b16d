"""What people call a task: the plan's own `also` words, and words that come near one.

Work whose task is written as the plan's `also` says counts as that task. Any other word near a task
of the vehicle's plan is only a doubt: the row stays as it was written.
"""

from difflib import SequenceMatcher

import numpy as np
import pandas as pd

from wearbar.log.checks.problems import named
from wearbar.log.schema import TEXT

WORDS = ("table", "vehicle", "written", "task", "how", "line", "date")
# words that say what is done, by the plan's actions; and words that say nothing
DOES = {
    "replace": "change changed replace replaced replacement renew renewed new fit fitted swap "
    "service",
    "inspect": "inspect inspected inspection check checked look test",
    "adjust": "adjust adjusted adjustment set tension",
    "clean": "clean cleaned wash washed",
    "lubricate": "lubricate lube lubed grease greased oiled",
    "tighten": "tighten tightened torque retorque",
    "test": "test tested",
}
_PLAIN = {"and", "of", "the", "a", "an", "with", "on", "for", "to", "done", "all"}
_ACTS = set(" ".join(DOES.values()).split())
_LIKE = 0.86  # of letters in order: one slip in a word of seven


def as_planned(plan, tables):
    """(tables, words, problems): `task` of work and deferrals as the plan has it.

    words: frame `WORDS`, one row a row whose task is written in other words: `how` "also" where its
    `also` names them, "near" where they only come near. problems: one for each of the near, with
    the line for plan.toml that would settle it.
    """
    own = plan.assign(tables["vehicles"])
    pairs = plan.tasks[["plan", "code", "also"]].explode("also").dropna(subset="also")
    code = pairs.drop_duplicates(["plan", "also"], keep="last").set_index(["plan", "also"])["code"]
    words, tables = [], dict(tables)
    for name in ("work", "deferrals") if len(code) else ():
        rows = tables[name]
        plain = rows["task"].str.strip().str.casefold()
        key = pd.MultiIndex.from_arrays([rows["vehicle"].map(own), plain])
        meant = pd.Series(code.reindex(key).array, rows.index, dtype=TEXT)
        words.append(_words(name, rows, meant, "also"))
        tables[name] = rows.assign(task=meant.fillna(rows["task"]))
    work = tables["work"]
    meant = _near(plan, work, work["vehicle"].map(own))
    words.append(_words("work", work, meant, "near"))
    rows, meant = work[meant.notna()], meant.dropna()
    mend = [
        f'if it is that work, add also = ["{written}"] to task {task} in {plan.source}'
        for written, task in zip(rows["task"], meant, strict=True)
    ]
    words = pd.concat(words, ignore_index=True)
    return tables, words, named("work", rows, "task", "task-near", mend)


def _near(plan, work, own):
    """The code of the task that work outside the plan comes near to, NaN where to none."""
    known = plan.tasks.groupby("plan")["code"].agg(set).to_dict()
    asked = work["task"].notna() & own.notna() & ~work["task"].str.endswith("-recheck", na=False)
    asked &= work["why"].isin(["planned", "advice"])
    latest = plan.tasks.drop_duplicates(["plan", "code"], keep="last")
    pairs = pd.DataFrame({"plan": own, "task": work["task"]})[asked]
    meant = {
        (name, task): nearest(task, latest[latest["plan"] == name])
        for name, task in pairs.drop_duplicates().itertuples(index=False)
        if task not in known[name]
    }
    codes = [meant.get(pair) or np.nan for pair in pairs.itertuples(index=False, name=None)]
    return pd.Series(codes, pairs.index, dtype=TEXT).reindex(work.index)


def nearest(written, tasks):
    """The code of the task that a word comes nearest to, or "" where none is near.

    tasks: rows of one plan's tasks, `code, title, also, action`. Near: all that is said beside what
    is done is said by the task too, or the letters are alike but for a slip. Of several, the one of
    the action that was written, then the one that says least beside.
    """
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
    words = {w for w in _plain_text(text).split() if w not in _PLAIN}
    does = {action for action, said in DOES.items() if words & set(said.split())}
    return {w.removesuffix("s") for w in words - _ACTS}, does


def _plain_text(text):
    return " ".join("".join(c if c.isalnum() else " " for c in text.casefold()).split())


def _words(table, rows, task, how):
    rows = rows.assign(meant=task)[task.notna()]
    told = rows[["vehicle", "task", "meant", "date"]].assign(table=table, how=how, line=rows.index)
    told = told.rename(columns={"task": "written", "meant": "task"})
    return told[list(WORDS)]
