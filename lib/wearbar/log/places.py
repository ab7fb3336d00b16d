"""Where the notebooks, the shared report files and the demo logs are: in the installed package, or in the repository."""

from pathlib import Path

__all__ = ["place"]

_PACKAGE = Path(__file__).parent.parent
_ROOT = _PACKAGE / "share" if (_PACKAGE / "share").is_dir() else _PACKAGE.parent.parent


def place(*parts):
    """The path of a shipped file or folder: `place("data", "fleet")`, `place("notebooks")`, `place("shared", "report")`."""
    return _ROOT.joinpath(*parts)
