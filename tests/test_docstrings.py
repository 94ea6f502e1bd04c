"""Public docstrings say what goes in, what comes out and what is raised.

The layout is that of the numpydoc standard: sections with underlined headings.
Read from the source, so that nothing heavy is imported.

What users call (the public face, the hooks, the physics, the simulation) has every
section. What the modules share among themselves does with one sentence, and with
shapes where they matter; sections that were begun are whole.
"""

import ast
import inspect
import re
import textwrap
from pathlib import Path

import pytest

import thermcmp
import thermcmp.hooks
import thermcmp.simulation

PACKAGE = Path(__file__).parents[1] / "thermcmp"
HEADING = re.compile(r"^(?P<title>[A-Z][A-Za-z ]+)\n(?P<line>-{3,})$", re.MULTILINE)
FUNCTION = ast.FunctionDef | ast.AsyncFunctionDef


def error_names(source):
    """Names of the classes that derive from `ThermcmpError`, from the error module's source."""
    names = {"ThermcmpError"}
    classes = [node for node in ast.parse(source).body if isinstance(node, ast.ClassDef)]
    for node in classes:
        if any(ast.unparse(base) in names for base in node.bases):
            names.add(node.name)
    return names


#: Names that users call: of the package and of two modules with a face of their own.
FACE = {*thermcmp.__all__, *thermcmp.hooks.__all__, *thermcmp.simulation.__all__}
#: All public functions here are for users.
FACE_FOLDERS = ("physics",)
ERRORS = error_names((PACKAGE / "errors.py").read_text(encoding="utf-8"))


def sections(docstring):
    """Body of each numpydoc section by its heading."""
    text = inspect.cleandoc(docstring)
    found = list(HEADING.finditer(text))
    ends = [match.start() for match in found[1:]] + [len(text)]
    return {
        match["title"]: text[match.end() : end] for match, end in zip(found, ends, strict=False)
    }


def entries(body):
    """Names at the left margin of a section: "a, b : int" gives a and b."""
    lines = [line for line in body.splitlines() if line.strip() and not line.startswith(" ")]
    return {name.strip().lstrip("*") for line in lines for name in line.split(" : ")[0].split(",")}


def parameters(function):
    given = function.args
    named = [*given.posonlyargs, *given.args, *given.kwonlyargs]
    named += [one for one in (given.vararg, given.kwarg) if one is not None]
    return [one.arg for one in named if one.arg not in ("self", "cls")]


def marks(node):
    """Names of the decorators."""
    return {ast.unparse(one).split("(")[0].split(".")[-1] for one in node.decorator_list}


def own_nodes(function):
    """Nodes of a function without those of functions and classes inside it."""
    waiting = list(function.body)
    while waiting:
        node = waiting.pop()
        yield node
        if not isinstance(node, FUNCTION | ast.ClassDef | ast.Lambda):
            waiting += ast.iter_child_nodes(node)


def raised(function):
    names = set()
    for node in own_nodes(function):
        if isinstance(node, ast.Raise) and node.exc is not None:
            call = node.exc.func if isinstance(node.exc, ast.Call) else node.exc
            names.add(ast.unparse(call).split(".")[-1])
    return names & ERRORS


def gives_something(function):
    """Whether the annotation or a statement says that a value comes back."""
    if function.returns is not None:
        return ast.unparse(function.returns) not in ("None", "NoReturn")
    return any(isinstance(node, ast.Return) and node.value is not None for node in
               own_nodes(function))  # fmt: skip


def function_complaints(function, where, *, for_users):
    docstring = ast.get_docstring(function, clean=False)
    if docstring is None:
        return [f"{where}: no docstring"]
    found, names, complaints = sections(docstring), parameters(function), []
    whole = for_users or bool({"Parameters", "Returns"} & set(found))
    is_property = bool(marks(function) & {"property", "cached_property"})
    listed = entries(found.get("Parameters", "")) | entries(found.get("Other Parameters", ""))
    missing = [name for name in names if name not in listed]
    if missing and whole:
        complaints.append(f"{where}: Parameters lacks {', '.join(missing)}")
    if listed - set(names):
        complaints.append(f"{where}: Parameters names {', '.join(sorted(listed - set(names)))}")
    says_what = is_property or bool({"Returns", "Yields"} & set(found))
    if gives_something(function) and whole and not says_what:
        complaints.append(f"{where}: no Returns")
    untold = raised(function) - entries(found.get("Raises", ""))
    if untold and whole:
        complaints.append(f"{where}: Raises lacks {', '.join(sorted(untold))}")
    return complaints


def told_as_attributes(node):
    """Properties that the class's own Attributes section describes."""
    listed = entries(sections(ast.get_docstring(node, clean=False) or "").get("Attributes", ""))
    return {one.name for one in node.body if isinstance(one, FUNCTION) and one.name in listed}


def public_functions(tree):
    """(name, function) of what is public in a module, methods of public classes too."""
    for node in tree.body:
        if node.__class__ is ast.ClassDef and not node.name.startswith("_"):
            told = told_as_attributes(node)
            yield from (
                (f"{node.name}.{one.name}", one)
                for one in node.body
                if isinstance(one, FUNCTION)
                and not one.name.startswith("_")
                and one.name not in told
                and not marks(one) & {"setter", "overload"}
            )
        elif isinstance(node, FUNCTION) and not node.name.startswith("_"):
            yield node.name, node


def complaints(package, *, everything=False):
    found = []
    for path in sorted(package.rglob("*.py")):
        if path.stem.startswith("_") and path.stem != "__init__":
            continue
        tree = ast.parse(path.read_text(encoding="utf-8"))
        where = path.relative_to(package).with_suffix("").as_posix()
        for node in tree.body:
            is_class = isinstance(node, ast.ClassDef) and not node.name.startswith("_")
            if is_class and ast.get_docstring(node) is None:
                found.append(f"{where}.{node.name}: no docstring")
        for name, function in public_functions(tree):
            # A hook takes no arguments and its specification says what it gives.
            if not marks(function) & {"hookimpl", "hookspec"}:
                for_users = name.split(".")[0] in FACE or where.split("/")[0] in FACE_FOLDERS
                found += function_complaints(
                    function, f"{where}.{name}", for_users=for_users or everything
                )
    return found


def test_every_public_docstring_is_whole():
    assert complaints(PACKAGE) == []


def test_the_rule_sees_the_public_face():
    source = (PACKAGE / "inference" / "fitting.py").read_text(encoding="utf-8")
    names = [name for name, _ in public_functions(ast.parse(source))]
    assert "fit" in names
    assert {"InputError", "ModelError", "NotEstimableError", "PluginError"} <= ERRORS
    assert {"ThermcmpWarning", "Fault"} & ERRORS == set()


GOOD = '''
def rise_k(power_w: float, *, law: str = "power law", **more: float) -> float:
    """Rise over ambient.

    Parameters
    ----------
    power_w : float
        Board power [W].
    law : str
        Name of the law.
    **more
        Further values.

    Returns
    -------
    float
        The rise [K].

    Raises
    ------
    InputError
        If the power is not positive.
    """
    if power_w <= 0:
        raise InputError("no power")
    return power_w
'''
# Each case: what is taken from the good one, what stands there instead, what is said.
MUTATIONS = [
    ("    power_w : float\n        Board power [W].\n", "", "Parameters lacks power_w"),
    ("    **more\n", "    **others\n", "Parameters lacks more"),
    ("    law : str\n", "    law, column : str\n", "Parameters names column"),
    ("    Returns\n    -------\n", "    Gives\n    -----\n", "no Returns"),
    ("    InputError\n        If", "    ModelError\n        If", "Raises lacks InputError"),
    ("    Raises\n    ------\n", "", "Raises lacks InputError"),
]


@pytest.mark.parametrize(("old", "new", "words"), MUTATIONS)
def test_a_docstring_that_lacks_something_is_told(tmp_path, old, new, words):
    (tmp_path / "air.py").write_text(GOOD, encoding="utf-8")
    assert complaints(tmp_path, everything=True) == []
    assert GOOD.count(old) == 1
    (tmp_path / "air.py").write_text(GOOD.replace(old, new), encoding="utf-8")
    found = complaints(tmp_path, everything=True)
    assert any(words in one for one in found), found


def test_missing_docstrings_methods_and_private_names(tmp_path):
    source = """
    def told(): pass
    def _private(x): return x
    class Card:
        def method(self, x: float) -> float: return x
        def _own(self, x): return x
    class _Hidden:
        def method(self, x): return x
    """
    (tmp_path / "air.py").write_text(textwrap.dedent(source), encoding="utf-8")
    (tmp_path / "_own.py").write_text("def f(x): return x\n", encoding="utf-8")
    assert complaints(tmp_path) == [
        "air.Card: no docstring",
        "air.told: no docstring",
        "air.Card.method: no docstring",
    ]


def test_one_sentence_is_enough_inside_but_not_for_users(tmp_path):
    source = '"""Air."""\ndef {}(x: float) -> float:\n    """Give it."""\n    return x\n'
    (tmp_path / "air.py").write_text(source.format("shared"), encoding="utf-8")
    assert complaints(tmp_path) == []
    (tmp_path / "air.py").write_text(source.format("separate"), encoding="utf-8")
    assert complaints(tmp_path) == ["air.separate: Parameters lacks x", "air.separate: no Returns"]
    (tmp_path / "physics").mkdir()
    (tmp_path / "air.py").rename(tmp_path / "physics" / "air.py")
    assert len(complaints(tmp_path)) == 2
