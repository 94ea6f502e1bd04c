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
from typing import TYPE_CHECKING, Any, Protocol

import pluggy

from thermcmp._plugin_checks import API_VERSION, POINTS, PROJECT, choose
from thermcmp._plugin_registry import (
    Given,
    PluginRecord,
    PluginStatus,
    PluginWarning,
    Registry,
)
from thermcmp.errors import Fault, InputError, PluginError

if TYPE_CHECKING:
    from thermcmp.physics.airflow import AirflowLaw
    from thermcmp.questions.answer import Answer
    from thermcmp.telemetry.readers import TelemetryReader

__all__ = [
    "API_VERSION",
    "Hooks",
    "Named",
    "PluginRecord",
    "PluginStatus",
    "PluginWarning",
    "Question",
    "Section",
    "airflow_law",
    "airflow_laws",
    "ask_questions",
    "effect_terms",
    "forget_plugin",
    "hookimpl",
    "hookspec",
    "plugins",
    "questions",
    "report_sections",
    "telemetry_readers",
    "use_plugin",
]

hookspec = pluggy.HookspecMarker(PROJECT)
hookimpl = pluggy.HookimplMarker(PROJECT)


class Named(Protocol):
    """Anything with a name, as effect terms are.

    Attributes
    ----------
    name : str
        The name, unique among its kind.
    """

    @property
    def name(self) -> str: ...  # noqa: D102


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
    ask: Callable[[Any], Answer]


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
    render: Callable[[Any, Sequence[Answer]], str]


class Hooks(Protocol):
    """The hooks; a plug-in has functions of these names, marked `hookimpl`."""

    @hookspec
    def thermcmp_readers(self) -> list[TelemetryReader]:
        """Give readers of log files."""

    @hookspec
    def thermcmp_airflow_laws(self) -> list[AirflowLaw]:
        """Give airflow laws."""

    @hookspec
    def thermcmp_terms(self) -> list[Named]:
        """Give effect terms, each with its prior."""

    @hookspec
    def thermcmp_questions(self) -> list[Question]:
        """Give questions."""

    @hookspec
    def thermcmp_report_sections(self) -> list[Section]:
        """Give report sections."""


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
    """Give a record per plug-in: built-in, loaded, and failed with its reason.

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


def telemetry_readers() -> tuple[TelemetryReader, ...]:
    """Give all readers of log files, built-ins first.

    Returns
    -------
    tuple of TelemetryReader
        In order of registration.

    Raises
    ------
    PluginError
        If an installed plug-in fails and ``THERMCMP_STRICT_PLUGINS`` is set.
    """
    return tuple(one.item for one in _scanned_registry().given("thermcmp_readers"))


def airflow_laws() -> tuple[AirflowLaw, ...]:
    """Give all airflow laws, built-ins first.

    Returns
    -------
    tuple of AirflowLaw
        In order of registration.

    Raises
    ------
    PluginError
        If an installed plug-in fails and ``THERMCMP_STRICT_PLUGINS`` is set.
    """
    return tuple(one.item for one in _scanned_registry().given("thermcmp_airflow_laws"))


def airflow_law(name: str) -> AirflowLaw:
    """Give the airflow law of a name.

    Parameters
    ----------
    name : str
        Such as ``"power law"``. A built-in is found without loading plug-ins.

    Returns
    -------
    AirflowLaw
        The law.

    Raises
    ------
    InputError
        If there is none; the message has the nearest name and all names.
    PluginError
        If an installed plug-in fails and ``THERMCMP_STRICT_PLUGINS`` is set.
    """
    hook = "thermcmp_airflow_laws"
    found = _registry().find(hook, name) or _scanned_registry().find(hook, name)
    if found is None:
        names = [law.name for law in airflow_laws()]
        raise InputError(
            "There is no such airflow law:",
            [Fault("unknown airflow law", choose(name, names), value=name)],
        )
    return found.item


def effect_terms() -> tuple[Named, ...]:
    """Give all effect terms, built-ins first.

    Returns
    -------
    tuple of effect terms
        In order of registration.

    Raises
    ------
    PluginError
        If an installed plug-in fails and ``THERMCMP_STRICT_PLUGINS`` is set.
    """
    return tuple(one.item for one in _scanned_registry().given("thermcmp_terms"))


def questions() -> tuple[Question, ...]:
    """Give all questions of plug-ins; one that raises names its plug-in.

    Returns
    -------
    tuple of Question
        In order of registration. Their ``ask`` raises `PluginError` from
        whatever the plug-in raised.

    Raises
    ------
    PluginError
        If an installed plug-in fails and ``THERMCMP_STRICT_PLUGINS`` is set.
    """
    from thermcmp.questions.answer import Answer

    return tuple(
        Question(one.key, _guarded(one, one.item.ask, Answer))
        for one in _scanned_registry().given("thermcmp_questions")
    )


def report_sections() -> tuple[Section, ...]:
    """Give all report sections of plug-ins; one that raises names its plug-in.

    Returns
    -------
    tuple of Section
        In order of registration. Their ``render`` raises `PluginError` from
        whatever the plug-in raised.

    Raises
    ------
    PluginError
        If an installed plug-in fails and ``THERMCMP_STRICT_PLUGINS`` is set.
    """
    return tuple(
        Section(one.key, _guarded(one, one.item.render, str))
        for one in _scanned_registry().given("thermcmp_report_sections")
    )


def ask_questions(fit: Any) -> tuple[Answer, ...]:
    """Ask every question of the plug-ins; one that fails is warned of and left out.

    Parameters
    ----------
    fit : Fit
        What the questions are asked of.

    Returns
    -------
    tuple of Answer
        In order of registration.
    """
    return tuple(_surviving([functools.partial(one.ask, fit) for one in questions()]))


@functools.cache
def _registry() -> Registry:
    """Give the one registry of this process, made on first use."""
    return Registry(Hooks)


def _scanned_registry() -> Registry:
    """Give the registry with the installed plug-ins loaded."""
    registry = _registry()
    registry.scan()
    return registry


def _surviving(calls: Sequence[Callable[[], Any]]) -> list[Any]:
    """Call each; turn a plug-in's failure into a warning, given after all are done."""
    results, failures = [], []
    for call in calls:
        try:
            results.append(call())
        except PluginError as error:
            failures.append(str(error))
    if failures:
        warnings.warn("Left out:\n" + "\n".join(failures), PluginWarning, stacklevel=3)
    return results


def _guarded(one: Given, call: Callable[..., Any], kind: type) -> Callable[..., Any]:
    """Wrap a plug-in's callable so that what goes wrong in it names the plug-in."""
    where = f"{one.owner}: its {POINTS[one.hook].what} '{one.key}'"

    def guarded(*arguments: Any) -> Any:
        try:
            result = call(*arguments)
        except Exception as error:
            raise PluginError(f"{where} raised {type(error).__name__}: {error}") from error
        if not isinstance(result, kind):
            raise PluginError(
                f"{where} gave a value of type {type(result).__name__}. "
                f"Mend: return a value of type {kind.__name__}"
            )
        return result

    return guarded
