"""Every public function and class documents its arguments with units, and modules keep their directions."""

import importlib
import inspect
import pkgutil
import re

import pytest
from numpydoc.docscrape import FunctionDoc

import models
import scheduler

UNIT = re.compile(r"\[[^\]\n]+\]")
TEXT_ONLY = ("models", "scheduler")


def _modules() -> list[str]:
    names = []
    for package in (models, scheduler):
        names.extend(m.name for m in pkgutil.walk_packages(package.__path__, package.__name__ + "."))
    return sorted(names)


def _public(module: object) -> list[tuple[str, object]]:
    return [
        (name, thing)
        for name, thing in vars(module).items()
        if not name.startswith("_")
        and (inspect.isfunction(thing) or inspect.isclass(thing))
        and thing.__module__ == module.__name__  # type: ignore[attr-defined]
    ]


@pytest.mark.parametrize("name", _modules())
def test_every_module_says_what_it_owns(name: str) -> None:
    """A module without a docstring leaves a reader to guess what belongs in it."""
    assert importlib.import_module(name).__doc__


@pytest.mark.parametrize("name", [m for m in _modules() if m.startswith("models.")])
def test_public_functions_of_the_models_give_every_argument_a_unit(name: str) -> None:
    """Each argument of each public function and method is documented with its unit in brackets."""
    missing = []
    module = importlib.import_module(name)
    for label, thing in _public(module):
        functions = [(label, thing)]
        if inspect.isclass(thing):
            functions = [
                (f"{label}.{method}", function)
                for method, function in vars(thing).items()
                if inspect.isfunction(function) and not method.startswith("_")
            ]
        for where, function in functions:
            doc = inspect.getdoc(function) or ""
            assert doc, f"{name}.{where} has no docstring"
            arguments = [a for a in inspect.signature(function).parameters if a not in ("self", "cls")]
            if not arguments or "(see `" in doc:
                continue
            documented = {
                part.strip().lstrip("*"): " ".join(entry.desc)
                for entry in FunctionDoc(function)["Parameters"]
                for part in entry.name.split(",")
            }
            missing.extend(
                f"{where}({argument})"
                for argument in arguments
                if not UNIT.search(documented.get(argument, "")) and argument not in ("record", "rules")
            )
    assert not missing


def test_the_readme_documents_every_output_name() -> None:
    """The table of output names in the README is the one that the code makes."""
    from pathlib import Path

    from scheduler.report.columns import readme_table

    readme = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
    start, end = "<!-- columns:start -->", "<!-- columns:end -->"

    assert readme_table().strip() in readme
    assert readme.count(start) == readme.count(end) == 1
