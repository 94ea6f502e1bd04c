"""The examples of README and documentation run, and what the pages name exists."""

import importlib.util
import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import thermcmp
from thermcmp.__main__ import main
from thermcmp.results.schema import COLUMNS

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
MARK = "<!-- example: run by tests/test_readme.py -->"
EXAMPLE = re.compile(re.escape(MARK) + r"\n+```python\n(.*?)^```", re.DOTALL | re.MULTILINE)
PAGES = (ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md")))
#: A file or folder named in running text or in a table, such as `tests/test_readme.py`.
NAMED = re.compile(r"`((?:[\w.-]+/)*[\w.-]+(?:\.(?:py|md|toml|json|csv)|/))`")
LINK = re.compile(r"\]\((?!https?://|#)([^)#\s]+)(?:#[^)]*)?\)")


def examples(page):
    """Return the marked Python blocks of a page as one script.

    A fit that the page repeats for its reader is made once.
    """
    lines = "\n".join(EXAMPLE.findall(page.read_text(encoding="utf-8"))).splitlines()
    return "\n".join(
        line
        for place, line in enumerate(lines)
        if not (line.startswith("fit = tc.fit(") and line in lines[:place])
    )


def run(script, folder):
    """Run a script in a folder that has the data sets where the README has them."""
    (folder / "datasets").symlink_to(ROOT / "datasets")
    return subprocess.run(
        [sys.executable, "-W", "error", "-c", script],
        capture_output=True,
        text=True,
        cwd=folder,
        timeout=600,
        check=False,
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "utf-8"},
    )


def test_the_example_of_the_readme_runs_and_prints_its_answers(tmp_path):
    finished = run(examples(ROOT / "README.md"), tmp_path)
    assert finished.returncode == 0, finished.stderr
    headings = (
        "Separation of effects on memory, specimens (90% equal-tailed intervals)",
        "From Alder r1 / fw 1 to Alder r2 / fw 2: memory (90% equal-tailed intervals)",
        "Memory at 40 dB(A) at 0.5 m, 200 W, 21 °C ambient, product line",
        "Alder r1 / fw 1: memory against 100 °C, a newly bought card",
    )
    places = [finished.stdout.find(heading) for heading in headings]
    assert -1 not in places, finished.stdout
    assert places == sorted(places)
    # "and what it cannot tell apart": board and vendor changed together in the swap study.
    assert "cannot be separated from memory vendor" in finished.stdout
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "<figure>" in page
    assert (tmp_path / "bench").is_dir()


@pytest.mark.parametrize(
    "page", [page for page in PAGES if MARK in page.read_text(encoding="utf-8")], ids=str
)
def test_the_marked_examples_of_a_page_run(page, tmp_path):
    finished = run(examples(page), tmp_path)
    assert finished.returncode == 0, finished.stderr


COMMANDS = re.compile(
    re.escape(MARK.replace("example", "commands")) + r"\n+```sh\n(.*?)^```",
    re.DOTALL | re.MULTILINE,
)


def test_the_commands_of_the_tutorial_run(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "datasets").symlink_to(ROOT / "datasets")
    (block,) = COMMANDS.findall((ROOT / "docs" / "tutorial.md").read_text(encoding="utf-8"))
    for line in block.strip().splitlines():
        program, *words = shlex.split(line)
        assert program == "thermcmp"
        assert main(words) == 0, line
    shown = capsys.readouterr().out
    assert "807 rows of 269 runs were added" in shown


def made_by(script):
    """Return a script of the documentation as a module."""
    spec = importlib.util.spec_from_file_location(script, ROOT / "docs" / f"{script}.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_reference_has_every_public_name():
    made = (ROOT / "docs" / "reference.md").read_text(encoding="utf-8")
    assert made == made_by("make_reference").page(), "run python docs/make_reference.py"
    assert all(f":: thermcmp.{name}\n" in made for name in thermcmp._HOMES)


def test_the_gallery_shows_each_figure_with_words_for_those_who_do_not_see_it():
    page = (ROOT / "docs" / "gallery.md").read_text(encoding="utf-8")
    shown = dict(re.findall(r"!\[([^]]{20,})\]\(gallery/([\w-]+)\.svg\)", page))
    assert sorted(shown.values()) == sorted(made_by("make_gallery").FIGURES)
    for name in shown.values():
        assert "<dc:description>" in (ROOT / "docs" / "gallery" / f"{name}.svg").read_text("utf-8")


def command(marker):
    """Return the shell command between a marker and its end."""
    block = README.split(f"<!-- {marker} -->")[1].split("<!-- end -->")[0]
    lines = [line for line in block.strip().splitlines() if not line.startswith("```")]
    assert len(lines) == 1
    return lines[0]


def test_each_command_is_one_line_between_its_marks():
    for marker in ("demo command", "test command"):
        assert README.count(f"<!-- {marker} -->") == 1
        assert command(marker).startswith("python3 -m venv .venv && ")
    assert command("demo command").endswith("python -m thermcmp")


def test_the_commands_name_existing_paths():
    words = shlex.split(command("test command"))
    (path,) = [word for word in words if word.startswith("./")]
    assert path == "./plugins/*"
    folders = [folder for folder in ROOT.glob(path) if not folder.name.startswith(".")]
    assert len(folders) >= 5
    assert all((folder / "pyproject.toml").is_file() for folder in folders)


@pytest.mark.skipif(shutil.which("bash") is None, reason="no bash here")
def test_the_check_script_runs_the_test_command():
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    (line,) = [line for line in script.splitlines() if line.startswith("test_command=")]
    printed = subprocess.run(
        ["bash", "-euo", "pipefail", "-c", f'{line}\nprintf %s "$test_command"'],
        capture_output=True,
        text=True,
        cwd=ROOT,
        check=True,
    )
    assert printed.stdout == command("test command")


def test_the_page_of_the_results_table_is_made_from_the_schema():
    maker = made_by("make_tables")
    made = (ROOT / "docs" / "results-table.md").read_text(encoding="utf-8")
    assert made == maker.page(), "run python docs/make_tables.py"
    assert all(f"| `{column.name}` |" in made for column in COLUMNS)


@pytest.mark.parametrize("page", [ROOT / "README.md", *PAGES], ids=lambda page: page.name)
def test_links_inside_the_project_have_a_target(page):
    text = page.read_text(encoding="utf-8")
    missing = [target for target in LINK.findall(text) if not (page.parent / target).exists()]
    assert missing == []


@pytest.mark.parametrize("page", [ROOT / "README.md", *PAGES], ids=lambda page: page.name)
def test_files_that_a_page_names_exist(page):
    named = set(NAMED.findall(page.read_text(encoding="utf-8")))
    homes = (ROOT, ROOT / "thermcmp")
    missing = [name for name in named if not any((home / name).exists() for home in homes)]
    assert missing == []


def test_names_of_files_are_recognised():
    text = "see `tests/test_readme.py`, `simulation/`, `schema.py` and `fit.aliases.table`"
    assert NAMED.findall(text) == ["tests/test_readme.py", "simulation/", "schema.py"]
