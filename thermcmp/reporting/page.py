"""The parts of a page before it is set in HTML."""

from __future__ import annotations

import base64
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

import pandas as pd

from thermcmp.inference.checks.prior_sensitivity import SENSITIVE
from thermcmp.model.factor_words import parameter_words
from thermcmp.questions.fit_check.question import BOUNDARY, FitCheck, check_fit
from thermcmp.questions.pictures import picture_uri
from thermcmp.questions.table_words import WordedTable, worded_table
from thermcmp.reporting.article.limits import for_appendix, for_readers, has_cure
from thermcmp.reporting.cautions import Work, cautions_for
from thermcmp.reporting.fit_names import fit_names, fitted_to
from thermcmp.reporting.glossary import Term, terms_used
from thermcmp.reporting.plugin_sections import AddedPart, added_parts
from thermcmp.reporting.repetition import beyond, said_once, shortened
from thermcmp.reporting.summary import Summary, leading, make_summary, things_to_look_at

if TYPE_CHECKING:
    from thermcmp.inference.posterior import Fit
    from thermcmp.questions.answer import Answer
    from thermcmp.telemetry.campaign.folder import Reduced

#: What is counted for the data section, with its heading.
_COUNTED: Final = {
    "product": "Products",
    "cooler_id": "Cooler specimens",
    "board_id": "Board specimens",
    "assembly": "Assemblies",
    "session": "Sessions",
    "bench": "Benches",
    "lab": "Labs",
}
_UNFIT_FOR_NAMES: Final = re.compile(r"[^\w.]+")


@dataclass(frozen=True, slots=True)
class DataFile:
    """A table that the page carries as a CSV file, for those who want every number."""

    name: str
    words: str
    uri: str


@dataclass(frozen=True, slots=True)
class AnswerPart:
    """One answer on the page."""

    anchor: str
    label: str
    answer: Answer
    picture: str
    #: The figure for a narrow screen.
    narrow: str
    alternative: str
    table: WordedTable
    further: tuple[tuple[str, WordedTable], ...] = ()
    #: Caveats that no answer above has, with their numbers on the page.
    new_caveats: Mapping[int, str] = field(default_factory=dict)
    #: Numbers of the caveats that an answer above has too: each is said once.
    known_caveats: tuple[int, ...] = ()
    #: Sentences that say more than the tables and the summary.
    sentences: tuple[str, ...] = ()
    #: How many stand among the things to look at.
    things: int = 0


@dataclass(frozen=True, slots=True)
class DataPart:
    """The rows behind the fits, a column per fit, and what the fits say of them, each once."""

    facts: WordedTable
    aliases: tuple[str, ...]
    notes: tuple[str, ...]
    versions: str
    #: All numbers of each fit and of its checks, by the fit's name.
    files: Mapping[str, tuple[DataFile, ...]]


@dataclass(frozen=True, slots=True)
class HealthPart:
    """Health of one or more fits with the same findings."""

    names: tuple[str, ...]
    health: str
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class TrustPart:
    """How far the fits can be trusted: what they rest on, findings each once, their figures."""

    fitted_to: tuple[str, ...]
    sentences: tuple[str, ...]
    figures: Mapping[str, tuple[AnswerPart, ...]]


@dataclass(frozen=True, slots=True)
class Page:
    """The whole page."""

    title: str
    dated: str
    bad_health_allowed: bool
    answers: tuple[AnswerPart, ...]
    health: tuple[HealthPart, ...]
    data: DataPart | None
    trust: TrustPart | None
    added: tuple[AddedPart, ...]
    cautions: Mapping[Work, tuple[str, ...]]
    terms: tuple[Term, ...]
    refused: WordedTable | None
    #: All reasons of the refused runs.
    refused_file: DataFile | None
    log_cautions: tuple[str, ...]
    summary: Summary
    #: The answer whose figure stands on the first screen.
    lead: AnswerPart | None


def make_page(
    answers: Sequence[Answer],
    fits: Sequence[Fit],
    *,
    title: str,
    dated: str,
    bad_health_allowed: bool,
    reduced: Reduced | None = None,
    remarks: Sequence[str] = (),
) -> Page:
    """Gather the parts of the page."""
    things = things_to_look_at(answers, fits, reduced)
    parts = _answer_parts(answers, things)
    names = fit_names(fits)
    words = [text for answer in answers for text in (*answer.sentences, *answer.caveats)]
    checks = [check_fit(fit) for fit in fits]
    trust = _trust_part(names, checks, words) if fits else None
    added = added_parts(fits[0] if fits else None, answers)
    sources = [*(answer.source for answer in answers if answer.source), *(p.source for p in added)]
    data = _data_part(names, checks, words, sources) if fits else None
    aliases = data.aliases if data is not None else ()
    shown = [*words, *aliases, *(answer.title for answer in answers)]
    shown += [answer.interval_kind for answer in answers]
    tables = [table for part in parts for table in (part.table, *(t for _, t in part.further))]
    shown += [text for table in tables for text in table.headings]
    shown += [cell.text for table in tables for row in table.rows for cell in row]
    refused = None if reduced is None or reduced.refused.empty else reduced.refused
    shown += trust.sentences if trust is not None else ()
    summary = make_summary(
        answers, fits, [(p.label, p.anchor) for p in parts], reduced=reduced, remarks=remarks
    )
    parts = tuple(
        replace(part, sentences=_appendix_sentences(part, said))
        for part, (_, _, said) in zip(parts, summary.found, strict=True)
    )
    return Page(
        title=title,
        dated=dated,
        bad_health_allowed=bad_health_allowed,
        answers=parts,
        health=_health_parts(names, fits),
        data=data,
        trust=trust,
        added=added,
        cautions=cautions_for([*words, *aliases]),
        terms=terms_used(shown),
        refused=None if refused is None else _refused(refused),
        refused_file=None if refused is None else _file("refused runs", "all reasons", refused),
        log_cautions=() if reduced is None else reduced.cautions,
        summary=summary,
        lead=next((part for part in parts if part.answer is leading(answers)), None),
    )


def _answer_parts(answers: Sequence[Answer], things: Sequence[str]) -> tuple[AnswerPart, ...]:
    """Return the answers with the caveats of the page numbered, each said where it is new.

    What stands among the things to look at is said there alone, unless it has a cure.
    """
    kinds = [answer.kind for answer in answers]
    numbers: dict[str, int] = {}
    parts = []
    for place, answer in enumerate(answers, start=1):
        label = answer.title if kinds.count(answer.kind) > 1 else answer.kind.capitalize()
        above = {c for c in answer.caveats if for_readers(c) in things and not has_cure(c)}
        limits = [for_appendix(c) for c in dict.fromkeys(answer.caveats) if c not in above]
        known = tuple(sorted(numbers[c] for c in dict.fromkeys(limits) if c in numbers))
        new = {numbers.setdefault(c, len(numbers) + 1): c for c in limits if c not in numbers}
        part = _part(f"answer-{place}", label, answer)
        parts.append(replace(part, new_caveats=new, known_caveats=known, things=len(above)))
    return tuple(parts)


def _appendix_sentences(part: AnswerPart, said: Sequence[str]) -> tuple[str, ...]:
    """Return the sentences of an answer that its tables and the summary do not say."""
    tables = (part.table, *(table for _, table in part.further))
    # A column that is the same in all rows is stated below its table.
    below = [f"{text}" for table in tables for _, text in table.same]
    return beyond(part.answer.beyond_table, tables, [*said, *below])


def _health_parts(names: Sequence[str], fits: Sequence[Fit]) -> tuple[HealthPart, ...]:
    """Return the health of the fits, those alike together; the summary has what else stands out."""
    alike: dict[tuple[str, tuple[str, ...]], list[str]] = {}
    for name, fit in zip(names, fits, strict=True):
        alike.setdefault((str(fit.health), fit.diagnostics.sentences), []).append(name)
    return tuple(HealthPart(tuple(of), *health) for health, of in alike.items())


def _part(anchor: str, label: str, answer: Answer) -> AnswerPart:
    return AnswerPart(
        anchor=anchor,
        label=label,
        answer=answer,
        picture=picture_uri(answer),
        narrow=picture_uri(answer, "phone"),
        alternative=f"{answer.alt_text} The table after the figure holds the same numbers.",
        table=_shown(answer.shown_table),
        further=tuple((caption, _shown(table)) for caption, table in answer.further_tables.items()),
    )


def _refused(refused: pd.DataFrame) -> WordedTable:
    """Return why runs were refused: of the conditions, and else of the sensors."""
    table = refused[["run", "sensor", "reason"]].assign(
        reason=[_first_reasons(str(reason)) for reason in refused["reason"]]
    )
    return worded_table(table if table["sensor"].any() else table.drop(columns="sensor"))


def _first_reasons(reason: str) -> str:
    """Return the reasons in the conditions of a run, which those at its sensors follow."""
    every = re.split("; (?!run longer)", reason)
    at_sensors = [part for part in every if re.match(r"\w+: ", part)]
    if not at_sensors or len(at_sensors) == len(every):
        return reason
    conditions = "; ".join(part for part in every if part not in at_sensors)
    sensors = ", ".join(dict.fromkeys(part.partition(":")[0] for part in at_sensors))
    return f"{conditions}; further reasons at {sensors}"


def _shown(table: pd.DataFrame) -> WordedTable:
    """Return a table of the page without health that is ok, or influence below what is stated."""
    if "health" in table and (table["health"] == "ok").all():
        table = table.drop(columns="health")
    if "prior_influence" in table and not (table["prior_influence"] >= SENSITIVE).any():
        table = table.drop(columns="prior_influence")
    return worded_table(table, folded=True).without_same()


def _trust_part(
    names: Sequence[str], checks: Sequence[FitCheck], answered: Sequence[str]
) -> TrustPart:
    """Return the checks of the fits: what no answer said, each finding once."""
    # Which spreads may be zero is a note in the parameters' file and in an answer's table.
    said = [
        [
            s
            for s in map(shortened, check.sentences)
            if not s.startswith(BOUNDARY) and not any(s in text for text in answered)
        ]
        for check in checks
    ]
    return TrustPart(
        fitted_to=tuple(
            f"{name}: {fitted_to(check.fit)}" for name, check in zip(names, checks, strict=True)
        ),
        sentences=tuple(map(parameter_words, said_once(names, said))),
        figures={
            name: (
                _part(f"predictive-{number}", "Predictive check", check.predictive),
                _part(f"left-out-{number}", "Left-out check", check.left_out),
            )
            for number, (name, check) in enumerate(zip(names, checks, strict=True), start=1)
        },
    )


def _files(name: str, check: FitCheck) -> tuple[DataFile, ...]:
    """Return all numbers of a fit and of its checks."""
    unit = check.left_out.unit
    tables = {
        "parameters": check.fit.table,
        "priors": check.fit.priors.table,
        "what the data say of each parameter": check.parameters,
        "checks of the calculation": check.fit.diagnostics.table,
        "measured and simulated campaigns": check.predictive.table,
        f"effects without one {unit}": check.left_out.table,
        f"how each {unit} was left out": check.left_out.units,
        "outliers": check.outliers,
    }
    return tuple(_file(name, words, table) for words, table in tables.items() if len(table))


def _file(name: str, words: str, table: pd.DataFrame) -> DataFile:
    """Return a table as a CSV file inside the page, in full digits."""
    text = table.to_csv(index=False, lineterminator="\n").encode("utf-8")
    uri = f"data:text/csv;base64,{base64.b64encode(text).decode('ascii')}"
    return DataFile(f"{_UNFIT_FOR_NAMES.sub('-', f'{name} {words}'.lower())}.csv", words, uri)


def _data_part(
    names: Sequence[str], checks: Sequence[FitCheck], said: Sequence[str], sources: Sequence[str]
) -> DataPart:
    """Return data and model of the fits; what some have in common, or an answer said, once."""
    fits = [check.fit for check in checks]
    aliases = [
        [alias for alias in fit.aliases.sentences if not any(alias in text for text in said)]
        for fit in fits
    ]
    left_out = [(*fit.design.notes, *map(str, fit.design.left_out)) for fit in fits]
    versions = [[f"{package} {v}" for package, v in fit.versions.items()] for fit in fits]
    facts = {name: list(_facts(fit).values()) for name, fit in zip(names, fits, strict=True)}
    return DataPart(
        facts=worded_table(pd.DataFrame({"rows behind": list(_facts(fits[0])), **facts})),
        aliases=said_once(names, aliases),
        notes=said_once(names, left_out),
        versions=", ".join(dict.fromkeys((*said_once(names, versions), *sources))),
        files={n: _files(n, check) for n, check in zip(names, checks, strict=True)},
    )


def _facts(fit: Fit) -> dict[str, str]:
    """Return what a reader has to know of the rows of a fit; each fit has the same facts."""
    results, reference = fit.design.rows, fit.reference
    counts = {
        heading: results[column].nunique() if column in results else 0
        for column, heading in _COUNTED.items()
    }
    return {
        "Rows used": str(len(results)),
        **{heading: str(count or "–") for heading, count in counts.items()},
        "Reference conditions": f"{reference.power_w:g} W, {reference.flow_speed:g} "
        f"{fit.design.law.unit}",
        "Engine": f"{fit.engine} ({fit.engine_reason})",
        "Data fingerprint": f"SHA-256 {fit.fingerprint}",
    }
