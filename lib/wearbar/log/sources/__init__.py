"""Where a log comes from: a folder of CSV or Parquet files, a workbook, a database. Each gives the
same tables of text, with their lines; what they mean, and whether they may, is for `log.checks`."""

import os
import re
from functools import partial
from pathlib import Path

from wearbar.log.schema import TABLES, table_of
from wearbar.log.sources.csv_file import read_csv
from wearbar.log.sources.header import read_header, regular
from wearbar.log.sources.raw import LogError, Source, fault, raw_of_arrow

WORKBOOKS = (".xlsx", ".xlsm")
MOST_BYTES = 4 * 2**30
_ADDRESS = re.compile(r"[a-z][\w+.-]+:|.*(://|:.*@|@.*\?)", re.IGNORECASE | re.DOTALL)


def open_source(address):
    """The `Source` at a path, a database URL or `env:NAME`. Raises LogError, in one sentence."""
    address, folder = resolved(address)
    if is_database(address):
        from wearbar.log.sources.database import open_database

        return open_database(str(address), folder)
    path = Path(address)
    if not _exists(path):
        raise fault("no_such", path=str(path)[:200])
    path = path.absolute()  # tables are read later, and perhaps from another working directory
    if path.is_dir():
        return _open_folder(path)
    if path.is_file() and path.suffix.casefold() in WORKBOOKS:
        from wearbar.log.sources.workbook import open_workbook

        return open_workbook(path)
    raise fault("no_log", name=path.name)


def sought(address):
    """The address; where it is a path that is not in the working directory, which for a notebook is
    its own folder, that path where Jupyter was started ($PWD) or in a folder above the notebook's.
    Raises LogError, which says where it looked."""
    text, here = str(address), Path.cwd()
    if not text or text.startswith("env:") or is_database(text) or _exists(text):
        return address
    start = Path(os.environ.get("PWD") or here)
    near = (folder / text for folder in (start, *here.parents))
    found = next(filter(_exists, near), None)
    if not (found or Path(text).is_absolute()):
        looked = " or ".join(dict.fromkeys([str(here), str(start)]))
        raise fault("not_near", path=text[:200], looked=looked)
    return found or address


def resolved(address):
    """(address, folder) of a log; `env:NAME` stands for what that environment variable holds, so
    that a password stands in no file. folder: of a server database's log.toml and plan: NAME_FOLDER
    of the environment, else the folder one works in. Raises LogError."""
    name = str(address).removeprefix("env:")
    if name == str(address) or _exists(address):
        return address, Path.cwd()
    if not os.environ.get(name):
        raise fault("no_variable", address=str(address)[:80], name=name[:80])
    return os.environ[name], Path(os.environ.get(f"{name}_FOLDER") or Path.cwd())


def is_database(address):
    """Whether it is written like a database URL, however badly, and no file has that name."""
    return bool(_ADDRESS.match(str(address))) and not _exists(address)


def _exists(address):
    try:
        return Path(address).exists()
    except (OSError, ValueError):
        return False


def _open_folder(folder):
    found, strange = {}, []
    for file in sorted(folder.iterdir()):
        kind, name = file.suffix.casefold(), table_of(file.stem)
        if kind not in (".csv", ".parquet") or file.name.startswith((".", "~")):
            continue
        if name not in TABLES:
            strange.append(file.name)
        elif name in found:
            raise fault("same_table", where="", one=found[name].name, other=file.name)
        else:
            found[name] = inside(file, folder)
    if not found:
        raise LogError(f"{folder} holds no table of a log; vehicles.csv at least must stand there.")
    tables = {name: partial(_read, file) for name, file in found.items()}
    header = read_header(inside(folder / "log.toml", folder))
    return Source(folder.name, header, tables, tuple(strange), folder, found)


def inside(file, folder):
    """`file`, where it is in the log's folder. Raises LogError."""
    try:
        file.is_file()  # a name too long for one is found here
        is_inside = file.resolve().is_relative_to(folder.resolve())
    except (OSError, RuntimeError, ValueError):
        is_inside = False
    if not is_inside:
        raise fault("outside", file=str(file)[-80:])
    return file


def _read(file):
    import pyarrow as pa

    try:
        regular(file)
        if file.suffix.casefold() == ".csv":
            return read_csv(file, file.name)
        from pyarrow import parquet

        with parquet.ParquetFile(file) as held:
            about = held.metadata
            unpacked = sum(about.row_group(i).total_byte_size for i in range(about.num_row_groups))
            if unpacked > MOST_BYTES or about.num_rows > MOST_BYTES // 8:
                raise fault("too_large", name=file.name, size=f"{unpacked / 2**30:.0f} GB")
            return raw_of_arrow(held.read(), file.name)
    except (pa.ArrowException, UnicodeDecodeError) as error:
        why = (str(error).splitlines() or ["it is damaged"])[0][:160].rstrip(".")
        why = f"can't be read as Parquet, whatever its ending says: {why}."
    except OSError:
        why = "can't be opened; it must be a file that you may read."
    raise LogError(f"{file.name} {why}")
