"""Questions by name: built-in ones, and those of plug-ins."""

from __future__ import annotations

import functools
import inspect
import types
import typing
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from importlib import import_module
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from thermcmp.errors import Fault, InputError, ThermcmpError, suggest
from thermcmp.hooks import (
    PluginItem,
    Question,
    find_provided,
    guarded,
    hookimpl,
    provided,
    surviving,
)
from thermcmp.questions.answer import Answer
from thermcmp.tabular.words import FLAG_WORDS

if TYPE_CHECKING:
    from collections.abc import Callable

    from thermcmp.inference.posterior import Fit

_HOOK: Final = "thermcmp_questions"
_ASKED: Final = "This question cannot be asked:"
#: The library's own questions of one fit, and the folders that they are in.
_OWN: Final = {
    "separate": "separation",
    "attribute": "attribution",
    "chain": "build_chain",
    "rank": "ranking",
    "predict": "build_prediction",
    "margin": "limit_margin",
    "compare_models": "model_comparison",
}
#: Types of options that are checked.
_CHECKED: Final = (bool, int, float, str)


class _Own:
    """A question of the library, loaded when it is asked."""

    def __init__(self, name: str) -> None:
        self._name = name

    @property
    def __wrapped__(self) -> Callable[..., Any]:
        module = import_module(f"thermcmp.questions.{_OWN[self._name]}.question")
        asked: Callable[..., Any] = getattr(module, self._name)
        return asked

    def __call__(self, fit: Fit, **options: Any) -> Any:
        return self.__wrapped__(fit, **options)


@hookimpl
def thermcmp_questions() -> list[Question]:
    """Register the built-in questions."""
    return [Question(name, _Own(name), in_report=False) for name in _OWN]


#: What a type is called to a user.
_SPOKEN: Final = {float: "number", int: "whole number", str: "word", bool: "yes or no"}


def faults_of_questions(question: Question) -> list[Fault]:
    """Return what is wrong with the parameters of a plug-in's question."""
    if not callable(question.ask):
        return [Fault("not a function", "make it ask(fit, **options)", column="ask")]
    signature = inspect.signature(question.ask)
    try:
        (signature.bind if question.in_report else signature.bind_partial)(None)
    except TypeError:
        fix = "take the fit first, and give options defaults or set in_report=False"
        return [Fault("cannot be asked of a fit alone", fix, column="ask")]
    return []


def ask(fit: Fit, name: str, /, **options: Any) -> Answer:
    """Ask a question by its name: a built-in one, or one of a plug-in.

    Parameters
    ----------
    fit : Fit
        The fit.
    name : str
        Such as ``"rank"``, or the name of a plug-in's question.
    **options
        What the question takes beside the fit.

    Returns
    -------
    Answer
        The question's answer.

    Raises
    ------
    InputError
        If there is no such question, or an option is unknown, missing or of another type.
    PluginError
        If a plug-in's question fails.
    """
    if not isinstance(name, str):
        fix = "give the fit first: ask(fit, 'rank')"
        raise InputError(_ASKED, [Fault("the question's name is no text", fix, column="name")])
    entry = find_provided(_HOOK, name)
    if entry is None:
        fix = suggest(name, [each.key for each in provided(_HOOK)])
        raise InputError(_ASKED, [Fault("no such question", fix, value=str(name))])
    asked: Callable[..., Any] = entry.item.ask
    if faults := _option_faults(asked, options):
        raise InputError(_ASKED, faults)
    call = asked if entry.is_built_in else _asked_safely(entry, (ThermcmpError,))
    answer: Answer = call(fit, **options)
    return answer


def _options(asked: Callable[..., Any]) -> dict[str, inspect.Parameter]:
    """Return the parameters after the fit."""
    return dict(list(inspect.signature(asked).parameters.items())[1:])


def _option_faults(asked: Callable[..., Any], options: Mapping[str, Any]) -> list[Fault]:
    """Return unknown, missing and wrong options."""
    known = _options(asked)
    if any(each.kind is each.VAR_KEYWORD for each in known.values()):
        return []
    faults = [
        Fault("no such option", suggest(name, list(known)), column=name)
        for name in options
        if name not in known
    ]
    faults += [
        Fault("missing", "state it", column=name)
        for name, each in known.items()
        if each.default is each.empty and each.kind is not each.VAR_POSITIONAL
        if name not in options
    ]
    for name, value in options.items():
        allowed = _plain_types(_hint(asked, name))
        if allowed and not _is_one_of(value, allowed):
            kinds = [kind for kind in allowed if kind is not type(None)]
            words = " or ".join(_SPOKEN.get(kind, getattr(kind, "__name__", "")) for kind in kinds)
            faults.append(Fault(f"not a {words}", f"give a {words}", column=name, value=str(value)))
    return faults


def typed_options(name: str, texts: Mapping[str, str]) -> dict[str, Any]:
    """Return options that were written as texts, as numbers where the question takes numbers."""
    entry = find_provided(_HOOK, name)
    typed: dict[str, Any] = dict(texts)
    for option, text in texts.items():
        allowed = () if entry is None else _plain_types(_hint(entry.item.ask, option))
        if bool in allowed and text.lower() in FLAG_WORDS:
            typed[option] = bool(FLAG_WORDS[text.lower()])
        for kind in (int, float):
            # What is not a number stays a text, of which the question complains.
            with suppress(ValueError):
                typed[option] = kind(text) if kind in allowed else typed[option]
    return typed


def _hint(asked: Callable[..., Any], name: str) -> Any:
    """Return an option's annotation; None where it has names that only type checkers see."""
    function = inspect.unwrap(asked)
    known = inspect.signature(function).parameters
    written = known[name].annotation if name in known else None
    if not isinstance(written, str):
        return written
    try:
        return eval(written, getattr(function, "__globals__", {}))
    except (NameError, TypeError, AttributeError):
        return None


def _plain_types(hint: Any) -> tuple[Any, ...]:
    """Return the plain types and literals of an annotation; empty where there are others."""
    parts = typing.get_args(hint) if _is_union(hint) else (hint,)
    found: list[Any] = []
    for part in parts:
        if typing.get_origin(part) is typing.Literal:
            found += typing.get_args(part)
        elif part in (*_CHECKED, type(None)):
            found.append(part)
        else:
            return ()
    return tuple(found)


def _is_union(hint: Any) -> bool:
    return typing.get_origin(hint) in (typing.Union, types.UnionType)


def _is_one_of(value: Any, allowed: Sequence[Any]) -> bool:
    """Whether a value is one of the literals or of one of the types; whole numbers are floats."""
    for kind in allowed:
        if not isinstance(kind, type):
            if value == kind:
                return True
        elif kind in (int, float):
            number = np.integer if kind is int else (np.integer, np.floating)
            if isinstance(value, (int, kind, number)) and not isinstance(value, bool):
                return True
        elif isinstance(value, kind):
            return True
    return False


def ask_questions(fit: Fit) -> tuple[Answer, ...]:
    """Answer every question of the plug-ins for a report; one that fails is left out, warned of."""
    calls = [
        functools.partial(_asked_safely(entry), fit)
        for entry in provided(_HOOK)
        if entry.item.in_report
    ]
    return tuple(surviving(calls))


def _asked_safely(
    entry: PluginItem, passing: tuple[type[Exception], ...] = ()
) -> Callable[..., Any]:
    """Return a plug-in's question whose failures name it, those of printing and drawing too."""

    def asked(fit: Fit, **options: Any) -> Any:
        from thermcmp.inference.posterior import unchanged

        with unchanged(fit):
            answer = entry.item.ask(fit, **options)
        if not isinstance(answer, Answer):
            return answer
        _ = str(answer), answer._repr_html_()
        return replace(answer, source=entry.source)

    return guarded(entry, asked, Answer, passing)
