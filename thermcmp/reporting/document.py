"""One self-contained HTML file that holds a whole report."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from thermcmp._files import write_whole
from thermcmp.errors import EngineError, Fault, InputError
from thermcmp.inference.posterior import Fit
from thermcmp.questions.answer import Answer
from thermcmp.questions.attribution.question import attribute
from thermcmp.questions.several_sensors.question import attribute_sensors
from thermcmp.reporting.default_answers import default_questions
from thermcmp.reporting.fit_names import fit_names

if TYPE_CHECKING:
    from thermcmp.model.conditions import Build
    from thermcmp.reporting.page import Page
    from thermcmp.telemetry.campaign.folder import Reduced

#: More sentences than this are folded away.
_MOST_SENTENCES: Final = 8
#: Zero-width signs, marks of writing direction (Unicode Standard Annex 9), and controls.
_HIDDEN: Final = re.compile(
    "[\\u200b\\u200e\\u200f\\u202a-\\u202e\\u2060-\\u2064\\u2066-\\u2069\\ufeff\\u061c"
    "\\x00-\\x08\\x0b\\x0c\\x0e-\\x1f\\x7f-\\x9f\\ud800-\\udfff]"
)


def report(  # noqa: PLR0913 - the public face; all but two are keyword-only
    questions: Answer | Fit | Iterable[Answer] | Iterable[Fit] | Mapping[str, Fit],
    path: str | os.PathLike[str],
    *,
    fit: Fit | None = None,
    fix: tuple[Build | str, Build | str] | None = None,
    title: str | None = None,
    dated: date | str | None = None,
    allow_bad_health: bool = False,
    reduced: Reduced | None = None,
    remarks: Sequence[str] = (),
) -> Path:
    """Write answers as one HTML file that needs nothing else to be read.

    It begins with the result in one sentence, one figure and what to look at; a summary of
    two printed pages follows, and an appendix with all tables. Figures are part of the
    file, nothing is fetched, and the same input gives the same bytes. The file appears
    whole or not at all.

    Parameters
    ----------
    questions : Answer, Fit, iterable of one of them, or mapping of sensor to Fit
        What to report, in this order; a fit answers the usual questions.
    path : path-like
        File to write; missing folders are made, an old file is replaced.
    fit : Fit, optional
        Fit to be named first in the sections about health, trust and data, and passed
        to plug-ins' sections. The fits that the answers rest on follow by themselves.
    fix : tuple of (Build or str), optional
        Old and new build, where fits are reported: the fix is attributed. Of several fits
        of the same results, one per sensor, the sensors are set beside each other.
    title : str, optional
        Heading of the page.
    dated : datetime.date or str, optional
        Date to print; none by default, so that the bytes depend on the input alone.
    allow_bad_health : bool
        Report although the fit failed its health check; the page then states it.
    reduced : Reduced, optional
        Result of `reduce_logs`: its refused runs and cautions are listed.
    remarks : sequence of str
        Remarks of your own, one paragraph each, for the summary.

    Returns
    -------
    pathlib.Path
        The file written.

    Raises
    ------
    InputError
        If there is nothing to report, an item is not an answer, or the path is a folder or
        ends in what is not an HTML file.
    EngineError
        If a fit failed its health check and `allow_bad_health` is not set.
    """
    from thermcmp.reporting.page import make_page

    target = Path(path)
    listed = questions.values() if isinstance(questions, Mapping) else questions
    items = tuple(listed) if isinstance(listed, Iterable) else (listed,)
    if not allow_bad_health:
        # One refusal for all, before a question makes its own.
        _refuse_bad(_bad_names(_as_fits(items)))
    answers = _as_answers(items, fix, allow_bad_health)
    if target.is_dir():
        raise InputError(
            "The report cannot be written:",
            [Fault("the path is a folder", "name a file in it", file=str(target))],
        )
    _refuse_other_kinds(target)
    named = (fit,) if fit is not None else _as_fits(items)
    every = (*named, *(used for answer in answers for used in answer.fits))
    fits = tuple({id(item): item for item in every}.values())
    bad = _bad_names(fits)
    if not allow_bad_health:
        _refuse_bad(bad)
    sensors = ", ".join(dict.fromkeys(str(item.sensor) for item in fits))
    usual = f"Cooling comparison: {sensors}" if sensors else "Cooling comparison"
    page = make_page(
        answers,
        fits,
        title=title or usual,
        dated="" if dated is None else str(dated),
        bad_health_allowed=bool(bad),
        reduced=reduced,
        remarks=remarks,
    )
    content = _set_in_html(page).encode("utf-8")
    target.parent.mkdir(parents=True, exist_ok=True)
    write_whole(target, content)
    return target


def _refuse_other_kinds(target: Path) -> None:
    """Refuse an ending that promises another kind of file: a page named x.pdf opens nowhere."""
    if target.suffix.lower() in ("", ".html", ".htm", ".xhtml"):
        return
    fix = "end it in .html"
    if target.suffix.lower() == ".pdf":
        fix += "; a browser prints that page to PDF, its summary on the first two sheets"
    raise InputError(
        "The report cannot be written:",
        [Fault(f"a report is a page, not a {target.suffix} file", fix, file=str(target))],
    )


def _as_fits(items: tuple[Any, ...]) -> tuple[Fit, ...]:
    return tuple(item for item in items if isinstance(item, Fit))


def _as_answers(
    items: tuple[Any, ...], fix: tuple[Build | str, Build | str] | None, allow_bad_health: bool
) -> tuple[Answer, ...]:
    """Return the answers of a fix, those passed, and those of the fits' usual questions."""
    answers: list[Answer] = []
    faults = []
    for place, item in enumerate(items):
        if isinstance(item, Fit):
            answers += default_questions(item, allow_bad_health=allow_bad_health)
        elif isinstance(item, Answer):
            answers.append(item)
        else:
            faults.append(
                Fault(
                    f"item {place} is a {type(item).__name__}, not an answer",
                    "give answers of separate, attribute, rank, margin …, or fits",
                )
            )
    if not items:
        faults.append(Fault("nothing to report", "give at least one answer"))
    fits = _as_fits(items)
    if fix is not None and not fits:
        faults.append(Fault("a fix without a fit", "give the fits, or leave fix out"))
    if faults:
        raise InputError("The report cannot be written:", faults)
    if fix is None:
        return tuple(answers)
    if len(fits) == 1:
        return (attribute(fits[0], *fix, allow_bad_health=allow_bad_health), *answers)
    together = attribute_sensors(fits, *fix, allow_bad_health=allow_bad_health)
    return (together, *together.answers.values(), *answers)


def _bad_names(fits: tuple[Fit, ...]) -> list[str]:
    return [n for n, fit in zip(fit_names(fits), fits, strict=True) if str(fit.health) == "bad"]


def _refuse_bad(names: list[str]) -> None:
    if names:
        raise EngineError(
            f"Not reported, because the health check failed: {', '.join(names)}. Fix: fit again "
            "with more draws= and see fit.diagnostics, or pass allow_bad_health=True, which the "
            "page will then state (--draws, --allow-bad-health)."
        )


def _set_in_html(page: Page) -> str:
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("thermcmp.reporting", "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        finalize=_seen,
    )
    return environment.get_template("page.html.j2").render(page=page, most=_MOST_SENTENCES)


def _seen(value: Any) -> Any:
    """Return a text in which signs that turn or hide others are shown as their numbers."""
    if isinstance(value, str) and not hasattr(value, "__html__"):
        return _HIDDEN.sub(lambda sign: f"[U+{ord(sign.group()):04X}]", value)
    return value
