"""The rules of the house about where code may stand and what it may import.

Each rule is a small function from a source tree to a list of complaints. It is
held against the library, and against a tree made to break it: a rule that finds
nothing there would be no rule.
"""

import ast
import fnmatch
import functools
import statistics
from collections import Counter
from pathlib import Path

import pytest

import thermcmp

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "thermcmp"
#: Lowest first; a floor imports only floors before it, for types too.
FLOORS = (
    "errors", "_types", "_files", "tabular", "_plugin_checks", "_plugin_registry", "hooks",
    "physics", "results", "telemetry", "model", "library", "inference", "prediction", "questions",
    "reporting",
)  # fmt: skip
#: Stands beside the floors: writes its formulas out anew, and shares the table's layout only.
BESIDE = {"simulation": ("errors", "_types", "tabular", "results")}
#: Above all floors; may use nothing but the public face and what is below it.
ABOVE = ("_cli", "__main__", "testing")
#: The only imports that close a circle: a fit saves and exports itself by methods that import late.
LATE = {
    (f"thermcmp.inference.{name}", f"thermcmp.inference.{late}")
    for name, late in (
        ("posterior", "storage"),
        ("sensor_fits", "storage"),
        ("posterior", "arviz_export"),
    )
}
#: Heavy packages and the only places that may name them (prefixes of module names).
ONLY_IN = {
    "arviz": ("thermcmp.inference.arviz_adapter",),
    "arviz_stats": ("thermcmp.inference.arviz_adapter",),
    "numba": ("thermcmp.inference.conditional.compiled_loops",),
    "pymc": ("thermcmp.inference.nuts",),
    # A plug-in's airflow law is tried on a PyTensor scalar, as the NUTS engine will call it.
    "pytensor": ("thermcmp.inference.nuts", "thermcmp.physics.airflow"),
    "nutpie": ("thermcmp.inference.nuts.engine",),
    "pingouin": ("thermcmp.questions.classical_tests",),
    "pandera": ("thermcmp.results",),
    "pyarrow": (
        "thermcmp.tabular", "thermcmp.results", "thermcmp.library", "thermcmp.telemetry",
        "thermcmp.inference.storage",
    ),
    "jinja2": ("thermcmp.reporting",),
    "click": ("thermcmp.__main__", "thermcmp._cli"),
    "rich": ("thermcmp._cli", "thermcmp.telemetry.campaign.folder"),
    "pluggy": ("thermcmp.hooks", "thermcmp._plugin_checks", "thermcmp._plugin_registry"),
    "matplotlib": ("thermcmp.questions", "thermcmp.reporting", "thermcmp.telemetry"),
}  # fmt: skip
TOP_LEVEL = {
    "DEVELOPERS.md", "README.md", "datasets", "docs", "plugins", "pyproject.toml",
    "tests", "thermcmp",
}  # fmt: skip
MOST_FILE_LINES = 600
MEDIAN_FILE_LINES = 150
MOST_CODE_LINES = 60
MOST_FOLDER_FILES = 20


@functools.cache
def modules(package):
    """Dotted name, file and syntax tree of every module below a package folder."""
    found = []
    for path in sorted(package.rglob("*.py")):
        parts = [package.name, *path.relative_to(package).with_suffix("").parts]
        name = ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
        found.append((name, path, ast.parse(path.read_text(encoding="utf-8"))))
    return found


def imports(tree, within):
    """(imported dotted name, line, only for annotations) of every import in a tree."""
    for_types = {
        id(node)
        for block in ast.walk(tree)
        if isinstance(block, ast.If) and "TYPE_CHECKING" in ast.unparse(block.test)
        for node in ast.walk(block)
    }
    for node in ast.walk(tree):
        typed = id(node) in for_types
        if isinstance(node, ast.Import):
            yield from ((alias.name, node.lineno, typed) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                base = ".".join([*within.split(".")[: -node.level], *([base] if base else [])])
            yield from ((f"{base}.{alias.name}", node.lineno, typed) for alias in node.names)
        elif isinstance(node, ast.Call) and ast.unparse(node.func).endswith("import_module"):
            for given in node.args[:1]:
                if isinstance(given, ast.Constant):
                    yield given.value, node.lineno, typed


def place(dotted):
    """Part of the package that a module belongs to: a floor, or a module beside them."""
    parts = dotted.split(".")
    return parts[1] if len(parts) > 1 else ""


def floor_complaints(package):
    complaints = []
    for name, _, tree in modules(package):
        floor = place(name)
        if floor in ("", *ABOVE):
            continue
        for target, line, _ in imports(tree, name):
            if target.split(".")[0] != package.name or place(target) == floor:
                continue
            if not _may_import(floor, place(target)):
                complaints.append(f"{name}:{line} imports {target}")
    return complaints


def _may_import(floor, other):
    if floor in BESIDE:
        return other in BESIDE[floor]
    return floor in FLOORS and other in FLOORS[: FLOORS.index(floor)]


def circle_complaints(package):
    """Groups of files that import each other, for types or not, but for `LATE` imports."""
    names = {name for name, _, _ in modules(package)}
    targets = {
        name: {
            found
            for target, _, _ in imports(tree, name)
            for found in (target, target.rpartition(".")[0])
            if found in names and found != name and (name, found) not in LATE
        }
        for name, _, tree in modules(package)
        if name != package.name
    }
    reached = {name: _reached(name, targets) for name in targets}
    groups = {
        frozenset(other for other in reached[name] if name in reached.get(other, ()))
        for name in targets
        if name in reached[name]
    }
    return [f"a circle of {', '.join(sorted(group))}" for group in groups]


def _reached(start, targets):
    """All modules that a module imports, directly or through others."""
    seen, left = set(), [start]
    while left:
        new = targets.get(left.pop(), set()) - seen
        seen |= new
        left += new
    return seen


def folder_complaints(package):
    folders = Counter(path.parent for _, path, _ in modules(package))
    return [
        f"{folder.name}: {count} files in one folder"
        for folder, count in folders.items()
        if count > MOST_FOLDER_FILES
    ]


def heavy_complaints(package):
    complaints = []
    for name, _, tree in modules(package):
        for target, line, typed in imports(tree, name):
            allowed = ONLY_IN.get(target.split(".")[0])
            at_home = allowed and any(name == a or name.startswith(a + ".") for a in allowed)
            if allowed and not at_home and not typed:
                complaints.append(f"{name}:{line} imports {target}")
            if target.startswith("matplotlib.pyplot"):
                complaints.append(f"{name}:{line} imports {target}")
    return complaints


def name_complaints(package, public):
    return [
        f"{name}: a public name of the package"
        for name, _, _ in modules(package)
        if name.split(".")[-1] in public and "." in name
    ]


def statement_complaints(package):
    complaints = []
    for name, _, tree in modules(package):
        for node in ast.walk(tree):
            if isinstance(node, ast.Assert):
                complaints.append(f"{name}:{node.lineno} assert")
            if isinstance(node, ast.Global | ast.Nonlocal):
                complaints.append(f"{name}:{node.lineno} {type(node).__name__.lower()}")
            called = ast.unparse(node.func) if isinstance(node, ast.Call) else ""
            if called == "print" and place(name) != "__main__":
                complaints.append(f"{name}:{node.lineno} print")
    return complaints


def docstring_lines(tree):
    """Numbers of the lines that docstrings take."""
    taken = set()
    for node in ast.walk(tree):
        holds = isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef)
        if holds and ast.get_docstring(node, clean=False) is not None:
            taken |= set(range(node.body[0].lineno, node.body[0].end_lineno + 1))
    return taken


def code_lines(function, text, told):
    """Lines of a function without docstrings, comments and blank lines."""
    return sum(
        function.lineno <= number <= function.end_lineno
        and number not in told
        and bool(line.strip())
        and not line.strip().startswith("#")
        for number, line in enumerate(text.splitlines(), start=1)
    )


def size_complaints(package):
    complaints, sizes = [], []
    for name, path, tree in modules(package):
        text = path.read_text(encoding="utf-8")
        lines, told = len(text.splitlines()), docstring_lines(tree)
        # The house asks for long docstrings, so the typical file is measured without them.
        sizes.append(lines - len(told))
        if lines > MOST_FILE_LINES:
            complaints.append(f"{name}: {lines} lines")
        for node in ast.walk(tree):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                length = code_lines(node, text, told)
                if length > MOST_CODE_LINES:
                    complaints.append(f"{name}.{node.name}: {length} lines of code")
    if statistics.median(sizes) >= MEDIAN_FILE_LINES:
        complaints.append(
            f"the median file has {statistics.median(sizes):g} lines, docstrings aside"
        )
    return complaints


def top_level_complaints(root):
    ignored = [
        line.strip().strip("/")
        for line in (root / ".gitignore").read_text(encoding="utf-8").splitlines()
        if line.strip()
    ]
    shown = {
        path.name
        for path in root.iterdir()
        if not path.name.startswith(".")
        and not any(fnmatch.fnmatch(path.name, pattern) for pattern in ignored)
    }
    return sorted(shown ^ TOP_LEVEL)


RULES = {
    "floors": floor_complaints,
    "circles": circle_complaints,
    "folders": folder_complaints,
    "heavy packages": heavy_complaints,
    "module names": lambda package: name_complaints(package, set(thermcmp.__all__)),
    "statements": statement_complaints,
    "sizes": size_complaints,
}


@pytest.mark.parametrize("rule", RULES)
def test_the_library_keeps_the_rule(rule):
    assert RULES[rule](PACKAGE) == []


def test_the_rules_see_the_whole_library():
    names = {name for name, _, _ in modules(PACKAGE)}
    assert {place(name) for name in names} == {"", *FLOORS, *BESIDE, *ABOVE}
    assert {name for allowed in ONLY_IN.values() for name in allowed} <= names


def test_tests_mirror_the_folders():
    folders = {path.relative_to(PACKAGE) for path in PACKAGE.rglob("*/") if any(path.glob("*.py"))}
    mirrored = {
        path.parent.relative_to(ROOT / "tests") for path in (ROOT / "tests").rglob("test_*.py")
    }
    beside = {Path(), Path("studies"), Path("datasets")}
    assert mirrored - beside <= folders


def test_the_top_level_is_the_agreed_set():
    assert top_level_complaints(ROOT) == []


# Each case: a file of a small tree, its source, the rule that must object, and the words.
BROKEN = [
    ("physics/air.py", "from thermcmp.results.schema import COLUMNS", "floors", "imports"),
    ("model/x.py", "def f():\n    import thermcmp.inference.nuts.engine", "floors", "imports"),
    (
        "results/x.py",
        "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    import thermcmp.model.terms",
        "floors",
        "thermcmp.model.terms",
    ),
    ("library/x.py", "from ..questions import answer", "floors", "thermcmp.questions.answer"),
    ("questions/x.py", "from thermcmp.simulation import simulate", "floors", "simulation"),
    ("model/x.py", "from thermcmp import report", "floors", "thermcmp.report"),
    ("simulation/x.py", "from thermcmp.physics.air import y", "floors", "thermcmp.physics"),
    ("hooks.py", "from thermcmp.model.terms import Term", "floors", "thermcmp.model.terms"),
    (
        "hooks.py",
        "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    import thermcmp.model.terms",
        "floors",
        "thermcmp.model.terms",
    ),
    ("errors.py", "from thermcmp.hooks import plugins", "floors", "thermcmp.hooks"),
    ("extra.py", "from thermcmp.errors import Fault", "floors", "extra"),
    ("inference/x.py", "import arviz", "heavy packages", "arviz"),
    ("questions/x.py", "def f():\n    from pymc import sample", "heavy packages", "pymc.sample"),
    (
        "model/x.py",
        "from importlib import import_module\nimport_module('pyarrow.parquet')",
        "heavy packages",
        "pyarrow.parquet",
    ),
    ("questions/x.py", "import matplotlib.pyplot as plt", "heavy packages", "pyplot"),
    ("questions/x.py", "from matplotlib import pyplot", "heavy packages", "pyplot"),
    ("reporting/report.py", "", "module names", "report"),
    ("library/x.py", "def f(x):\n    assert x", "statements", "assert"),
    ("library/x.py", "def f(x):\n    print(x)", "statements", "print"),
    ("library/x.py", "def f():\n    global x\n    x = 1", "statements", "global"),
    ("library/x.py", "x = 1\n" * 601, "sizes", "601 lines"),
    ("library/x.py", "def f(x):\n" + "    x += 1\n" * 60, "sizes", "61 lines of code"),
    ("library/x.py", "x = 1\n" * 150, "sizes", "median"),
]


@pytest.mark.parametrize(("file", "source", "rule", "words"), BROKEN)
def test_a_tree_that_breaks_the_rule_is_told(tmp_path, file, source, rule, words):
    path = tmp_path / "thermcmp" / file
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(source, encoding="utf-8")
    complaints = RULES[rule](tmp_path / "thermcmp")
    assert len(complaints) >= 1
    assert words in complaints[-1]


def test_files_that_import_each_other_are_a_circle(tmp_path):
    folder = tmp_path / "thermcmp" / "model"
    folder.mkdir(parents=True)
    (folder / "a.py").write_text("from thermcmp.model.b import x", encoding="utf-8")
    (folder / "b.py").write_text(
        "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    from thermcmp.model.a import y",
        encoding="utf-8",
    )
    assert circle_complaints(tmp_path / "thermcmp") == [
        "a circle of thermcmp.model.a, thermcmp.model.b"
    ]


def test_a_crowded_folder_is_told(tmp_path):
    folder = tmp_path / "thermcmp" / "model"
    folder.mkdir(parents=True)
    for number in range(MOST_FOLDER_FILES + 1):
        (folder / f"m{number}.py").touch()
    assert folder_complaints(tmp_path / "thermcmp") == ["model: 21 files in one folder"]


def test_what_is_allowed_is_left_alone(tmp_path):
    package = tmp_path / "thermcmp"
    for file, source in {
        "model/x.py": "from thermcmp.results.schema import COLUMNS\nfrom thermcmp.errors import F",
        "__main__.py": "print('verdict')",
        "questions/long.py": "def f(x):\n    '''Say.\n" + "\n" * 80 + "    '''\n    return x\n",
    }.items():
        (package / file).parent.mkdir(parents=True, exist_ok=True)
        (package / file).write_text(source, encoding="utf-8")
    assert {name: rule(package) for name, rule in RULES.items()} == {name: [] for name in RULES}


def test_a_stray_entry_at_the_top_is_told(tmp_path):
    for name in TOP_LEVEL:
        (tmp_path / name).touch()
    (tmp_path / ".gitignore").write_text("build/\n*.egg-info/\n", encoding="utf-8")
    (tmp_path / "build").mkdir()
    assert top_level_complaints(tmp_path) == []
    (tmp_path / "notes.txt").touch()
    (tmp_path / "README.md").unlink()
    assert top_level_complaints(tmp_path) == ["README.md", "notes.txt"]
