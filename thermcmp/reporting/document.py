"""One self-contained HTML file that holds a whole report."""

from __future__ import annotations

import os
import uuid
from collections.abc import Iterable
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from thermcmp.errors import EngineError, Fault, InputError
from thermcmp.inference.posterior import Fit
from thermcmp.questions.answer import Answer

if TYPE_CHECKING:
    from thermcmp.reporting.page import Page
    from thermcmp.telemetry.logs import Reduced

#: More sentences than this are folded away.
_MOST_SENTENCES: Final = 8


def report(
    questions: Answer | Iterable[Answer] | Fit,
    path: str | os.PathLike[str],
    *,
    fit: Fit | None = None,
    title: str | None = None,
    dated: date | str | None = None,
    allow_bad_health: bool = False,
    reduced: Reduced | None = None,
) -> Path:
    """Write answers as one HTML file that needs nothing else to be read.

    Figures are part of the file, nothing is fetched, and the same input gives the
    same bytes. The file appears whole or not at all.

    Parameters
    ----------
    questions : Answer, iterable of Answer, or Fit
        What to report, in this order; of a fit its usual questions are asked.
    path : path-like
        File to write; missing folders are made, an old file is replaced.
    fit : Fit, optional
        Fit behind the answers, for the sections about health and data; by default
        the fits that the answers know, in ``details["fit"]``.
    title : str, optional
        Heading of the page.
    dated : datetime.date or str, optional
        Date to print; none by default, so that the bytes depend on the input alone.
    allow_bad_health : bool
        Report although the fit failed its health check; the page then says so.
    reduced : Reduced, optional
        What `reduce_logs` gave: its refused runs and cautions are listed.

    Returns
    -------
    pathlib.Path
        The file written.

    Raises
    ------
    InputError
        If there is nothing to report, something is no answer, or the path is a folder.
    EngineError
        If a fit failed its health check and `allow_bad_health` is not set.
    """
    from thermcmp import hooks
    from thermcmp.reporting.page import make_page

    target = Path(path)
    answers = _as_answers(questions, allow_bad_health)
    if target.is_dir():
        raise InputError(
            "The report cannot be written:",
            [Fault("the path is a folder", "name a file in it", file=str(target))],
        )
    fits = _fits_behind(answers, fit if fit is not None else _as_fit(questions))
    bad = _bad_names(answers, fits)
    if bad and not allow_bad_health:
        raise EngineError(
            f"Not reported, because the health check failed: {', '.join(bad)}. Mend what the "
            "diagnostics name, or set allow_bad_health=True, which the page will then say."
        )
    page = make_page(
        answers,
        fits,
        hooks.report_sections(),
        title=title or _title(fits),
        dated="" if dated is None else str(dated),
        bad_health_allowed=bool(bad),
        reduced=reduced,
    )
    _write_whole(target, _set_in_html(page).encode("utf-8"))
    return target


def _as_fit(questions: Any) -> Fit | None:
    """Give the fit itself if the question is one, else None."""
    return questions if isinstance(questions, Fit) else None


def _as_answers(questions: Any, allow_bad_health: bool) -> tuple[Answer, ...]:
    if isinstance(questions, Answer):
        return (questions,)
    if isinstance(questions, Fit):
        from thermcmp.questions.defaults import default_questions

        return tuple(default_questions(questions, allow_bad_health=allow_bad_health))
    faults = []
    answers = tuple(questions) if isinstance(questions, Iterable) else (questions,)
    for place, answer in enumerate(answers):
        if not isinstance(answer, Answer):
            faults.append(
                Fault(
                    f"item {place} is no answer but a {type(answer).__name__}",
                    "give answers of separate, attribute, rank, margin …, or one fit",
                )
            )
    if not answers:
        faults.append(Fault("nothing to report", "give at least one answer"))
    if faults:
        raise InputError("The report cannot be written:", faults)
    return answers


def _fits_behind(answers: Iterable[Answer], given: Fit | None) -> tuple[Fit, ...]:
    """Give the fits behind the answers, each once, the given one first."""
    fits = [] if given is None else [given]
    for answer in answers:
        known = answer.details.get("fit")
        if known is not None and all(known is not fit for fit in fits):
            fits.append(known)
    return tuple(fits)


def _bad_names(answers: Iterable[Answer], fits: Iterable[Fit]) -> list[str]:
    names = [f"fit of {fit.sensor}" for fit in fits if str(fit.health) == "bad"]
    return names + [a.title for a in answers if str(a.details.get("health", "")) == "bad"]


def _title(fits: tuple[Fit, ...]) -> str:
    sensors = ", ".join(dict.fromkeys(str(fit.sensor) for fit in fits))
    return f"Cooling comparison: {sensors}" if sensors else "Cooling comparison"


def _set_in_html(page: Page) -> str:
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("thermcmp.reporting", "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    return environment.get_template("page.html.j2").render(page=page, most=_MOST_SENTENCES)


def _write_whole(target: Path, content: bytes) -> None:
    """Write beside the target, then rename: a reader sees the old file or the new one."""
    target.parent.mkdir(parents=True, exist_ok=True)
    beside = target.with_name(f".{target.name}.{uuid.uuid4().hex}")
    try:
        with beside.open("xb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(target)
    finally:
        beside.unlink(missing_ok=True)
