"""A SQL database by URL: a table a table, only read. The header is a table named log (columns key,
value) or log.toml: beside an SQLite file, or, for a server, in the folder that the caller names."""

from pathlib import Path
from urllib.parse import quote, quote_plus

import pandas as pd
import sqlalchemy as sql

from wearbar.log.sources.header import source_in
from wearbar.log.sources.raw import LogError, fault, raw_of_frame


def open_database(address, folder):
    """The `Source` behind a database URL as sqlite:///log.db. No error shows the password. folder:
    where a server's log.toml and plan stand."""
    try:
        url = sql.make_url(address)
    except (sql.exc.ArgumentError, ValueError):
        raise fault("no_address") from None
    shown = _shown(url, address)
    if url.get_backend_name() == "sqlite":
        path = Path(url.database or "")
        if not path.is_file():
            raise fault("no_database", shown=shown)
        folder, file = path.parent, quote(path.resolve().as_posix(), safe="/:")
        engine = sql.create_engine(
            f"sqlite:///file:{file}?mode=ro&uri=true", poolclass=sql.NullPool
        )

        @sql.event.listens_for(engine, "connect")
        def lenient(link, _):  # what is not UTF-8 is read with marks, which checking names
            link.text_factory = lambda data: data.decode("utf-8", "replace")

    else:
        try:
            engine = sql.create_engine(url, poolclass=sql.NullPool)
        except (sql.exc.ArgumentError, sql.exc.NoSuchModuleError, ImportError) as error:
            raise fault("no_driver", shown=shown, why=_scrubbed(error, url, shown)) from None

    def ask(question, *of):
        try:
            return question(*of)
        except Exception as error:  # each driver has its own
            raise LogError(f"{shown} can't be read: {_scrubbed(error, url, shown)}.") from None

    def read(name):
        return raw_of_frame(ask(_frame, engine, name))

    held = ask(sql.inspect, engine)
    names = ask(held.get_table_names) + ask(held.get_view_names)
    return source_in(shown, shown, "table", sorted(names), read, folder)


def _shown(url, address):
    """The address without login and options; its dialect alone where they may look like a host."""
    if url.get_backend_name() == "sqlite":
        return f"{url.drivername}:///{url.database or ''}"
    if address.count("@") > 1:
        return f"{url.drivername}://..."
    bare = sql.URL.create(url.drivername, host=url.host, port=url.port, database=url.database)
    return bare.render_as_string()


def _frame(engine, name):
    """A table's cells, as the database writes them: what Python can't hold is no fault."""
    columns = []
    for column in sql.Table(name, sql.MetaData(), autoload_with=engine).columns:
        cells = column
        if engine.dialect.name == "sqlite":  # any cell may hold anything, and is given as it is
            cells = sql.type_coerce(column, sql.types.NullType()).label(column.name)
        elif not isinstance(column.type, sql.types.Boolean | sql.types.LargeBinary):
            cells = sql.cast(column, sql.types.Text).label(column.name)
        columns.append(cells)
    with engine.connect() as link:
        if engine.dialect.name == "postgresql":
            link.execute(sql.text("SET DateStyle TO ISO"))
            link.execute(sql.text("SET extra_float_digits TO 3"))
        rows = link.execute(sql.select(*columns))
        return pd.DataFrame(rows.fetchall(), columns=list(rows.keys()), dtype=object)


def _scrubbed(error, url, shown):
    """The first line of what a driver says, without the password or any option, however written."""
    if shown.endswith("://..."):
        return f"{type(error).__name__}; in a password, @ is written %40"
    text = str(getattr(error, "orig", None) or error).strip() or type(error).__name__
    text, options = text.splitlines()[0], [url.password]
    for value in url.query.values():
        options += [value] if isinstance(value, str) else value
    for secret in filter(None, options):
        for form in (secret, quote(secret, safe=""), quote_plus(secret)):
            text = text.replace(form, "***")
    return text[:200].rstrip(".")
