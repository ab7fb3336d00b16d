"""The examples in docstrings run, in every module of the library."""

import doctest
from functools import cache
from importlib import import_module
from pathlib import Path

import pytest

import wearbar
from wearbar.report import verbs

LIB = Path(wearbar.__file__).parent
MODULES = [
    ".".join(p.relative_to(LIB.parent).with_suffix("").parts).removesuffix(".__init__")
    for p in sorted(LIB.rglob("*.py"))
    if ">>>" in p.read_text(encoding="utf-8")
]


@pytest.fixture(scope="module", autouse=True)
def _read_once():
    """The demo log is read once for all examples."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(verbs, "read_log", cache(verbs.read_log))
        yield


@pytest.mark.parametrize("name", MODULES)
def test_examples_run(name):
    failed, tried = doctest.testmod(import_module(name), extraglobs={"wb": wearbar})
    assert tried
    assert not failed


def test_every_verb_has_an_example():
    for verb in wearbar.__all__:
        assert ">>>" in getattr(wearbar, verb).__doc__, verb
