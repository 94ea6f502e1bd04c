"""Plug-in points: hook specifications and the registration of plug-ins.

A plug-in is a module or an object with functions marked `hookimpl` and named after a
hook of `Hooks`, registered by `use_plugin` or as an installed package with an entry
point of the group ``thermcmp``. The built-ins register first, through the same hooks,
so none can be replaced.

A hook is called once, at registration, and its items are checked and tried then, so a
plug-in is registered entirely or not at all. An installed plug-in that fails is left out
with a warning and listed in `plugins`; with ``THERMCMP_STRICT_PLUGINS=1`` in the environment
it is an error. ``THERMCMP_DISABLE_PLUGINS=a,b`` leaves plug-ins or packages of these names
out. The steps are logged as ``thermcmp.plugins``.
"""

from __future__ import annotations

import functools
import warnings
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from copy import copy
from dataclasses import dataclass
from typing import Any, Final, Protocol

import pluggy

from thermcmp._plugin_checks import API_VERSION, POINTS, PROJECT, blaming
from thermcmp._plugin_registry import (
    PluginItem,
    PluginRecord,
    PluginStatus,
    PluginWarning,
    Registry,
)
from thermcmp.errors import Fault, InputError, PluginError, suggest

__all__ = [
    "API_VERSION",
    "FanControlKind",
    "Hooks",
    "NamedPriors",
    "PluginRecord",
    "PluginStatus",
    "PluginWarning",
    "Question",
    "RowCheck",
    "RunCheck",
    "Section",
    "forget_plugin",
    "hookimpl",
    "hookspec",
    "plugins",
    "use_plugin",
]

#: A check with more findings has no end.
_MOST_FINDINGS: Final = 1000

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
        ``ask(fit, **options) -> Answer``. Its options are its further parameters; those with
        an annotation such as ``float`` are checked.
    in_report : bool
        Whether a report of a fit asks it, without options.
    """

    name: str
    ask: Callable[..., Any]
    in_report: bool = True


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


@dataclass(frozen=True, slots=True)
class RunCheck:
    """A check of a run at load, before it becomes a result.

    Attributes
    ----------
    name : str
        Name of the check.
    check : callable
        ``check(window, run) -> iterable of Check``: `window` holds the readings that are
        averaged (`Readings`: ``window["fan_rpm"]``, ``window.mean("ambient_c")``), `run` the
        run's row of the run sheet. A refusing check without a sensor refuses the run.
    """

    name: str
    check: Callable[[Any, Mapping[str, Any]], Iterable[Any]]


@dataclass(frozen=True, slots=True)
class RowCheck:
    """A plausibility check of a table of results; what it finds is a warning.

    Attributes
    ----------
    name : str
        Name of the check.
    check : callable
        ``check(rows) -> iterable of str``: a sentence, with its fix, per doubt.
    """

    name: str
    check: Callable[[Any], Iterable[str]]


@dataclass(frozen=True, slots=True)
class FanControlKind:
    """A word in the column ``fan_control`` of a firmware table, and the control that it means.

    Attributes
    ----------
    name : str
        The word.
    columns : tuple of str or Column
        Columns that it needs, by name; one that firmware tables do not have yet as a
        `thermcmp.tabular.column.Column`.
    make : callable
        Takes the values of these columns in order and returns a `FanControl`.
    by_point : bool
        Whether a firmware has a row per point; `make` then takes a tuple of each column.
    """

    name: str
    columns: tuple[Any, ...]
    make: Callable[..., Any]
    by_point: bool = False


@dataclass(frozen=True, slots=True)
class NamedPriors:
    """Priors under one name, for ``fit(…, priors="name")``.

    Attributes
    ----------
    name : str
        Name of the set.
    priors : mapping of str to Prior
        By parameter name, as in `Fit.priors.table`.
    """

    name: str
    priors: Mapping[str, Any]


class Hooks(Protocol):
    """The hooks; a plug-in has functions of these names, marked `hookimpl`."""

    @hookspec
    def thermcmp_readers(self) -> list[Any]:
        """Return readers of log files, each a `TelemetryReader`."""

    @hookspec
    def thermcmp_airflow_laws(self) -> list[Any]:
        """Return airflow laws, each an `AirflowLaw`."""

    @hookspec
    def thermcmp_noise_laws(self) -> list[Any]:
        """Return noise laws, each a `NoiseLaw` of `thermcmp.physics.noise_law`."""

    @hookspec
    def thermcmp_terms(self) -> list[Any]:
        """Return effect terms, each a `Term` with its prior."""

    @hookspec
    def thermcmp_results_readers(self) -> list[Any]:
        """Return readers of tables of results, each a `ResultsReader`."""

    @hookspec
    def thermcmp_run_checks(self) -> list[RunCheck]:
        """Return checks of a run at load."""

    @hookspec
    def thermcmp_row_checks(self) -> list[RowCheck]:
        """Return plausibility checks of results rows."""

    @hookspec
    def thermcmp_fan_controls(self) -> list[FanControlKind]:
        """Return kinds of fan control for firmware tables."""

    @hookspec
    def thermcmp_prior_sets(self) -> list[NamedPriors]:
        """Return named sets of priors."""

    @hookspec
    def thermcmp_questions(self) -> list[Question]:
        """Return questions."""

    @hookspec
    def thermcmp_report_sections(self) -> list[Section]:
        """Return report sections."""


def use_plugin(module_or_object: object, name: str | None = None) -> None:
    """Register a plug-in for this process; repeating it changes nothing.

    Other processes, such as Dask workers, have only installed plug-ins.

    Parameters
    ----------
    module_or_object : module or object
        The plug-in, with functions marked `hookimpl` and named after hooks.
    name : str, optional
        Name of the plug-in; that of the module or the class by default.

    Raises
    ------
    PluginError
        If a hook is unknown, takes arguments, raises, or returns an invalid item or
        a name that is already in use; the plug-in is then left out entirely.
    """
    registry = _scanned_registry()
    default = type(module_or_object).__qualname__
    with blaming(f"plug-in '{name or default}': its __name__ or __version__"):
        known_as = str(name or getattr(module_or_object, "__name__", None) or default)
        version = str(getattr(module_or_object, "__version__", ""))
    if not registry.holds(module_or_object, known_as):
        registry.add(module_or_object, PluginRecord(known_as, "", version, PluginStatus.LOADED))


def forget_plugin(name: str) -> None:
    """Remove a plug-in from this process.

    Parameters
    ----------
    name : str
        Name as shown by `plugins`.

    Raises
    ------
    InputError
        If there is no loaded plug-in of that name; built-ins cannot be removed.
    """
    _scanned_registry().forget(name)


def plugins() -> tuple[PluginRecord, ...]:
    """Return a record per plug-in: built-in, loaded, disabled, or failed with its reason.

    Returns
    -------
    tuple of PluginRecord
        In order of registration: the built-ins, the installed ones by package and name, then
        those of `use_plugin`. It decides where two return one name: the first has it.

    Raises
    ------
    PluginError
        If an installed plug-in fails and ``THERMCMP_STRICT_PLUGINS`` is set.
    """
    return _scanned_registry().records()


def versions_of(items: Iterable[tuple[str, Any]]) -> dict[str, str]:
    """Return the versions of the plug-ins that the items of some hooks are from."""
    return {
        f"plug-in {entry.plugin}": entry.version or "?"
        for hook, item in items
        for entry in provided(hook)
        if not entry.is_built_in and entry.item == item
    }


def guests(*hooks: str) -> tuple[str, ...]:
    """Return the names of the plug-ins, beside the built-in ones, with items for some hooks."""
    entries = (entry for hook in hooks for entry in provided(hook) if not entry.is_built_in)
    return tuple(dict.fromkeys(entry.plugin for entry in entries))


def provided(hook: str) -> tuple[PluginItem, ...]:
    """Return the items of all plug-ins for one hook, built-ins first.

    Parameters
    ----------
    hook : str
        Name of a hook of `Hooks`.

    Returns
    -------
    tuple of PluginItem
        In order of registration.

    Raises
    ------
    PluginError
        If an installed plug-in fails and ``THERMCMP_STRICT_PLUGINS`` is set.
    """
    return _scanned_registry().items(hook)


def find_provided(hook: str, key: str) -> PluginItem | None:
    """Return the item of a hook and a name; a built-in is found without loading plug-ins.

    Parameters
    ----------
    hook : str
        Name of a hook of `Hooks`.
    key : str
        Name of the item.

    Returns
    -------
    PluginItem or None
        The item with its owner.

    Raises
    ------
    PluginError
        If an installed plug-in fails and ``THERMCMP_STRICT_PLUGINS`` is set.
    """
    return _registry().find(hook, key) or _scanned_registry().find(hook, key)


def named_item(hook: str, key: str, kind: str) -> PluginItem:
    """Return the item of a hook and a name, or refuse with the nearest name, or all.

    Parameters
    ----------
    hook : str
        Name of a hook of `Hooks`.
    key : str
        Name of the item.
    kind : str
        What it is, in words: "airflow law".

    Returns
    -------
    PluginItem
        The item with its owner.

    Raises
    ------
    InputError
        If there is none.
    PluginError
        If an installed plug-in fails and ``THERMCMP_STRICT_PLUGINS`` is set.
    """
    item = find_provided(hook, key)
    if item is None:
        names = [known.key for known in provided(hook)]
        fault = Fault(f"unknown {kind}", suggest(key, names), value=key)
        raise InputError(f"This {kind} is not known:", [fault])
    return item


@functools.cache
def _registry() -> Registry:
    """Return the registry of this process, made on first use."""
    return Registry(Hooks)


def _scanned_registry() -> Registry:
    """Return the registry with the installed plug-ins loaded."""
    registry = _registry()
    registry.scan()
    return registry


def surviving(calls: Sequence[Callable[[], Any]]) -> list[Any]:
    """Return the results of the calls; warn of plug-ins that failed, after all are done."""
    results, failures = [], []
    for call in calls:
        try:
            results.append(call())
        except PluginError as error:
            failures.append(str(error))
    if failures:
        warnings.warn("Left out:\n" + "\n".join(failures), PluginWarning, stacklevel=3)
    return results


def guarded(
    item: PluginItem,
    call: Callable[..., Any],
    kind: type | tuple[type, ...],
    passing: tuple[type[Exception], ...] = (),
) -> Callable[..., Any]:
    """Return a plug-in's callable whose errors name the plug-in, but for those `passing`."""

    def call_guarded(*arguments: Any, **options: Any) -> Any:
        with blaming(_where(item), passing):
            result = call(*arguments, **options)
        return _checked(result, kind, item)

    return call_guarded


def guarded_items(
    item: PluginItem, items: Iterable[Any], kind: type, passing: tuple[type[Exception], ...] = ()
) -> Iterator[Any]:
    """Yield what a plug-in yields; its errors name the plug-in, but for those `passing`."""
    following, end = iter(items), object()
    while True:
        with blaming(_where(item), passing):
            result = next(following, end)
        if result is end:
            return
        yield _checked(result, kind, item)


def checked_by_all(
    hook: str,
    kind: type,
    *arguments: Any,
    failed: Callable[[PluginError], Any] | None = None,
    require: Callable[[Any], None] | None = None,
) -> list[Any]:
    """Return what all checks of a hook find.

    One that fails is left out with a warning, or counts as what `failed` makes of its error;
    so does one with a finding for which `require` raises.
    """

    def findings(entry: PluginItem) -> list[Any]:
        if entry.is_built_in:
            return list(entry.item.check(*arguments))

        def found() -> Iterator[Any]:
            # Copies: what a check does to its rows must not reach the results.
            returned = entry.item.check(*map(copy, arguments))
            if isinstance(returned, str):
                raise TypeError("one text for a list of findings. Fix: yield each finding")
            for count, finding in enumerate(returned):
                if count == _MOST_FINDINGS:
                    raise ValueError(f"more than {_MOST_FINDINGS} findings")
                if require is not None and isinstance(finding, kind):
                    require(finding)
                yield finding

        try:
            return list(guarded_items(entry, found(), kind))
        except PluginError as error:
            if failed is None:
                raise
            return [failed(error)]

    calls = [functools.partial(findings, entry) for entry in provided(hook)]
    return [finding for found in surviving(calls) for finding in found]


def _where(item: PluginItem) -> str:
    """Return the name of a plug-in's item, with its hook, for messages."""
    return f"{item.owner}: its {POINTS[item.hook].kind} '{item.key}' (hook {item.hook})"


def _checked(result: Any, kind: type | tuple[type, ...], item: PluginItem) -> Any:
    """Return what a plug-in returned, or refuse another type."""
    if not isinstance(result, kind):
        kinds = kind if isinstance(kind, tuple) else (kind,)
        raise PluginError(
            f"{_where(item)} returned a value of type {type(result).__name__}. "
            f"Fix: return a value of type {' or '.join(each.__name__ for each in kinds)}"
        )
    return result
