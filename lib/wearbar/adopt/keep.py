"""An adopted log is written to a new folder, and read back."""

import shutil
from pathlib import Path

import pandas as pd

from wearbar.adopt.maps import AdoptError
from wearbar.log import read_log, write_tables

__all__ = ["keep", "places_of"]


def keep(adopted, folder, record="", today=None):
    """Write an `Adopted` to a new folder, `record` as its ADOPTED.md; the `ServiceLog` read there.

    Raises AdoptError where the folder has something in it, LogError where the tables are no log;
    nothing is written then.
    """
    folder = Path(folder)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        mend = "give a new folder, so that nothing of yours is written over"
        raise AdoptError(f"{folder} is not empty; {mend}")
    part = folder.with_name(f".{folder.name}.part")
    shutil.rmtree(part, ignore_errors=True)
    try:
        write_tables(adopted.tables, adopted.header, part)
        (part / "ADOPTED.md").write_text(record, encoding="utf-8")
        read_log(part, today=today)
        if folder.exists():
            folder.rmdir()
        part.rename(folder)
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return read_log(folder, today=today)


def places_of(adopted, log):
    """Where each row stood: a frame `table, line, sheet, sheet_line`; `line` is the log's."""
    found = [
        place.set_axis(["sheet", "sheet_line"], axis=1).assign(
            table=name, line=log.origin.tables[name]().lines
        )
        for name, place in adopted.places.items()
    ]
    return pd.concat(found, ignore_index=True)[["table", "line", "sheet", "sheet_line"]]
