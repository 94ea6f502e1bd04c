"""One self-contained HTML file that holds a whole report."""

from __future__ import annotations

import os
import uuid
from collections.abc import Iterable, Mapping
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

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


def report(
    questions: Answer | Fit | Iterable[Answer] | Iterable[Fit] | Mapping[str, Fit],
    path: str | os.PathLike[str],
    *,
    fit: Fit | None = None,
    fix: tuple[Build | str, Build | str] | None = None,
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
    questions : Answer, Fit, iterable of one of them, or mapping of sensor to Fit
        What to report, in this order; of a fit its usual questions are asked.
    path : path-like
        File to write; missing folders are made, an old file is replaced.
    fit : Fit, optional
        Fit to be named first in the sections about health, trust and data, and to give
        to plug-ins' sections. The fits that the answers rest on follow by themselves.
    fix : tuple of (Build or str), optional
        Old and new build, where fits are reported: the fix is attributed, and of several
        fits of the same results, one per sensor, the sensors are set beside each other.
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
    from thermcmp.reporting.page import make_page
    from thermcmp.reporting.plugin_sections import report_sections

    target = Path(path)
    asked = _listed(questions)
    if not allow_bad_health:
        # Before any question refuses them in words of its own.
        _refuse_bad(_bad_names((), _as_fits(asked)))
    answers = _as_answers(asked, fix, allow_bad_health)
    if target.is_dir():
        raise InputError(
            "The report cannot be written:",
            [Fault("the path is a folder", "name a file in it", file=str(target))],
        )
    fits = _fits_behind(answers, (fit,) if fit is not None else _as_fits(asked))
    bad = _bad_names(answers, fits)
    if not allow_bad_health:
        _refuse_bad(bad)
    page = make_page(
        answers,
        fits,
        report_sections(),
        title=title or _title(fits),
        dated="" if dated is None else str(dated),
        bad_health_allowed=bool(bad),
        reduced=reduced,
    )
    _write_whole(target, _set_in_html(page).encode("utf-8"))
    return target


def _listed(questions: Any) -> tuple[Any, ...]:
    """What is asked for, as a tuple; of a mapping its values."""
    if isinstance(questions, Mapping):
        return tuple(questions.values())
    return tuple(questions) if isinstance(questions, Iterable) else (questions,)


def _as_fits(asked: tuple[Any, ...]) -> tuple[Fit, ...]:
    """Return the fits among what was asked for."""
    return tuple(one for one in asked if isinstance(one, Fit))


def _as_answers(
    asked: tuple[Any, ...], fix: tuple[Build | str, Build | str] | None, allow_bad_health: bool
) -> tuple[Answer, ...]:
    """The answers asked for, and those to the usual questions of the fits."""
    answers: list[Answer] = []
    faults = []
    for place, one in enumerate(asked):
        if isinstance(one, Fit):
            answers += default_questions(one, allow_bad_health=allow_bad_health)
        elif isinstance(one, Answer):
            answers.append(one)
        else:
            faults.append(
                Fault(
                    f"item {place} is no answer but a {type(one).__name__}",
                    "give answers of separate, attribute, rank, margin …, or fits",
                )
            )
    if not asked:
        faults.append(Fault("nothing to report", "give at least one answer"))
    fits = _as_fits(asked)
    if fix is not None and not fits:
        faults.append(Fault("a fix is given, but no fit", "give the fits, or leave fix out"))
    if faults:
        raise InputError("The report cannot be written:", faults)
    return (*_of_fix(fits, fix, allow_bad_health), *answers)


def _of_fix(
    fits: tuple[Fit, ...], fix: tuple[Build | str, Build | str] | None, allow_bad_health: bool
) -> tuple[Answer, ...]:
    """The sensors beside each other where there are several, then each one's attribution."""
    if fix is None:
        return ()
    if len(fits) == 1:
        return (attribute(fits[0], *fix, allow_bad_health=allow_bad_health),)
    together = attribute_sensors(fits, *fix, allow_bad_health=allow_bad_health)
    return (together, *together.details["answers"].values())


def _fits_behind(answers: Iterable[Answer], given: tuple[Fit, ...]) -> tuple[Fit, ...]:
    """Return the given fits and those that the answers rest on, each once."""
    found = {id(fit): fit for fit in given}
    for answer in answers:
        found |= {id(fit): fit for fit in answer.fits}
    return tuple(found.values())


def _bad_names(answers: Iterable[Answer], fits: Iterable[Fit]) -> list[str]:
    fits = tuple(fits)
    named = zip(fit_names(fits), fits, strict=True)
    bad = [name for name, fit in named if str(fit.health) == "bad"]
    return bad + [a.title for a in answers if str(getattr(a, "health", "")) == "bad"]


def _refuse_bad(names: list[str]) -> None:
    if names:
        raise EngineError(
            f"Not reported, because the health check failed: {', '.join(names)}. Fix: fit again "
            "with more draws= and see fit.diagnostics, or pass allow_bad_health=True, which the "
            "page will then say (--draws, --allow-bad-health)."
        )


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
