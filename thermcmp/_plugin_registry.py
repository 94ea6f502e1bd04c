"""The registry behind the hooks: registration, installed plug-ins, failures."""

from __future__ import annotations

import os
import traceback
import warnings
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from enum import StrEnum
from importlib import import_module, metadata
from typing import Any, Final, NamedTuple

import pluggy

from thermcmp._plugin_checks import POINTS, PROJECT, check_plugin, checked_key
from thermcmp.errors import Fault, InputError, PluginError, ThermcmpWarning, suggest

ENTRY_POINT_GROUP: Final = "thermcmp"
STRICT_VARIABLE: Final = "THERMCMP_STRICT_PLUGINS"
_BUILT_INS: Final = (
    "thermcmp.physics.airflow",
    "thermcmp.model.terms",
    "thermcmp.telemetry.reading.readers",
)


class PluginWarning(ThermcmpWarning):
    """An installed plug-in is left out; the message says which, why and the cure."""


class PluginStatus(StrEnum):
    """What became of a plug-in."""

    BUILT_IN = "built-in"
    LOADED = "loaded"
    FAILED = "failed"


@dataclass(frozen=True, slots=True)
class PluginRecord:
    """One plug-in, loaded or failed.

    Attributes
    ----------
    name : str
        Name it is registered under.
    distribution, version : str
        Installed package it comes from; empty for `use_plugin`.
    status : PluginStatus
        What became of it.
    provides : tuple of str
        What it gives, such as ``airflow law 'power law'``.
    error : str
        Why it failed; empty if it did not.
    traceback : str
        Where it failed.
    """

    name: str
    distribution: str
    version: str
    status: PluginStatus
    provides: tuple[str, ...] = ()
    error: str = ""
    traceback: str = field(default="", repr=False)


class Given(NamedTuple):
    """One thing that a plug-in gives."""

    hook: str
    key: str
    item: Any
    owner: str


class Registry:
    """Plug-ins, what they give, and what became of those that failed."""

    def __init__(self, hooks: type) -> None:
        self._manager = pluggy.PluginManager(PROJECT)
        self._manager.add_hookspecs(hooks)
        self._given: list[Given] = []
        self._records: list[PluginRecord] = []
        self._scanned = False
        for module in _BUILT_INS:
            record = PluginRecord(module, PROJECT, _own_version(), PluginStatus.BUILT_IN)
            self.add(import_module(module), record)

    def records(self) -> tuple[PluginRecord, ...]:
        """Return a record per plug-in, in order of registration."""
        return tuple(self._records)

    def given(self, hook: str) -> tuple[Given, ...]:
        """Return what all plug-ins give to one hook, in order of registration."""
        return tuple(one for one in self._given if one.hook == hook)

    def find(self, hook: str, key: str) -> Given | None:
        """Return the one thing of a name, or None."""
        return next((one for one in self.given(hook) if one.key == key), None)

    def add(self, plugin: object, record: PluginRecord) -> None:
        """Register a plug-in wholly, or raise `PluginError` and leave no trace."""
        owner = _owner(record)
        other = next((r for r in self._records if r.name == record.name), None)
        if other is not None:
            raise PluginError(
                f"{owner}: the name is taken by {_owner(other)}, {other.status.value}. "
                f"Fix: give another name, or call forget_plugin('{record.name}') first"
            )
        check_plugin(plugin, owner)
        try:
            self._manager.register(plugin, record.name)
        except (ValueError, pluggy.PluginValidationError) as error:
            raise PluginError(f"{owner}: cannot be registered: {error}") from error
        try:
            given = [one for hook in POINTS for one in self._ask_hook(hook, plugin, owner)]
            self._refuse_clashes(given)
        except BaseException:
            self._manager.unregister(plugin)
            raise
        self._given += given
        provides = tuple(f"{POINTS[one.hook].what} '{one.key}'" for one in given)
        self._records.append(replace(record, provides=provides))

    def holds(self, plugin: object, name: str) -> bool:
        """Return whether this very object is registered under this name."""
        return self._manager.get_plugin(name) is plugin

    def forget(self, name: str) -> None:
        """Take a plug-in out again."""
        removable = [r.name for r in self._records if r.status is PluginStatus.LOADED]
        if name not in removable:
            raise InputError(
                "This plug-in cannot be forgotten:",
                [Fault("not a loaded plug-in", suggest(name, removable), value=name)],
            )
        gone = next(r for r in self._records if r.name == name)
        self._manager.unregister(name=name)
        self._given = [one for one in self._given if one.owner != _owner(gone)]
        self._records.remove(gone)

    def scan(self) -> None:
        """Load the installed plug-ins once; warn of, or in strict mode raise, failures."""
        first = not self._scanned
        self._scanned = True
        if first:
            for entry_point in _entry_points():
                self._load(entry_point)
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
                f"{text}\nMend: update or uninstall them; plugins() has the tracebacks",
                PluginWarning,
                stacklevel=4,
            )

    def _load(self, entry_point: metadata.EntryPoint) -> None:
        """Load one entry point; a failure becomes a record."""
        distribution, version = _origin(entry_point)
        record = PluginRecord(entry_point.name, distribution, version, PluginStatus.LOADED)
        # A package that calls sys.exit on import must not end the user's script.
        try:
            self.add(entry_point.load(), record)
        except (Exception, SystemExit) as error:
            text = str(error)
            if not isinstance(error, PluginError):
                text = f"{_owner(record)}: {type(error).__name__}: {error}"
            where = "".join(traceback.format_exception(error))
            self._records.append(
                replace(record, status=PluginStatus.FAILED, error=text, traceback=where)
            )

    def _ask_hook(self, hook: str, plugin: object, owner: str) -> Iterator[Given]:
        """Call one plug-in's hook and check what it gives."""
        point = POINTS[hook]
        callers = getattr(self._manager.hook, hook).get_hookimpls()
        for implementation in (one for one in callers if one.plugin is plugin):
            try:
                items = implementation.function()
            except Exception as error:
                raise PluginError(
                    f"{owner}: its hook {hook} raised {type(error).__name__}: {error}"
                ) from error
            if not isinstance(items, list | tuple):
                raise PluginError(
                    f"{owner}: its hook {hook} gave a value of type {type(items).__name__}. "
                    f"Fix: return a list, one {point.what} an item"
                )
            for item in items:
                yield Given(hook, checked_key(item, point, owner), item, owner)

    def _refuse_clashes(self, given: list[Given]) -> None:
        """Raise where a name is taken, naming both plug-ins."""
        taken = {(one.hook, one.key): one.owner for one in self._given}
        for one in given:
            other = taken.get((one.hook, one.key))
            if other is not None:
                raise PluginError(
                    f"{one.owner}: gives the {POINTS[one.hook].what} '{one.key}', "
                    f"which {other} gives already. "
                    "Fix: rename one of the two, or uninstall or forget one plug-in"
                )
            taken[one.hook, one.key] = one.owner


def _entry_points() -> list[metadata.EntryPoint]:
    """Return the group's entry points in an order that no hash or file system sets."""
    found = metadata.entry_points(group=ENTRY_POINT_GROUP)
    return sorted(found, key=lambda one: (_origin(one)[0], one.name, one.value))


def _origin(entry_point: metadata.EntryPoint) -> tuple[str, str]:
    """Return the distribution's name and version; damaged metadata gives '?'."""
    about = getattr(entry_point.dist, "metadata", None) or {}
    return str(about.get("Name") or "?"), str(about.get("Version") or "?")


def _own_version() -> str:
    """Return the library's version, or '?' when it runs from a bare source tree."""
    try:
        return metadata.version(PROJECT)
    except metadata.PackageNotFoundError:
        return "?"


def _owner(record: PluginRecord) -> str:
    """Name a plug-in in messages."""
    source = f" ({record.distribution} {record.version})" if record.distribution else ""
    return f"plug-in '{record.name}'{source}"
