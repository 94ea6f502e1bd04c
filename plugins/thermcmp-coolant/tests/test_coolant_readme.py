"""The README's Python blocks run and print what the README shows."""

import contextlib
import io
import re
from pathlib import Path

README = Path(__file__).parents[1] / "README.md"


def test_readme_blocks_run_and_print_what_is_shown():
    text = README.read_text(encoding="utf-8")
    blocks = re.findall(r"```(python|text)\n(.*?)```", text, flags=re.DOTALL)
    assert [kind for kind, _ in blocks] == ["python", "text", "python", "python", "text"]
    printed, shown = io.StringIO(), ""
    with contextlib.redirect_stdout(printed):
        for kind, block in blocks:
            if kind == "text":
                shown += block
            else:
                exec(compile(block, str(README), "exec"), {"__name__": "readme"})
    assert printed.getvalue() == shown
