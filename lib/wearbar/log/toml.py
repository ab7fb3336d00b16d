"""TOML read, with a sentence on what is wrong with it, and written a value at a time."""

import json
import tomllib

import pandas as pd


def toml_of(data):
    """The keys of a TOML file, of its bytes or text. ValueError says why it is none."""
    try:
        return tomllib.loads(data.decode("utf-8-sig") if isinstance(data, bytes) else data)
    except UnicodeDecodeError as error:
        why = f"could not be read as UTF-8 text ({error}); save it again as a plain text file"
    except RecursionError:
        why = "it has lists within lists, deeper than any such file needs; take them out"
    except ValueError as error:  # tomllib's own is one; so is a number of thousands of digits
        said = str(error)[:300].rstrip(".")
        why = f"not valid TOML: {said}; mend that line"
        if "digits" in said:
            why = "not valid TOML: a number there has thousands of digits; mend that line"
        elif "twice" in said or "overwrite" in said:
            why += "; versions of one plan are written [[name]]"
    raise ValueError(why)


def toml(value):
    """A value as TOML, on one line; what is no number, list, table or yes/no goes as text."""
    if isinstance(value, dict):
        return f"{{ {', '.join(f'{toml(key)} = {toml(x)}' for key, x in value.items())} }}"
    if isinstance(value, pd.Timestamp):
        return f"{value:%Y-%m-%d}"
    plain = isinstance(value, bool | int | float | list)
    text = json.dumps(value if plain else str(value), ensure_ascii=False)
    return text.replace("\x7f", "\\u007f")  # the one sign that JSON lets stand and TOML does not
