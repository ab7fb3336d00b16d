"""What people call a task: the plan's own `also` words, and words that come near one.

A row of work whose task is written as the plan's `also` says counts as that task. Any other word
that comes near a task of the vehicle's plan is only a doubt: the row stays as it was written.
"""

from difflib import SequenceMatcher

import numpy as np
import pandas as pd

from wearbar.log.checks.problems import problems
from wearbar.log.schema import TEXT

__all__ = ["WORDS", "as_planned", "near_words", "nearest"]

WORDS = ("table", "vehicle", "written", "task", "how", "line", "date")
# words that say what is done, by the plan's actions; and words that say nothing
DOES = {
    "replace": "change changed replace replaced replacement renew renewed new fit fitted swap service",
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
    """(tables, words): `task` of work and deferrals as the plan has it where `also` names what was
    written. words: frame `WORDS`, one row a row of a table, `how` "also".
    """
    pairs = plan.tasks[["plan", "code", "also"]].explode("also").dropna(subset="also")
    pairs = pairs.drop_duplicates(["plan", "also"], keep="last")
    if not len(pairs):
        return tables, pd.DataFrame(columns=list(WORDS))
    code = pd.Series(pairs["code"].array, pd.MultiIndex.from_frame(pairs[["plan", "also"]]))
    own, found, tables = plan.assign(tables["vehicles"]), [], dict(tables)
    for name in ("work", "deferrals"):
        rows = tables[name]
        key = pd.MultiIndex.from_arrays([rows["vehicle"].map(own), _plain(rows["task"])])
        meant = pd.Series(code.reindex(key).array, rows.index, dtype=TEXT)
        hit = meant.notna()
        found.append(_words(name, rows[hit], meant[hit], "also"))
        tables[name] = rows.assign(task=meant.fillna(rows["task"]))
    return tables, pd.concat(found, ignore_index=True)


def near_words(plan, tables):
    """(words, problems): planned work outside the vehicle's plan that comes near a task in it.

    words: as of `as_planned`, `how` "near". problems: a row a row of work, with the line for
    plan.toml that would settle it.
    """
    work = tables["work"]
    own = work["vehicle"].map(plan.assign(tables["vehicles"]))
    known = plan.tasks.groupby("plan")["code"].agg(set).to_dict()
    asked = work["task"].notna() & own.notna() & ~work["task"].str.endswith("-recheck", na=False)
    asked &= work["why"].isin(["planned", "advice"])
    pairs = pd.DataFrame({"plan": own, "task": work["task"]})[asked].drop_duplicates()
    pairs = [(p, t) for p, t in pairs.itertuples(index=False) if t not in known[p]]
    latest = plan.tasks.drop_duplicates(["plan", "code"], keep="last")
    meant = {(p, t): nearest(t, latest[latest["plan"] == p]) for p, t in pairs}
    meant = {key: code for key, code in meant.items() if code}
    if not meant:
        return pd.DataFrame(columns=list(WORDS)), problems("work", [], "task", [], "task-near")
    key = pd.MultiIndex.from_arrays([own, work["task"]])
    code = pd.Series(meant).reindex(key).array
    hit = pd.notna(code) & asked.to_numpy()
    rows, code = work[hit], np.asarray(code, dtype=object)[hit]
    mend = [
        f'if it is that work, add also = ["{w}"] to task {c} in {plan.source}'
        for w, c in zip(rows["task"], code, strict=True)
    ]
    found = problems("work", rows.index, "task", rows["task"], "task-near", np.array(mend, object))
    return _words("work", rows, pd.Series(code, rows.index, dtype=TEXT), "near"), found


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


def _plain(column):
    return column.str.strip().str.casefold()


def _words(table, rows, task, how):
    told = {"table": table, "vehicle": rows["vehicle"], "written": rows["task"], "task": task}
    return pd.DataFrame({**told, "how": how, "line": rows.index, "date": rows["date"]})[list(WORDS)]
