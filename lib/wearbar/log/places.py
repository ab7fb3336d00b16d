"""Where notebooks, shared files and demo logs are: in the installed package or the repository."""

import tomllib
from pathlib import Path

_PACKAGE = Path(__file__).parent.parent
_ROOT = _PACKAGE / "share" if (_PACKAGE / "share").is_dir() else _PACKAGE.parent.parent


def place(*parts):
    """The path of a shipped file or folder: `place("data", "fleet")`, `place("notebooks")`."""
    return _ROOT.joinpath(*parts)


def read_toml(*parts):
    """What a shipped TOML file says: `read_toml("shared", "log", "plan.toml")`."""
    return tomllib.loads(place(*parts).read_text(encoding="utf-8"))
