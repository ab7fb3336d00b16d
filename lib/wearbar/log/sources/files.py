"""A folder of CSV or Parquet files, or one workbook, with log.toml beside the tables."""

import tomllib
from functools import partial
from pathlib import Path

from wearbar.log.schema import TABLES, table_of
from wearbar.log.sources.csv_file import read_csv
from wearbar.log.sources.raw import LogError, Source

__all__ = ["open_path", "read_header"]

WORKBOOKS = (".xlsx", ".xlsm")


def open_path(path):
    """The `Source` in a folder or a workbook. Raises LogError."""
    path = Path(path)
    try:
        if path.is_dir():
            return _open_folder(path)
        is_file = path.is_file()
    except (OSError, ValueError):
        raise LogError(
            f"{str(path)!r} can't be opened; give the folder, workbook or database address of a log."
        ) from None
    if not is_file:
        raise LogError(
            f"There is no {path}; give the folder, workbook or database address of a log."
        )
    if path.suffix.casefold() in WORKBOOKS:
        from wearbar.log.sources.workbook import open_workbook

        return open_workbook(path)
    raise LogError(
        f"{path.name} is not a log; give the folder that holds the tables, a workbook (.xlsx) or a database address."
    )


def read_header(path):
    """The keys of a log.toml; nothing where there is no such file. Raises LogError."""
    if not path.exists():
        return {}
    try:
        _regular(path)
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except UnicodeDecodeError:
        raise LogError(f"{path.name} is not UTF-8; save it as UTF-8.") from None
    except RecursionError:
        raise LogError(
            f"{path.name} has lists within lists, deeper than any header needs; take them out."
        ) from None
    except ValueError as error:  # TOMLDecodeError is one; so is a number of thousands of digits
        told = (
            "a number there has thousands of digits"
            if "digits" in str(error)
            else str(error)[:200].rstrip(".")
        )
        raise LogError(f"{path.name} is not TOML: {told}.") from None
    except OSError:
        raise LogError(f"{path.name} can't be opened.") from None


def _open_folder(folder):
    found, strange = {}, []
    for file in sorted(folder.iterdir()):
        kind, name = file.suffix.casefold(), table_of(file.stem)
        if kind not in (".csv", ".parquet") or file.name.startswith((".", "~")):
            continue
        if name not in TABLES:
            strange.append(file.name)
        elif name in found:
            raise LogError(
                f"{found[name].name} and {file.name} are the same table; delete or move one of them."
            )
        else:
            found[name] = _inside(file, folder)
    if not found:
        raise LogError(f"{folder} holds no table of a log; vehicles.csv at least must stand there.")
    tables = {name: partial(_read, file) for name, file in found.items()}
    header = read_header(_inside(folder / "log.toml", folder))
    return Source(folder.name, header, tables, tuple(strange), folder, found)


def _inside(file, folder):
    try:
        inside = file.resolve().is_relative_to(folder.resolve())
    except (OSError, RuntimeError):
        raise LogError(
            f"{file.name} is a link that leads back to itself; put the file itself there."
        ) from None
    if not inside:
        raise LogError(
            f"{file.name} is a link to a file outside the log's folder; put a copy there instead."
        )
    return file


def _regular(file):
    """Nothing but a file is opened: reading a pipe or a device would never end."""
    if not file.is_file():
        raise LogError(
            f"{file.name} is a folder, a pipe or a device, where a file must stand; rename or move it."
        )


def _read(file):
    try:
        _regular(file)
        if file.suffix.casefold() == ".csv":
            return read_csv(file, file.name)
        from wearbar.log.sources.columnar import read_parquet

        return read_parquet(file, file.name)
    except OSError:
        raise LogError(
            f"{file.name} can't be opened; it must be a file that you may read."
        ) from None
