"""Every code of a refusal or a notice stands in DEVELOPERS.md, and no other does."""

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
MAKERS = {"RefusalError", "BadFileError", "Notice"}
CODE = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
ROW = re.compile(r"^\| `([^`]+)` \| (.+?) \| (.+?) \|$", re.MULTILINE)


def callee(call):
    return call.func.attr if isinstance(call.func, ast.Attribute) else getattr(call.func, "id", "")


def code_argument(call, position, name):
    for keyword in call.keywords:
        if keyword.arg == name:
            return keyword.value
    return call.args[position] if len(call.args) > position else None


def constants(node):
    """The texts that an expression may be: one, or either of `a if x else b`."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return {node.value}
    if isinstance(node, ast.IfExp):
        one, other = constants(node.body), constants(node.orelse)
        return one | other if one and other else set()
    return set()


def codes_in(source):
    """Return (codes, unclear): the codes that a source makes, and calls that hide theirs.

    A function that passes one of its parameters on as the code is a maker as well.
    """
    tree = ast.parse(source)
    makers = dict.fromkeys(MAKERS, (0, "code"))
    codes, unclear = set(), set()
    functions = [node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)]
    known = -1
    while known != len(makers):
        known = len(makers)
        for function in functions:
            names = [argument.arg for argument in function.args.args]
            shift = int(bool(names) and names[0] in ("self", "cls"))
            for call in (node for node in ast.walk(function) if isinstance(node, ast.Call)):
                if callee(call) not in makers:
                    continue
                argument = code_argument(call, *makers[callee(call)])
                if isinstance(argument, ast.Name) and argument.id in names:
                    makers[function.name] = (names.index(argument.id) - shift, argument.id)
    passed_on = {name for name in makers if name not in MAKERS}
    for function in [tree, *functions]:
        parameters = (
            {argument.arg for argument in function.args.args}
            if isinstance(function, ast.FunctionDef)
            else set()
        )
        for call in (node for node in ast.walk(function) if isinstance(node, ast.Call)):
            if callee(call) not in makers:
                continue
            argument = code_argument(call, *makers[callee(call)])
            found = constants(argument)
            codes |= found
            if not found and not (isinstance(argument, ast.Name) and argument.id in parameters):
                unclear.add(ast.unparse(call)[:80])
    # Module level was walked with no parameters: what a maker passes on is no mystery there.
    inside = {
        ast.unparse(call)[:80]
        for function in functions
        if function.name in passed_on
        for call in ast.walk(function)
        if isinstance(call, ast.Call)
    }
    return codes, unclear - inside


def sources():
    return sorted((ROOT / "calib").rglob("*.py")) + sorted((ROOT / "measure").rglob("*.py"))


def made():
    skipped = {ROOT / "calib" / "refusal.py"}  # defines them
    found = {}
    for path in sources():
        if path not in skipped:
            codes, unclear = codes_in(path.read_text(encoding="utf-8"))
            assert not unclear, f"{path.name} hides a code: {unclear}"
            for code in codes:
                found.setdefault(code, path.name)
    return found


def listed():
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = text.split("\n## Codes\n")[1].split("\n## ")[0]
    return ROW.findall(section)


def test_every_code_in_the_sources_is_listed():
    codes = {code for code, _, _ in listed()}
    missing = {code: where for code, where in made().items() if code not in codes}
    assert missing == {}


def test_every_listed_code_is_in_the_sources():
    assert {code for code, _, _ in listed()} - set(made()) == set()


def test_no_code_is_listed_twice_and_each_has_a_meaning():
    codes = [code for code, _, _ in listed()]
    assert sorted(codes) == sorted(set(codes))
    assert all(CODE.fullmatch(code) for code in codes)
    assert all(
        set(status.split(", ")) <= {"note", "1", "2", "3", "130"} for _, status, _ in listed()
    )


@pytest.mark.parametrize(
    ("source", "codes", "is_unclear"),
    [
        ("raise RefusalError('a-b', 'm', 'x')", {"a-b"}, False),
        ("Notice(code='c', message='m', advice='x')", {"c"}, False),
        ("raise refusal.BadFileError('d' if y else 'e', 'm', 'x')", {"d", "e"}, False),
        ("def f(code, m):\n return Notice(code, m, '')\nf('g', 'm')", {"g"}, False),
        (
            "class A:\n def f(self, m, code):\n  return Notice(code, m, '')\nA().f('m', 'h')",
            {"h"},
            False,
        ),
        ("x = 'i'\nraise RefusalError(x, 'm', 'x')", set(), True),
        ("raise RefusalError(f'{y}-z', 'm', 'x')", set(), True),
    ],
)
def test_the_search_finds_codes_and_admits_what_it_cannot_read(source, codes, is_unclear):
    found, unclear = codes_in(source)
    assert found == codes
    assert bool(unclear) == is_unclear
