"""The parts of a page before it is set in HTML."""

from __future__ import annotations

import base64
import io
import re
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Final

import pandas as pd

from thermcmp.inference.parameter_notes import MOSTLY_PRIOR
from thermcmp.model.factor_words import factor_words, parameter_words
from thermcmp.questions.fit_check.question import ASSUMED, BOUNDARY, TOGETHER, FitCheck, check_fit
from thermcmp.questions.pictures import picture_uri
from thermcmp.questions.table_words import WordedTable, worded_table
from thermcmp.reporting.article.limits import for_appendix, for_readers, has_cure
from thermcmp.reporting.cautions import Work, cautions_for
from thermcmp.reporting.fit_names import fit_names
from thermcmp.reporting.glossary import Term, terms_used
from thermcmp.reporting.page_tables import BESIDE_TABLES, IN_TABLES, page_tables
from thermcmp.reporting.plugin_sections import AddedPart, added_parts
from thermcmp.reporting.repetition import beyond, said_once
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
#: Whether a cell begins like a formula.
_FORMULA: Final = re.compile(r"[=+@\t\r-]").match
#: Of a fact that there is none.
_NONE: Final = "–"
#: A factor of which the rows hold one level.
_LONE: Final = re.compile(r"^([\w ]+): one level only \((.*)\), so no effect to estimate\.?$")
_UNFIT_FOR_NAMES: Final = re.compile(r"[^\w.]+")


@dataclass(frozen=True, slots=True)
class DataFile:
    """A file that the page carries, for those who want every number."""

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
    #: By caption; the first is the answer's own table.
    tables: Mapping[str, WordedTable]
    #: The answer's whole table.
    file: DataFile
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
    #: Engine and fingerprint of each fit.
    records: tuple[str, ...]
    #: All numbers of each fit and of its checks.
    files: tuple[DataFile, ...]


@dataclass(frozen=True, slots=True)
class HealthPart:
    """Health of one or more fits with the same findings."""

    names: tuple[str, ...]
    health: str
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class TrustPart:
    """How far the fits can be trusted: their number, findings each once, their figures.

    `assumed` counts the parameters that the data hardly inform.
    """

    fits: int
    assumed: tuple[str, ...]
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
    refused = None if reduced is None or reduced.refused.empty else reduced.refused
    summary = make_summary(
        answers, fits, [(p.label, p.anchor) for p in parts], reduced=reduced, remarks=remarks
    )
    parts = tuple(
        replace(part, sentences=_appendix_sentences(part, [summary.headline, *said]))
        for part, (_, _, said) in zip(parts, summary.found, strict=True)
    )
    trust_words = trust.sentences if trust is not None else ()
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
        terms=terms_used([*_shown_words(parts, summary), *aliases, *trust_words]),
        refused=None if refused is None else _refused(refused),
        refused_file=None if refused is None else _file("refused runs", "all reasons", refused),
        summary=summary,
        lead=next((part for part in parts if part.answer is leading(answers)), None),
    )


def _shown_words(parts: Sequence[AnswerPart], summary: Summary) -> Iterator[str]:
    """Yield the words that the page shows of its answers."""
    yield from (summary.headline, *summary.things, *summary.runs)
    for _, _, sentences in summary.found:
        yield from sentences
    for part in parts:
        yield from (part.answer.title, part.answer.interval_kind)
        yield from (*part.sentences, *part.new_caveats.values(), *part.tables)
        for table in part.tables.values():
            yield from (*table.headings, *(cell.text for row in table.rows for cell in row))


def _answer_parts(answers: Sequence[Answer], things: Sequence[str]) -> tuple[AnswerPart, ...]:
    """Return the answers with the caveats of the page numbered, each said where it is new.

    What stands among the things to look at is said there alone, unless the bench has a cure.
    """
    kinds = [answer.kind for answer in answers]
    numbers: dict[str, int] = {}
    parts = []
    for place, answer in enumerate(answers, start=1):
        label = answer.title if kinds.count(answer.kind) > 1 else answer.kind.capitalize()
        above = {c for c in answer.caveats if _is_said_above(c, things)}
        limits = [for_appendix(c) for c in dict.fromkeys(answer.caveats) if c not in above]
        known = tuple(sorted(numbers[c] for c in dict.fromkeys(limits) if c in numbers))
        new = {numbers.setdefault(c, len(numbers) + 1): c for c in limits if c not in numbers}
        part = _part(f"answer-{place}", label, answer)
        parts.append(replace(part, new_caveats=new, known_caveats=known, things=len(above)))
    return tuple(parts)


def _is_said_above(caveat: str, things: Sequence[str]) -> bool:
    """Return whether the things say all of a caveat, with its sensor's name or without."""
    words = for_readers(caveat)
    stands = words in things or words.partition(": ")[2] in things
    return stands and not has_cure(for_appendix(caveat))


def _appendix_sentences(part: AnswerPart, said: Sequence[str]) -> tuple[str, ...]:
    """Return the sentences of an answer that its tables and the summary do not say."""
    tables = part.tables.values()
    # A column that is the same in all rows is stated below its table.
    below = [text for table in tables for _, text in table.same]
    sentences = [s for s in part.answer.beyond_table if not IN_TABLES.search(s)]
    new = beyond(sentences, tables, [*said, *below])
    return tuple(s for s in sentences if s in new or BESIDE_TABLES.search(s))


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
        alternative=f"{answer.alt_text} The table after the figure and its file hold the numbers.",
        tables=page_tables(answer),
        file=_file(label, "whole table", answer.table),
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


def _trust_part(
    names: Sequence[str], checks: Sequence[FitCheck], answered: Sequence[str]
) -> TrustPart:
    """Return the checks of the fits: what no answer said, each finding once."""
    # Which spreads may be zero, and what is assumed, are notes in the file of the parameters.
    said = [
        [
            s
            for s in check.sentences
            if not s.startswith((BOUNDARY, TOGETHER, ASSUMED))
            and not any(s in text for text in answered)
        ]
        for check in checks
    ]
    return TrustPart(
        fits=len(checks),
        assumed=tuple(
            f"{(check.parameters['shrinkage'] < MOSTLY_PRIOR).sum()} of "
            f"{len(check.parameters)} in the {name}"
            for name, check in zip(names, checks, strict=True)
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


def _archive(name: str, check: FitCheck) -> DataFile:
    """Return all numbers of a fit and of its checks, as CSV files in one archive."""
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
    whole = io.BytesIO()
    with zipfile.ZipFile(whole, "w") as archive:
        for words, table in tables.items():
            # A file without a date of its own: the same page is the same bytes.
            if len(table):
                inside = zipfile.ZipInfo(_file_name(words, "csv"))
                archive.writestr(inside, _csv(table), zipfile.ZIP_DEFLATED)
    return DataFile(_file_name(name, "zip"), name, _uri("application/zip", whole.getvalue()))


def _file(name: str, words: str, table: pd.DataFrame) -> DataFile:
    """Return a table as a CSV file inside the page, in full digits."""
    return DataFile(_file_name(f"{name} {words}", "csv"), words, _uri("text/csv", _csv(table)))


def _file_name(words: str, ending: str) -> str:
    return f"{_UNFIT_FOR_NAMES.sub('-', words.lower())}.{ending}"


def _csv(table: pd.DataFrame) -> bytes:
    """Return a table as CSV.

    A spreadsheet runs a cell that begins like a formula (CSV injection, OWASP, from memory).
    """
    safe = table.map(_no_formula).rename(columns=_no_formula)
    return safe.to_csv(index=False, lineterminator="\r\n").encode("utf-8")


def _uri(kind: str, content: bytes) -> str:
    return f"data:{kind};base64,{base64.b64encode(content).decode('ascii')}"


def _no_formula(cell: Any) -> Any:
    """Return a cell that no spreadsheet takes for a formula."""
    return f"'{cell}" if isinstance(cell, str) and _FORMULA(cell) else cell


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
    facts = pd.DataFrame(
        [{"fit": name, **_facts(fit)} for name, fit in zip(names, fits, strict=True)]
    )
    return DataPart(
        facts=worded_table(facts.loc[:, (facts != _NONE).any()]).without_same(),
        aliases=said_once(names, aliases),
        notes=said_once(names, list(map(_lone_levels_once, left_out))),
        versions=", ".join(dict.fromkeys((*said_once(names, versions), *sources))),
        records=tuple(
            f"{name}: engine {fit.engine}, SHA-256 of its rows {fit.fingerprint}"
            for name, fit in zip(names, fits, strict=True)
        ),
        files=tuple(_archive(name, check) for name, check in zip(names, checks, strict=True)),
    )


def _lone_levels_once(notes: Sequence[str]) -> list[str]:
    """Return the notes of a fit with the factors of one level in one sentence."""
    lone: dict[str, str] = {}
    for hit in filter(None, map(_LONE.match, notes)):
        lone.setdefault(factor_words(hit[1]), hit[2])
    if len(lone) < 2:
        return list(notes)
    rest = [note for note in notes if not _LONE.match(note)]
    named = [name + ("" if "unstated" in level else f" ({level})") for name, level in lone.items()]
    return [f"One level only, or none stated, so no effect to estimate: {', '.join(named)}.", *rest]


def _facts(fit: Fit) -> dict[str, str]:
    """Return what a reader has to know of the rows of a fit; each fit has the same facts."""
    results, reference = fit.design.rows, fit.reference
    counts = {
        heading: results[column].nunique() if column in results else 0
        for column, heading in _COUNTED.items()
    }
    return {
        "Rows used": str(len(results)),
        "Fitted together with": ", ".join(fit.fitted_with) or _NONE,
        **{heading: str(count or _NONE) for heading, count in counts.items()},
        "Reference conditions": f"{reference.power_w:g} W, {reference.flow_speed:g} "
        f"{fit.design.law.unit}",
    }
