"""A folder of CSV or Parquet files, or one workbook, with log.toml beside the tables."""

from functools import partial
from pathlib import Path

import pyarrow as pa
from pyarrow import parquet

from wearbar.log.schema import TABLES, table_of
from wearbar.log.sources.csv_file import read_csv
from wearbar.log.sources.header import read_header, regular
from wearbar.log.sources.raw import LogError, Source, raw_of_arrow, same_table

WORKBOOKS = (".xlsx", ".xlsm")
MOST_BYTES = 4 * 2**30


def open_path(path):
    """The `Source` in a folder or a workbook. Raises LogError."""
    path, give = Path(path), "give the folder, workbook or database address of a log."
    try:
        if path.is_dir():
            return _open_folder(path)
        is_file = path.is_file()
    except (OSError, ValueError):
        raise LogError(f"{str(path)!r} can't be opened; {give}") from None
    if not is_file:
        raise LogError(f"There is no {path}; {give}")
    if path.suffix.casefold() in WORKBOOKS:
        from wearbar.log.sources.workbook import open_workbook

        return open_workbook(path)
    give = "give the folder that holds the tables, a workbook (.xlsx) or a database address."
    raise LogError(f"{path.name} is not a log; {give}")


def _open_folder(folder):
    found, strange = {}, []
    for file in sorted(folder.iterdir()):
        kind, name = file.suffix.casefold(), table_of(file.stem)
        if kind not in (".csv", ".parquet") or file.name.startswith((".", "~")):
            continue
        if name not in TABLES:
            strange.append(file.name)
        elif name in found:
            raise same_table(found[name].name, file.name)
        else:
            found[name] = _inside(file, folder)
    if not found:
        raise LogError(f"{folder} holds no table of a log; vehicles.csv at least must stand there.")
    tables = {name: partial(_read, file) for name, file in found.items()}
    header = read_header(_inside(folder / "log.toml", folder))
    return Source(folder.name, header, tables, tuple(strange), folder, found)


def _inside(file, folder):
    why = "a link to a file outside the log's folder; put a copy there instead"
    try:
        inside = file.resolve().is_relative_to(folder.resolve())
    except (OSError, RuntimeError):
        inside, why = False, "a link that leads back to itself; put the file itself there"
    if not inside:
        raise LogError(f"{file.name} is {why}.")
    return file


def _read(file):
    try:
        regular(file)
        if file.suffix.casefold() == ".csv":
            return read_csv(file, file.name)
        return _read_parquet(file)
    except OSError:
        must = "it must be a file that you may read."
        raise LogError(f"{file.name} can't be opened; {must}") from None


def _read_parquet(path):
    """A Parquet file as a `Raw`. LogError where it is none, or would unpack too large."""
    try:
        with parquet.ParquetFile(path) as file:
            about = file.metadata
            unpacked = sum(about.row_group(i).total_byte_size for i in range(about.num_row_groups))
            if unpacked > MOST_BYTES or about.num_rows > MOST_BYTES // 8:
                size = f"{unpacked / 2**30:.0f} GB"
                raise LogError(f"{path.name} would unpack to {size}; that is no service log.")
            return raw_of_arrow(file.read(), path.name)
    except (pa.ArrowException, UnicodeDecodeError) as error:
        why = (str(error).splitlines() or ["it is damaged"])[0][:160].rstrip(".")
        why = f"as Parquet, whatever its ending says: {why}."
        raise LogError(f"{path.name} can't be read {why}") from None
