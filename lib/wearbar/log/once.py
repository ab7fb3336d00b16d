"""What several reports of a pack need is computed once: its result kept in a folder of the run."""

import functools
import hashlib
import inspect
import os
import pickle
import tempfile
from pathlib import Path

import pandas as pd

try:
    import fcntl
except ImportError:  # Windows: each computes for itself
    fcntl = None

STORE = "WEARBAR_STORE"  # in the environment: the folder; without it everything is computed anew


OF_NONE = {}  # the answers that all logs share which have no row in the tables asked about


def kept_with(function=None, *, of=()):
    """A pure function of a ServiceLog and plain values, computed once for each log, which keeps it;
    once for all logs without a row in the tables `of`, where it is of their rows alone. A frame may
    be given columns, but what stands in it is shared: nobody may change that."""
    if function is None:
        return functools.partial(kept_with, of=of)
    signature = inspect.signature(function)

    @functools.wraps(function)
    def kept(log, *asked, **named):
        given = signature.bind(log, *asked, **named)
        given.apply_defaults()
        _, *asked = given.arguments.values()
        key = function.__module__, function.__qualname__, *asked
        is_none = of and all(log.tables[name].empty for name in of)
        answers = OF_NONE if is_none else log._kept
        if key not in answers:
            answers[key] = function(*given.args, **given.kwargs)
        found = answers[key]
        return found.copy(deep=False) if isinstance(found, pd.DataFrame) else found

    return kept


def once(function):
    """A pure function of a ServiceLog, by its fingerprint, and plain arguments, computed once where
    there is a store. Arguments by keyword follow from the log and don't count."""

    @functools.wraps(function)
    def kept(log, *asked, **derived):
        folder = os.environ.get(STORE)
        if not folder:
            return function(log, *asked, **derived)
        key = repr((function.__module__, function.__qualname__, log.fingerprint, asked))
        file = Path(folder) / hashlib.sha256(key.encode()).hexdigest()
        with file.with_suffix(".lock").open("w") as lock:
            if fcntl:  # whoever comes while it is computed waits; a process that ends lets go
                fcntl.flock(lock, fcntl.LOCK_EX)
            if file.exists():
                return pickle.loads(file.read_bytes())
            found = function(log, *asked, **derived)
            with tempfile.NamedTemporaryFile(dir=folder, delete=False) as half:
                half.write(pickle.dumps(found))
            os.replace(half.name, file)  # whole or not at all
        return found

    return kept
