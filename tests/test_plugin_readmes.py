"""The READMEs of the plug-in packages: their Python blocks run and print what they show."""

import contextlib
import io
import re
from pathlib import Path

import pytest

PACKAGES = sorted((Path(__file__).parents[1] / "plugins").glob("*/pyproject.toml"))
OWN_TEST = {"thermcmp-coolant"}


@pytest.mark.parametrize(
    "folder", [p.parent for p in PACKAGES if p.parent.name not in OWN_TEST], ids=lambda f: f.name
)
def test_the_blocks_run_and_print_what_is_shown(folder, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    text = (folder / "README.md").read_text(encoding="utf-8")
    blocks = re.findall(r"```(python|text)\n(.*?)```", text, flags=re.DOTALL)
    assert {"python", "text"} <= {kind for kind, _ in blocks}
    printed, shown, names = io.StringIO(), "", {"__name__": "readme"}
    with contextlib.redirect_stdout(printed):
        for kind, block in blocks:
            if kind == "text":
                shown += block
            else:
                exec(compile(block, str(folder), "exec"), names)
    assert printed.getvalue() == shown
