"""Checks of a plug-in at registration: its hooks and their items."""

from __future__ import annotations

import inspect
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from importlib import import_module
from typing import Any, Final, NamedTuple

import numpy as np
import pluggy

from thermcmp.errors import Fault, PluginError, suggest

PROJECT: Final = "thermcmp"
#: Version of the hooks. A plug-in may state its version as `api_version`; another
#: version is refused.
API_VERSION: Final = 1


class Point(NamedTuple):
    """Items of one hook: kind in words, attribute with their name, further members, and home."""

    kind: str
    key: str
    #: Type of each member, or the number of arguments of a method.
    members: Mapping[str, type | int]
    #: Module with the built-in items; its function `faults_of_<hook>` tries an item.
    home: str


_READER: Final[dict[str, type | int]] = {"suffixes": tuple, "read": 3}
_LAW: Final[dict[str, type | int]] = {
    "column": str, "unit": str, "exponent_prior_mean": float, "exponent_prior_sd": float,
    "factor": 3, "slope": 3,
}  # fmt: skip
POINTS: Final = {
    "thermcmp_readers": Point(
        "telemetry reader", "name", _READER, "thermcmp.telemetry.reading.readers"
    ),
    "thermcmp_airflow_laws": Point("airflow law", "name", _LAW, "thermcmp.physics.airflow"),
    "thermcmp_noise_laws": Point("noise law", "name", {"shape": 1}, "thermcmp.physics.noise_law"),
    "thermcmp_terms": Point("effect term", "name", {}, "thermcmp.model.terms"),
    "thermcmp_results_readers": Point(
        "results reader", "name", {"suffixes": tuple, "read": 1}, "thermcmp.results.plugin_tables"
    ),
    "thermcmp_run_checks": Point(
        "run check", "name", {"check": 2}, "thermcmp.telemetry.plausibility.columns"
    ),
    "thermcmp_row_checks": Point(
        "row check", "name", {"check": 1}, "thermcmp.results.plausibility.doubts"
    ),
    "thermcmp_fan_controls": Point(
        "fan control",
        "name",
        {"columns": tuple, "make": object, "by_point": bool},
        "thermcmp.results.firmware_table",
    ),
    "thermcmp_prior_sets": Point(
        "prior set", "name", {"priors": Mapping}, "thermcmp.model.named_priors"
    ),
    "thermcmp_questions": Point(
        "question",
        "name",
        {"ask": object, "in_report": bool},
        "thermcmp.questions.plugin_questions",
    ),
    "thermcmp_report_sections": Point(
        "report section", "title", {"render": 2}, "thermcmp.reporting.plugin_sections"
    ),
}


@contextmanager
def blaming(owner: str, passing: tuple[type[BaseException], ...] = ()) -> Iterator[None]:
    """Name the owner of code in whatever it raises, but for Ctrl-C and what is `passing`."""
    try:
        # What a plug-in sets for floating-point errors must not stay set.
        with np.errstate():
            yield
    except KeyboardInterrupt:
        raise
    except passing:
        raise
    # Also what is no Exception, such as SystemExit: a plug-in must not end the user's script.
    except BaseException as error:
        raise PluginError(f"{owner} raised {told(error)}") from error


def told(error: BaseException) -> str:
    """Return kind and words of an error, of which a plug-in's may raise in turn."""
    try:
        return f"{type(error).__name__}: {error}"
    except Exception:
        return type(error).__name__


def hooks_of(plugin: object) -> dict[str, Any]:
    """Return the marked functions of a plug-in by the hook that each is of."""
    reader = pluggy.PluginManager(PROJECT)
    marked = ((name, reader.parse_hookimpl_opts(plugin, name)) for name in dir(plugin))
    return {
        options.get("specname") or name: getattr(plugin, name)
        for name, options in marked
        if options is not None
    }


def check_plugin(plugin: object, owner: str) -> None:
    """Refuse unknown, unmarked or argument-taking hooks, and another API version."""
    version = getattr(plugin, "api_version", API_VERSION)
    if version != API_VERSION:
        newer = isinstance(version, int) and version > API_VERSION
        fix = f"update {PROJECT}" if newer else "update the plug-in, or write api_version = 1"
        raise PluginError(
            f"{owner}: written for plug-in API {version!r}, this is {API_VERSION}. Fix: {fix}"
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


def checked_key(item: Any, hook: str, owner: str) -> str:
    """Return the name of an item, or refuse one that is not what its hook asks for."""
    point = POINTS[hook]
    if isinstance(item, type):
        raise PluginError(
            f"{owner}: returns the class {item.__qualname__} as {point.kind} (hook {hook}). "
            "Fix: return an instance"
        )
    name = type(item).__name__
    with blaming(f"{owner}: its {point.kind} of type {name} (hook {hook})"):
        name = getattr(item, point.key, name)
        faults = list(item_faults(item, hook))
    if faults:
        raise PluginError(
            f"{owner}: its {point.kind} '{name}' (hook {hook}) cannot be used: "
            + "; ".join(map(str, faults))
        )
    return name


def item_faults(item: Any, hook: str) -> Iterable[Fault]:
    """Return what is wrong with an item: its members, then what a trial of it shows."""
    point = POINTS[hook]
    members = {point.key: str, **point.members}
    lacking = [name for name in members if not hasattr(item, name)]
    if lacking:
        return [Fault(f"it lacks {', '.join(lacking)}", "add these members")]
    faults = [fault for name, kind in members.items() if (fault := _member_fault(item, name, kind))]
    if not faults and not getattr(item, point.key).strip():
        faults = [Fault("blank", "use a text that is not blank", column=point.key)]
    trial = getattr(import_module(point.home), f"faults_of_{hook.removeprefix('thermcmp_')}", None)
    return faults if faults or trial is None else trial(item)


def _member_fault(item: Any, name: str, kind: type | int) -> Fault | None:
    """Return what is wrong with a member: another type, or other arguments."""
    member = getattr(item, name)
    if isinstance(kind, type):
        allowed: Any = (int, float) if kind is float else kind
        if isinstance(member, allowed) and not (kind is float and isinstance(member, bool)):
            return None
        fix = f"use a {'text' if kind is str else 'number' if kind is float else kind.__name__}"
        return Fault(f"a value of type {type(member).__name__}", fix, column=name)
    return call_fault(member, kind, name)


def call_fault(function: Any, arguments: int, name: str) -> Fault | None:
    """Return what is wrong with a function that is called with a number of arguments."""
    if not callable(function):
        return Fault(
            "not a function", f"make it a function of {arguments} argument(s)", column=name
        )
    try:
        inspect.signature(function).bind(*[None] * arguments)
    except TypeError:
        return Fault("takes other arguments", f"take {arguments} argument(s)", column=name)
    except ValueError:
        # Functions of compiled code may have no signature; the trial or the call shows.
        return None
    return None
