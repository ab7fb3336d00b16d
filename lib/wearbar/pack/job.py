"""What a report is made from. Where it is the same, a report that is there already serves again."""

import hashlib
import json
from dataclasses import dataclass
from pathlib import Path

from wearbar.log import places
from wearbar.report import report as reports

__all__ = ["DIFFERS", "Job", "mark_of"]

# what a report may be made from otherwise, in words
DIFFERS = {
    "log": "another log, plan or report date",
    "parameters": "other parameters",
    "code": "another version of the program or the notebook",
}


@dataclass(frozen=True)
class Job:
    """What all reports of one run are made from: `log` (rows, header, plan, report date) and `code`, as SHA-256."""

    log: str
    code: str

    @classmethod
    def of(cls, whole):
        """The job of a ServiceLog, read whole."""
        return cls(_log(whole), _code())

    def made_from(self, source, parameters):
        """What one report is made from: SHA-256 of its `log`, `parameters` and `code`.

        source: the notebook's path. parameters: as asked for, without the log's address: the same log
        may be read from elsewhere, and an address may hold a password.
        """
        asked = json.dumps(parameters, sort_keys=True).encode()
        code = self.code.encode() + source.read_bytes()
        return {"log": self.log, "parameters": _sha256(asked), "code": _sha256(code)}


def mark_of(made_from):
    """One text for what a report is made from."""
    return _sha256(json.dumps(made_from, sort_keys=True).encode())


def _log(whole):
    plan = whole.plan and [
        frame.to_dict("records")
        for frame in (whole.plan.tasks, whole.plan.plans, whole.plan.covers)
    ]
    return _sha256(repr((whole.sha256, whole.name, whole.as_of, whole.first_day, plan)).encode())


def _code():
    code = hashlib.sha256(json.dumps(reports.versions()).encode())
    for path in sorted(
        [*Path(__file__).parent.parent.rglob("*.py"), *places.place("shared").rglob("*.*")]
    ):
        code.update(path.read_bytes())
    return code.hexdigest()


def _sha256(data):
    return hashlib.sha256(data).hexdigest()
