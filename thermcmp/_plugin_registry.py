"""The registry behind the hooks: registration, installed plug-ins, failures."""

from __future__ import annotations

import logging
import os
import time
import traceback
import warnings
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from enum import StrEnum
from importlib import import_module, metadata
from typing import Any, Final, NamedTuple

import pluggy

from thermcmp._plugin_checks import POINTS, PROJECT, blaming, check_plugin, checked_key
from thermcmp.errors import Fault, InputError, PluginError, ThermcmpWarning, suggest

ENTRY_POINT_GROUP: Final = "thermcmp"
STRICT_VARIABLE: Final = "THERMCMP_STRICT_PLUGINS"
#: Names of installed plug-ins or their packages that are not loaded, with commas between.
DISABLE_VARIABLE: Final = "THERMCMP_DISABLE_PLUGINS"
_LOG: Final = logging.getLogger("thermcmp.plugins")
_BUILT_INS: Final = (
    "thermcmp.physics.airflow",
    "thermcmp.model.terms",
    "thermcmp.telemetry.reading.readers",
    "thermcmp.telemetry.plausibility.columns",
    "thermcmp.results.plausibility.doubts",
    "thermcmp.results.firmware_table",
    "thermcmp.questions.plugin_questions",
    "thermcmp.physics.noise_law",
)


class PluginWarning(ThermcmpWarning):
    """A plug-in is left out; the message names it, with reason and fix."""


class PluginStatus(StrEnum):
    """State of a plug-in."""

    BUILT_IN = "built-in"
    LOADED = "loaded"
    FAILED = "failed"
    DISABLED = "disabled"


@dataclass(frozen=True, slots=True)
class PluginRecord:
    """One plug-in, loaded, failed or disabled.

    Attributes
    ----------
    name : str
        Name of the plug-in.
    distribution, version : str
        Its installed package; for `use_plugin` empty, and its ``__version__`` if it has one.
    status : PluginStatus
        State of the plug-in.
    provides : tuple of str
        Its items, such as ``airflow law 'power law'``.
    hooks : tuple of str
        Hooks that it has items for.
    error : str
        Reason why it is left out; else empty.
    traceback : str
        Traceback of a failure; else empty.
    """

    name: str
    distribution: str
    version: str
    status: PluginStatus
    provides: tuple[str, ...] = ()
    hooks: tuple[str, ...] = ()
    error: str = ""
    traceback: str = field(default="", repr=False)

    @property
    def origin(self) -> str:
        """Where it comes from: an installed package, or a call of `use_plugin`."""
        return self.distribution or "use_plugin"

    @property
    def takes_part(self) -> bool:
        """Whether its items are used."""
        return self.status in (PluginStatus.BUILT_IN, PluginStatus.LOADED)


class PluginItem(NamedTuple):
    """One item of a plug-in, with its hook, name and owner."""

    hook: str
    key: str
    item: Any
    owner: str
    plugin: str = ""
    version: str = ""
    is_built_in: bool = False

    @property
    def source(self) -> str:
        """Plug-in and version, for lists of what took part."""
        return f"plug-in {self.plugin} {self.version or '?'}"


class Registry:
    """Plug-ins with their items, and records of those that failed."""

    def __init__(self, hooks: type) -> None:
        self._manager = pluggy.PluginManager(PROJECT)
        self._manager.add_hookspecs(hooks)
        self._items: list[PluginItem] = []
        self._records: list[PluginRecord] = []
        self._scanned = False
        self._loaded: list[metadata.EntryPoint] = []
        for module in _BUILT_INS:
            record = PluginRecord(module, PROJECT, _own_version(), PluginStatus.BUILT_IN)
            self.add(import_module(module), record)

    def records(self) -> tuple[PluginRecord, ...]:
        """Return a record per plug-in, in order of registration."""
        return tuple(self._records)

    def items(self, hook: str) -> tuple[PluginItem, ...]:
        """Return the items of all plug-ins for one hook, in order of registration."""
        return tuple(item for item in self._items if item.hook == hook)

    def find(self, hook: str, key: str) -> PluginItem | None:
        """Return the item of a hook and a name, or None."""
        return next((item for item in self.items(hook) if item.key == key), None)

    def add(self, plugin: object, record: PluginRecord) -> None:
        """Register a plug-in entirely, or raise `PluginError` and change nothing."""
        owner, started_s = _owner(record), time.perf_counter()
        active = [r for r in self._records if r.takes_part]
        other = next((r for r in active if r.name == record.name), None)
        if other is not None:
            raise PluginError(
                f"{owner}: the name is in use by {_owner(other)}, {other.status.value}. "
                f"Fix: use another name, or call forget_plugin('{record.name}') first"
            )
        with blaming(f"{owner}: cannot be registered:", passing=(PluginError,)):
            check_plugin(plugin, owner)
            self._manager.register(plugin, record.name)
        try:
            built_in = record.status is PluginStatus.BUILT_IN
            items = [
                item._replace(plugin=record.name, version=record.version, is_built_in=built_in)
                for hook in POINTS
                for item in self._call_hook(hook, plugin, owner, is_tried=not built_in)
            ]
            self._refuse_clashes(items)
        except BaseException:
            self._manager.unregister(plugin)
            raise
        self._items += items
        provides = tuple(f"{POINTS[item.hook].kind} '{item.key}'" for item in items)
        hooks = tuple(dict.fromkeys(item.hook for item in items))
        self._records.append(replace(record, provides=provides, hooks=hooks))
        taken_ms = 1e3 * (time.perf_counter() - started_s)
        _LOG.debug("%s registered in %.1f ms: %s", owner, taken_ms, ", ".join(provides))

    def holds(self, plugin: object, name: str) -> bool:
        """Return whether this very object is registered under this name."""
        return self._manager.get_plugin(name) is plugin

    def forget(self, name: str) -> None:
        """Remove a loaded plug-in."""
        removable = [r.name for r in self._records if r.status is PluginStatus.LOADED]
        if name not in removable:
            raise InputError(
                "This plug-in cannot be forgotten:",
                [Fault("not a loaded plug-in", suggest(name, removable), value=name)],
            )
        record = next(r for r in self._records if r.name == name and r.takes_part)
        self._manager.unregister(name=name)
        self._items = [item for item in self._items if item.owner != _owner(record)]
        self._records.remove(record)

    def scan(self) -> None:
        """Load the installed plug-ins once; warn of failures, or raise them in strict mode."""
        first = not self._scanned
        if first:
            # In an order that does not depend on hashes or the file system.
            points = sorted(
                metadata.entry_points(group=ENTRY_POINT_GROUP),
                key=lambda point: (_origin(point)[0], point.name, point.value),
            )
            disabled = _disabled_names()
            for entry_point in points:
                if entry_point not in self._loaded:
                    self._load(entry_point, disabled)
                    self._loaded.append(entry_point)
            # Not before: a scan that Ctrl-C ended goes on at the next call.
            self._scanned = True
            _warn_of_unknown(disabled, points)
        failed = [r for r in self._records if r.status is PluginStatus.FAILED]
        if not failed:
            return
        text = "These installed plug-ins are left out:\n" + "\n".join(
            f"  - {record.error}" for record in failed
        )
        if os.environ.get(STRICT_VARIABLE, "0") not in ("", "0"):
            raise PluginError(f"{text}\n({STRICT_VARIABLE} is set)")
        if first:
            warnings.warn(
                f"{text}\nFix: update or uninstall them; plugins() has the tracebacks",
                PluginWarning,
                stacklevel=4,
            )

    def _load(self, entry_point: metadata.EntryPoint, disabled: frozenset[str]) -> None:
        """Load one entry point; a failure becomes a record."""
        distribution, version = _origin(entry_point)
        record = PluginRecord(entry_point.name, distribution, version, PluginStatus.LOADED)
        if not disabled.isdisjoint((entry_point.name, distribution)):
            text = f"{_owner(record)}: disabled by {DISABLE_VARIABLE}"
            _LOG.debug("%s", text)
            self._records.append(replace(record, status=PluginStatus.DISABLED, error=text))
            return
        try:
            with blaming(f"{_owner(record)}: its import"):
                plugin = entry_point.load()
            self.add(plugin, record)
        except PluginError as error:
            text, where = str(error), "".join(traceback.format_exception(error))
            _LOG.debug("%s failed: %s", _owner(record), text)
            self._records.append(
                replace(record, status=PluginStatus.FAILED, error=text, traceback=where)
            )

    def _call_hook(
        self, hook: str, plugin: object, owner: str, *, is_tried: bool
    ) -> Iterator[PluginItem]:
        """Call one plug-in's hook and check its items; to try the built-ins would load them."""
        point = POINTS[hook]
        callers = getattr(self._manager.hook, hook).get_hookimpls()
        for implementation in (caller for caller in callers if caller.plugin is plugin):
            with blaming(f"{owner}: its hook {hook}"):
                values = implementation.function()
            if not isinstance(values, list | tuple):
                raise PluginError(
                    f"{owner}: its hook {hook} returned a value of type {type(values).__name__}. "
                    f"Fix: return a list of {point.kind}s"
                )
            for value in values:
                key = checked_key(value, hook, owner) if is_tried else getattr(value, point.key)
                yield PluginItem(hook, key, value, owner)

    def _refuse_clashes(self, items: list[PluginItem]) -> None:
        """Raise where a name is in use, naming both plug-ins."""
        owners = {(item.hook, item.key): item.owner for item in self._items}
        for item in items:
            other = owners.get((item.hook, item.key))
            if other is not None:
                raise PluginError(
                    f"{item.owner}: returns the {POINTS[item.hook].kind} '{item.key}', "
                    f"which {other} returns already (hook {item.hook}). "
                    "Fix: rename one of the two, or uninstall or forget one plug-in"
                )
            owners[item.hook, item.key] = item.owner


def _origin(entry_point: metadata.EntryPoint) -> tuple[str, str]:
    """Return the distribution's name and version, '?' where its metadata is damaged."""
    about = getattr(entry_point.dist, "metadata", None) or {}
    return str(about.get("Name") or "?"), str(about.get("Version") or "?")


def _disabled_names() -> frozenset[str]:
    """Return the names that the environment disables."""
    names = os.environ.get(DISABLE_VARIABLE, "").split(",")
    return frozenset(name.strip() for name in names if name.strip())


def _warn_of_unknown(disabled: frozenset[str], points: list[metadata.EntryPoint]) -> None:
    """Warn of a name to be disabled that no installed plug-in has."""
    known = sorted({name for point in points for name in (point.name, _origin(point)[0])})
    if unknown := sorted(disabled - set(known)):
        warnings.warn(
            f"{DISABLE_VARIABLE} names no installed plug-in: {', '.join(unknown)}. "
            f"Fix: {suggest(unknown[0], known)}",
            PluginWarning,
            stacklevel=5,
        )


def _own_version() -> str:
    """Return the library's version, or '?' when it is not installed."""
    try:
        return metadata.version(PROJECT)
    except metadata.PackageNotFoundError:
        return "?"


def _owner(record: PluginRecord) -> str:
    """Return the name of a plug-in for messages."""
    source = " ".join(text for text in (record.distribution, record.version) if text)
    return f"plug-in '{record.name}'{f' ({source})' if source else ''}"
