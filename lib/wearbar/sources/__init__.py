"""Where a log comes from: a folder of CSV or Parquet files, a workbook, a database. Each gives the same tables of text.

A reader here says what stands in the source and on which line; what it means, and whether it may, is for `wearbar.checks`.
"""

import re
from pathlib import Path

from wearbar.sources.raw import LogError, Raw, Source, raw_of_frame, unescaped

__all__ = ["LogError", "Raw", "Source", "is_database", "open_source", "raw_of_frame", "unescaped"]

_ADDRESS = re.compile(r"[a-z][\w+.-]+:|.*(://|:.*@|@.*\?)", re.IGNORECASE | re.DOTALL)


def open_source(address):
    """The `Source` at a path (folder, workbook) or a database URL. Raises LogError, in one sentence."""
    if is_database(address):
        from wearbar.sources.database import open_database

        return open_database(str(address))
    from wearbar.sources.files import open_path

    return open_path(address)


def is_database(address):
    """Whether it is written like a database URL, however badly, and no file or folder has that name: it may hold a password."""
    return bool(_ADDRESS.match(str(address))) and not _exists(address)


def _exists(address):
    try:
        return Path(address).exists()
    except (OSError, ValueError):
        return False
