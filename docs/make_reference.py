"""Write the page of the reference: every public name, with its docstring by Sphinx."""

from pathlib import Path

import thermcmp as tc

#: Where a name belongs on the page, by the folder that holds it; the first that fits counts.
GROUPS = {
    "The library": ("library",),
    "Reading tables and logs": ("results", "telemetry", "model.instruments"),
    "The fit": ("inference", "model.priors", "model.terms", "model.measurement_error"),
    "Builds, conditions and firmware": ("model", "physics"),
    "Questions and answers": ("questions",),
    "What is published": ("reporting",),
    "Simulation": ("simulation",),
    "Plug-ins": ("hooks",),
    "Errors": ("errors",),
}
ABOUT = """# Reference

<!-- made by python docs/make_reference.py -->

Every public name of `thermcmp`. What the numbers mean is explained on the pages about the
[questions](questions.md), [logs](logs.md) and the [library](library.md).
"""


def page() -> str:
    """Return the page."""
    left = {name: home.removeprefix("thermcmp.") for name, home in tc._HOMES.items()}
    parts = [ABOUT]
    for group, folders in GROUPS.items():
        names = [
            n for n, home in left.items() if f"{home}.".startswith(tuple(f"{f}." for f in folders))
        ]
        parts.append(f"## {group}\n\n```{{eval-rst}}")
        for name in sorted(names, key=str.lower):
            is_class = isinstance(getattr(tc, name), type)
            parts.append(f".. auto{'class' if is_class else 'function'}:: thermcmp.{name}")
            parts += ["   :members:"] * is_class
            del left[name]
        parts.append("```\n")
    if left:
        raise SystemExit(f"no group for {', '.join(left)}")
    return "\n".join(parts)


if __name__ == "__main__":
    Path(__file__).with_name("reference.md").write_text(page(), encoding="utf-8")
