"""Plug-in points: hook specifications, registration, and what plug-ins give.

A plug-in is a module or an object with functions marked `hookimpl` and named
after a hook of `Hooks`. It comes in through `use_plugin`, or as an installed
package through an entry point of the group ``thermcmp``. The built-ins register
through the same hooks, first, so nothing can take the place of one unseen.

A hook is called once, when its plug-in is registered; what it gives is checked
there and then. So a plug-in is wholly in or wholly out. One that comes from an
entry point and fails is warned about, kept in `plugins`, and takes nothing else
down; with ``THERMCMP_STRICT_PLUGINS=1`` in the environment it is an error.
"""

from __future__ import annotations

import functools
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import pluggy

from thermcmp._plugin_checks import API_VERSION, POINTS, PROJECT
from thermcmp._plugin_registry import (
    Given,
    PluginRecord,
    PluginStatus,
    PluginWarning,
    Registry,
)
from thermcmp.errors import PluginError

__all__ = [
    "API_VERSION",
    "Hooks",
    "PluginRecord",
    "PluginStatus",
    "PluginWarning",
    "Question",
    "Section",
    "forget_plugin",
    "hookimpl",
    "hookspec",
    "plugins",
    "use_plugin",
]

hookspec = pluggy.HookspecMarker(PROJECT)
hookimpl = pluggy.HookimplMarker(PROJECT)


@dataclass(frozen=True, slots=True)
class Question:
    """A question that a plug-in adds.

    Attributes
    ----------
    name : str
        Name of the question.
    ask : callable
        ``ask(fit) -> Answer``.
    """

    name: str
    ask: Callable[[Any], Any]


@dataclass(frozen=True, slots=True)
class Section:
    """A report section that a plug-in adds.

    Attributes
    ----------
    title : str
        Heading of the section.
    render : callable
        ``render(fit, answers) -> str``: HTML of the section's body.
    """

    title: str
    render: Callable[[Any, Sequence[Any]], str]


class Hooks(Protocol):
    """The hooks; a plug-in has functions of these names, marked `hookimpl`."""

    @hookspec
    def thermcmp_readers(self) -> list[Any]:
        """Return readers of log files, each a `TelemetryReader`."""

    @hookspec
    def thermcmp_airflow_laws(self) -> list[Any]:
        """Return airflow laws, each an `AirflowLaw`."""

    @hookspec
    def thermcmp_terms(self) -> list[Any]:
        """Return effect terms, each a `Term` with its prior."""

    @hookspec
    def thermcmp_questions(self) -> list[Question]:
        """Return questions."""

    @hookspec
    def thermcmp_report_sections(self) -> list[Section]:
        """Return report sections."""


def use_plugin(module_or_object: object, name: str | None = None) -> None:
    """Register a plug-in for this process; repeating it changes nothing.

    Other processes, such as Dask workers, know only installed plug-ins.

    Parameters
    ----------
    module_or_object : module or object
        Has functions marked `hookimpl`, named after hooks of `Hooks`.
    name : str, optional
        Name for it; the module's or the class's own by default.

    Raises
    ------
    PluginError
        If a hook is unknown, takes arguments, raises, or gives something
        ill-formed or a name that is taken; the plug-in is then wholly left out.
    """
    registry = _scanned_registry()
    default = getattr(module_or_object, "__name__", None) or type(module_or_object).__qualname__
    known_as = name if name is not None else default
    if not registry.holds(module_or_object, known_as):
        registry.add(module_or_object, PluginRecord(known_as, "", "", PluginStatus.LOADED))


def forget_plugin(name: str) -> None:
    """Take a plug-in out again for this process.

    Parameters
    ----------
    name : str
        Name as shown by `plugins`.

    Raises
    ------
    InputError
        If there is no loaded plug-in of that name; built-ins stay.
    """
    _scanned_registry().forget(name)


def plugins() -> tuple[PluginRecord, ...]:
    """Return a record per plug-in: built-in, loaded, and failed with its reason.

    Returns
    -------
    tuple of PluginRecord
        In order of registration.

    Raises
    ------
    PluginError
        If an installed plug-in fails and ``THERMCMP_STRICT_PLUGINS`` is set.
    """
    return _scanned_registry().records()


def provided(hook: str) -> tuple[Given, ...]:
    """Return what all plug-ins provide through one hook, built-ins first.

    Parameters
    ----------
    hook : str
        Name of a hook of `Hooks`.

    Returns
    -------
    tuple of Given
        In order of registration.

    Raises
    ------
    PluginError
        If an installed plug-in fails and ``THERMCMP_STRICT_PLUGINS`` is set.
    """
    return _scanned_registry().given(hook)


def find_provided(hook: str, key: str) -> Any:
    """Return what a hook provides under a name; built-ins load no plug-ins.

    Parameters
    ----------
    hook : str
        Name of a hook of `Hooks`.
    key : str
        Name of the thing wanted.

    Returns
    -------
    object
        The thing, or None.

    Raises
    ------
    PluginError
        If an installed plug-in fails and ``THERMCMP_STRICT_PLUGINS`` is set.
    """
    found = _registry().find(hook, key) or _scanned_registry().find(hook, key)
    return None if found is None else found.item


@functools.cache
def _registry() -> Registry:
    """Return the one registry of this process, made on first use."""
    return Registry(Hooks)


def _scanned_registry() -> Registry:
    """Return the registry with the installed plug-ins loaded."""
    registry = _registry()
    registry.scan()
    return registry


def surviving(calls: Sequence[Callable[[], Any]]) -> list[Any]:
    """Call each in turn; a plug-in that fails is warned about after all are done."""
    results, failures = [], []
    for call in calls:
        try:
            results.append(call())
        except PluginError as error:
            failures.append(str(error))
    if failures:
        warnings.warn("Left out:\n" + "\n".join(failures), PluginWarning, stacklevel=3)
    return results


def guarded(one: Given, call: Callable[..., Any], kind: type) -> Callable[..., Any]:
    """Wrap a plug-in's callable so that what goes wrong in it names the plug-in."""
    where = f"{one.owner}: its {POINTS[one.hook].what} '{one.key}'"

    def call_guarded(*arguments: Any) -> Any:
        try:
            result = call(*arguments)
        except Exception as error:
            raise PluginError(f"{where} raised {type(error).__name__}: {error}") from error
        if not isinstance(result, kind):
            raise PluginError(
                f"{where} gave a value of type {type(result).__name__}. "
                f"Fix: return a value of type {kind.__name__}"
            )
        return result

    return call_guarded
