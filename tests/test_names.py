"""A name stands for one thing in a module: a constant that is set twice is two constants."""

import ast
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).parents[1]
MODULES = sorted(
    path
    for folder in ("measure", "calib", "tests", "sample_images")
    for path in (ROOT / folder).rglob("*.py")
)


def names_set(source):
    """Return how often each name is set at the top level of a module."""
    counted = Counter()
    for node in ast.parse(source).body:
        if isinstance(node, ast.Assign):
            for target in node.targets:
                counted.update(n.id for n in ast.walk(target) if isinstance(n, ast.Name))
        elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
            counted[node.target.id] += 1
        elif isinstance(node, ast.FunctionDef | ast.ClassDef):
            counted[node.name] += 1
    return counted


def test_every_name_is_set_once():
    twice = {
        str(path.relative_to(ROOT)): names
        for path in MODULES
        if (names := [n for n, count in names_set(path.read_text()).items() if count > 1])
    }
    assert len(MODULES) > 300
    assert twice == {}


def test_a_name_set_twice_is_seen():
    assert names_set("A, B = 1, 2\nB = 3\n") == {"A": 1, "B": 2}
