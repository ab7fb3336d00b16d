"""One report as one page by itself, outside a pack."""

import tempfile
from pathlib import Path

from wearbar.log import places
from wearbar.pack.run import addressed, run
from wearbar.pack.workers import as_done, workers
from wearbar.report import report as reports
from wearbar.report.quantities import clean

__all__ = ["make_page"]


def make_page(name, out, log="", as_of="", site="", vehicle=(), confidence=0.9, units=""):
    """Run one notebook on a log and write its page, self-contained, to the file `out`; gives how many rows of the log were set aside.

    The rest: see `reports.check`. Raises reports.NotDone, one sentence, where it cannot be done; a file at `out` is then untouched.
    """
    out = Path(out).absolute()
    if out.is_dir() or not out.parent.is_dir():
        raise reports.NotDone(
            f"{out} {'is a folder' if out.is_dir() else 'is in no folder that there is'}; give --out the name of a file"
        )
    asked = {
        "as_of": as_of,
        "site": site,
        "vehicle": list(vehicle),
        "confidence": confidence,
        "units": units,
    }
    whole, _ = reports.check(log, **asked)
    address, environment = addressed(log)
    given = {"log": address, **asked}
    with tempfile.TemporaryDirectory(dir=out.parent, prefix=".wearbar-") as folder:
        (Path(folder) / "notebooks").mkdir()
        with workers(1, environment) as pool:
            task = pool.submit(
                run,
                str(places.place("notebooks", f"{name}.ipynb")),
                folder,
                given,
                clean(whole.name),
                "",
                "",
            )
            fault, _ = next(as_done([task])).result()
        if fault:
            raise reports.NotDone(f"{name} stopped: {fault}. No page was written")
        (Path(folder) / f"{name}.html").replace(out)
    return int(whole.ledger["set_aside"].sum())
