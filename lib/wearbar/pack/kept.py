"""What a report is made from. Where it is the same, a report that is there already serves again."""

import hashlib
import json
from pathlib import Path

from wearbar.log import places
from wearbar.pack.folder import is_as_written, read_manifest
from wearbar.report import report as reports
from wearbar.report.quantities import listing

# what a report may be made from otherwise, in words
DIFFERS = {
    "log": "another log, plan or report date",
    "parameters": "other parameters",
    "code": "another version of the program or the notebook",
}


def made_from(whole, sources, parameters):
    """What each report is made from: name to SHA-256 of its `log`, `parameters` and `code`.

    whole: the ServiceLog. sources: name to the notebook's path. parameters: name to what was asked
    for, without the log's address: the same log may be read from elsewhere, and an address may
    hold a password.
    """
    code = _code()
    return {
        name: {
            "log": whole.fingerprint,
            "parameters": _sha256(json.dumps(parameters[name], sort_keys=True).encode()),
            "code": _sha256(code.encode() + source.read_bytes()),
        }
        for name, source in sources.items()
    }


def mark_of(made):
    """One text for what a report is made from."""
    return _sha256(json.dumps(made, sort_keys=True).encode())


def kept_from(out, names, made):
    """Names of the other reports that the pack at `out` has; `made`: see `made_from`.

    Raises NotDone where one of them can't stand beside the new ones.
    """
    manifest = read_manifest(out) or {"reports": {}}
    kept = [name for name in manifest["reports"] if name not in names]
    advice = "run all reports without --only, or give --out another folder"
    for name in kept:
        if differs := _differs(manifest["reports"][name], made.get(name)):
            told = f"{out} also holds {listing(kept, most=3)}, made from {differs}"
            raise reports.NotDone(f"{told}; {advice}")
        changed = [file for file in files_of(name) if not is_as_written(out, manifest, file)]
        if changed:
            told = f"{out / changed[0]} is not as it was written, so it can't be kept"
            raise reports.NotDone(f"{told} in the new pack; {advice}")
    return kept


def files_of(name):
    """What a report has in a pack, but for its tables, which are in its notebook."""
    return f"{name}.html", f"notebooks/{name}.ipynb"


def _differs(was, now):
    """In what a report was made from something else than it would be now, in words; else ""."""
    if not now:
        return "a notebook that is no longer there"
    was = was if isinstance(was, dict) else {}
    return next((word for key, word in DIFFERS.items() if was.get(key) != now[key]), "")


def _code():
    paths = [*Path(__file__).parent.parent.rglob("*.py"), *places.place("shared").rglob("*.*")]
    parts = [json.dumps(reports.versions()).encode(), *(p.read_bytes() for p in sorted(paths))]
    return _sha256(b"".join(parts))


def _sha256(data):
    return hashlib.sha256(data).hexdigest()
