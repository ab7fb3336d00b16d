"""Where a log comes from: a folder of CSV or Parquet files, a workbook, a database.

Each gives the same tables of text. A reader here says what stands in the source and on which line;
what it means, and whether it may, is for `wearbar.log.checks`.
"""

import os
import re
from pathlib import Path

from wearbar.log.sources.raw import LogError

__all__ = ["LogError", "is_database", "open_source", "resolved"]

_ADDRESS = re.compile(r"[a-z][\w+.-]+:|.*(://|:.*@|@.*\?)", re.IGNORECASE | re.DOTALL)


def open_source(address):
    """The `Source` at a path, a database URL or `env:NAME`. Raises LogError, in one sentence."""
    address, folder = resolved(address)
    if is_database(address):
        from wearbar.log.sources.database import open_database

        return open_database(str(address), folder)
    from wearbar.log.sources.files import open_path

    return open_path(address)


def resolved(address):
    """(address, folder) of a log; `env:NAME` stands for what that environment variable holds.

    folder: where a server database's log.toml and plan stand: NAME_FOLDER of the environment, else
    the folder one works in. So a password stands in no file, and whoever runs the notebooks says
    once where the header and the plan are. Raises LogError.
    """
    name = str(address).removeprefix("env:")
    if name == str(address) or _exists(address):
        return address, Path.cwd()
    if not os.environ.get(name):
        but = f"but the environment variable {name[:80]} is not set"
        raise LogError(f"The log is {str(address)[:80]}, {but}; set it to the address of the log.")
    return os.environ[name], Path(os.environ.get(f"{name}_FOLDER") or Path.cwd())


def is_database(address):
    """Whether it is written like a database URL, however badly, and no file has that name."""
    return bool(_ADDRESS.match(str(address))) and not _exists(address)


def _exists(address):
    try:
        return Path(address).exists()
    except (OSError, ValueError):
        return False
