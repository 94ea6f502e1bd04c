"""Checks of a plug-in at registration: its hooks and their items."""

from __future__ import annotations

import inspect
from typing import Any, Final, NamedTuple

import pluggy

from thermcmp.errors import PluginError, suggest

PROJECT: Final = "thermcmp"
#: Version of the hooks. A plug-in may state its version as `api_version`; another
#: version is refused.
API_VERSION: Final = 1


class Point(NamedTuple):
    """Items of one hook: their kind in words, the attribute with their name, and members."""

    kind: str
    key: str
    members: tuple[str, ...]


_LAW_MEMBERS: Final = (
    "column", "unit", "exponent_prior_mean", "exponent_prior_sd", "factor", "slope",
)  # fmt: skip
POINTS: Final = {
    "thermcmp_readers": Point("telemetry reader", "name", ("suffixes", "read")),
    "thermcmp_airflow_laws": Point("airflow law", "name", _LAW_MEMBERS),
    "thermcmp_terms": Point("effect term", "name", ()),
    "thermcmp_questions": Point("question", "name", ("ask",)),
    "thermcmp_report_sections": Point("report section", "title", ("render",)),
}


def check_plugin(plugin: object, owner: str) -> None:
    """Refuse unknown, unmarked or argument-taking hooks, and another API version."""
    version = getattr(plugin, "api_version", API_VERSION)
    if version != API_VERSION:
        raise PluginError(
            f"{owner}: written for plug-in API {version!r}, this is {API_VERSION}. Fix: install "
            f"releases of the plug-in and of thermcmp that share one (api_version = {API_VERSION})"
        )
    reader = pluggy.PluginManager(PROJECT)
    hooks = 0
    for attribute in dir(plugin):
        options = reader.parse_hookimpl_opts(plugin, attribute)
        if options is None:
            if attribute.startswith(f"{PROJECT}_") and inspect.isroutine(
                inspect.getattr_static(plugin, attribute, None)
            ):
                raise PluginError(
                    f"{owner}: its function '{attribute}' has a hook's prefix but is not marked. "
                    "Fix: mark it with thermcmp.hooks.hookimpl, or rename it"
                )
            continue
        hooks += 1
        hook = options.get("specname") or attribute
        if hook not in POINTS:
            raise PluginError(
                f"{owner}: there is no hook '{hook}'. Fix: {suggest(hook, list(POINTS))}"
            )
        if options.get("wrapper") or options.get("hookwrapper"):
            raise PluginError(f"{owner}: its hook {hook} is a wrapper. Fix: return a list")
        arguments = list(inspect.signature(getattr(plugin, attribute)).parameters)
        if arguments:
            raise PluginError(
                f"{owner}: its hook {hook} takes {', '.join(arguments)}, but hooks are called "
                "without arguments. Fix: take none; register an instance, not a class"
            )
    if not hooks:
        raise PluginError(
            f"{owner}: has no hook. Fix: mark a function with thermcmp.hooks.hookimpl "
            f"and name it one of {', '.join(POINTS)}"
        )


def checked_key(item: Any, point: Point, owner: str) -> str:
    """Return the name of an item, or refuse one that lacks members."""
    if isinstance(item, type):
        raise PluginError(
            f"{owner}: returns the class {item.__qualname__} as {point.kind}. "
            "Fix: return an instance"
        )
    lacking = [name for name in (point.key, *point.members) if not hasattr(item, name)]
    if lacking:
        raise PluginError(
            f"{owner}: returns a {type(item).__name__} as {point.kind}, which lacks "
            f"{', '.join(lacking)}. Fix: add these members"
        )
    key = getattr(item, point.key)
    if not isinstance(key, str) or not key.strip():
        raise PluginError(
            f"{owner}: returns a {point.kind} whose {point.key} is {key!r}. "
            "Fix: use a text that is not blank"
        )
    return key
