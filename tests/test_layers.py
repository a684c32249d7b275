"""What import-linter cannot see: that its list is whole, and that what it lists prints nothing.

`python -m tests.test_layers` prints the modules that can be in the list, ready to be put there.
"""

import ast
import tomllib
from pathlib import Path

import grimp

ROOT = Path(__file__).parents[1]
CONTRACT = "numeric modules read no files, write none, and print nothing"
HANDS_OFF = {"print", "open", "input"}


def contract():
    config = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    contracts = config["tool"]["importlinter"]["contracts"]
    return next(entry for entry in contracts if entry["name"] == CONTRACT)


def modules_without(forbidden):
    """Return the modules that import none of these, not even through another module."""
    graph = grimp.build_graph(
        "calib", "measure", include_external_packages=True, exclude_type_checking_imports=True
    )
    own = {name for name in graph.modules if name.startswith(("calib.", "measure."))}
    return sorted(name for name in own if not graph.find_upstream_modules(name) & forbidden)


def file_of(module):
    return (ROOT / Path(*module.split("."))).with_suffix(".py")


def calls_in(source):
    return {
        node.func.id
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
    }


def can_be_numeric():
    clean = modules_without(set(contract()["forbidden_modules"]))
    modules = [name for name in clean if file_of(name).is_file()]  # packages are not meant
    return [name for name in modules if not calls_in(file_of(name).read_text()) & HANDS_OFF]


def test_every_module_that_can_be_numeric_is_held_to_it():
    assert sorted(set(can_be_numeric()) - set(contract()["source_modules"])) == []


def test_no_listed_module_prints_or_opens():
    listed = contract()["source_modules"]
    assert len(listed) > 30
    found = {name: calls_in(file_of(name).read_text()) & HANDS_OFF for name in listed}
    assert {name: calls for name, calls in found.items() if calls} == {}


def test_the_search_sees_a_print():
    assert calls_in("def f():\n    print('x')") & HANDS_OFF == {"print"}


if __name__ == "__main__":
    print("\n".join(f'    "{name}",' for name in can_be_numeric()))
