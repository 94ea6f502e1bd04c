"""The main job as one call: fit, ask, write the report, return the verdict; and the demo."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from thermcmp._cli.firmware_rules import Rule, rules_of
from thermcmp._cli.option_groups import (
    FILE,
    At,
    FitSource,
    condition_options,
    fit_options,
    opened,
    sensor_of,
)
from thermcmp._cli.question_commands import fit_each
from thermcmp._cli.table_commands import existing, reduce_folder
from thermcmp._cli.terminal import progress, say
from thermcmp.errors import Fault, InputError, NotEstimableError

if TYPE_CHECKING:
    import pandas as pd

    from thermcmp.questions.answer import Answer
    from thermcmp.telemetry.campaign.folder import Reduced

#: Name of the question about several sensors.
SENSORS: Final = "Sensors"
#: Sentences of a question's answer that the verdict repeats, where not the usual number.
_REPEATED: Final = {"Margin": 2, SENSORS: 1}
_USUALLY_REPEATED: Final = 3

#: A study of fewer rows is not fitted on its own.
_FEWEST_ROWS: Final = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """What to read, what to ask and where to write."""

    source: FitSource
    at: At
    out: Path
    #: Folder of per-second logs, their run sheet and map of headings, imported first.
    logs: Path | None = None
    runs: Path | None = None
    log_columns: Path | None = None
    #: Table of results that goes into the library first.
    results: Path | None = None
    #: Further sensors on which the same fix is attributed.
    beside: tuple[str, ...] = ()
    #: Builds for attribution and margin, as "product / firmware".
    before: str | None = None
    after: str | None = None
    limit_c: float | None = None
    #: Air at the cooler's intake in a warm case [°C].
    case_air_c: float | None = None
    #: Table of the firmwares' rules, for the margin; see `read_firmware`.
    firmware: Path | None = None
    duty: Path | None = None
    cooler_id: str | None = None
    #: What the page says of the campaign itself.
    remarks: tuple[str, ...] = ()

    @property
    def builds(self) -> list[str]:
        """The builds that are named."""
        return [build for build in (self.before, self.after) if build]


def demo_job(out: Path) -> Job:
    """Return the job of the invented demo campaign."""
    folder = demo_folder()
    return Job(
        source=FitSource(sensor="memory"),
        at=At(),
        out=out,
        logs=folder / "logs",
        runs=folder / "runs.csv",
        log_columns=folder / "logs.json",
        results=folder / "campaign.csv",
        beside=("junction",),
        before="Alder r1 / fw 1",
        after="Alder r2 / fw 2",
        limit_c=100.0,
        case_air_c=35.0,
        remarks=tuple(json.loads((folder / "lessons.json").read_text(encoding="utf-8"))),
    )


@click.command("report", epilog="A build is 'product' or 'product / firmware'.")
@fit_options
@condition_options
@click.option(
    "--out", type=FILE, default=Path("thermcmp-out"), show_default=True,
    help="Folder for the report.",
)  # fmt: skip
@click.option("--before", metavar="BUILD", help="Old build of the fix.")
@click.option("--after", metavar="BUILD", help="New build.")
@click.option(
    "--beside", multiple=True, metavar="SENSOR", help="A further sensor; may be repeated."
)
@click.option("--limit-c", type=float, metavar="C", help="Highest allowed temperature, °C.")
@click.option("--case-air-c", type=float, metavar="C", help="Air at the intake in a warm case, °C.")
@click.option("--firmware", type=FILE, metavar="FILE", help="Table of what the firmwares do.")
@click.option("--duty", type=FILE, metavar="FILE", help="Fan speed by duty, for curves in duty.")
@click.option("--cooler-id", metavar="ID", help="Which specimen of the duty table.")
@click.option("--logs", type=FILE, metavar="FOLDER", help="Per-second logs, imported first.")
@click.option("--runs", type=FILE, metavar="FILE", help="Run sheet of the logs.")
@click.option("--log-columns", type=FILE, metavar="FILE", help="Map of the logs' headings (JSON).")
def report_command(at: At, source: FitSource, **asked: Any) -> None:
    """Ask every question, print the verdict and write one HTML report."""
    job = Job(source=source, at=at, **asked)
    idle = (
        (job.logs is None and (job.runs or job.log_columns), "--runs and --log-columns", "--logs"),
        (
            job.firmware is None and (job.duty or job.cooler_id),
            "--duty and --cooler-id",
            "--firmware",
        ),
        (
            (job.firmware or job.case_air_c) and not (job.limit_c and job.builds),
            "--firmware and --case-air-c",
            "--limit-c, and --before or --after",
        ),
        (source.fit_file, "--fit", "one of the questions: a report takes --library"),
    )
    for is_idle, options, needed in idle:
        if is_idle:
            raise click.UsageError(f"{options} has no effect without {needed}")
    say("\n".join(run_job(job)))


def demo_folder() -> Path:
    """Return the demo campaign's folder: in the installed package, else in the source tree."""
    package = Path(__file__).resolve().parents[1]
    for folder in (package / "_demo", package.parent / "datasets" / "demo"):
        if (folder / "campaign.csv").is_file():
            return folder
    fix = "install the package again"
    raise InputError("The demo cannot be run:", [Fault("the demo campaign is not installed", fix)])


def run_job(job: Job) -> list[str]:
    """Do the job and return the verdict."""
    import thermcmp as tc
    from thermcmp.inference.comparison.candidates import is_cheap
    from thermcmp.questions.regulation.question import any_regulated
    from thermcmp.reporting.summary import first_lines

    reduced = None
    if job.logs is not None:
        reduced = reduce_folder(job.logs, job.runs, job.log_columns)
    with progress("Reading the results"):
        every = _rows(job, reduced)
        sensor = sensor_of(every, job.source.sensor)
        beside = _beside(job, every, sensor)
        rules = _rules(job, every, sensor)
        followed = [rule.follows for rule in rules.values() if rule.follows]
        names = list(dict.fromkeys([sensor, *beside, *followed]))
        rows = every[every["sensor"] == sensor]
    also = f", with {' and '.join(names[1:])}" if len(names) > 1 else ""
    with progress(f"Fitting {len(rows)} rows of the {sensor} sensor{also}"):
        fits = fit_each(every, names, job.source.sampling)
    fit = fits[sensor]
    answers, lines = [], [_headline(fit, sensor, rows, reduced)]
    with progress("Computing the answers"):
        # First, so that the other answers know what hangs on the model.
        models = [("Models", tc.compare_models(fit))] if is_cheap(fit) else []
        named = (
            *_ask(job, fit, [fits[name] for name in beside]),
            *_margins(job, fits, sensor, rules),
            *models,
            # Those that inform no fit too.
            *([("Regulated runs", tc.regulated_runs(rows))] if any_regulated(rows) else []),
        )
        for name, answer in named:
            if isinstance(answer, str):
                lines.append(f"{name}: {answer}")
            else:
                answers.append(answer)
                count = _REPEATED.get(name, _USUALLY_REPEATED)
                first, *more = answer.sentences[:count] or ("no finding.",)
                lines += [f"{name}: {first}", *(f"  {sentence}" for sentence in more)]
    kinds = dict.fromkeys(answer.interval_words for answer in answers)
    lines[0] += f" Ranges in brackets: {', '.join(kinds)}."
    with progress("Writing the report"):
        shown = {"fit": fit, "reduced": reduced, "remarks": job.remarks, **job.source.allowed}
        path = tc.report(answers, job.out / "report.html", **shown)
    return [*first_lines(answers, (fit,), reduced), *lines, f"Report: {path}"]


def _rows(job: Job, reduced: Reduced | None) -> pd.DataFrame:
    """Read the result rows of the library that the job names or makes."""
    import thermcmp as tc

    imports: list[tuple[pd.DataFrame, str]] = []
    if job.results is not None:
        frame = tc.read_results(job.results, job.results.with_name("columns.json"))
        imports.append((frame, job.results.name))
    if reduced is not None:
        imports.append((reduced.results, "per-second logs"))
    if job.source.library is None and imports:
        library = tc.Library(job.out / _library_name(imports))
    else:
        library = opened(job.source.library, is_new=bool(imports))
    for frame, source in imports:
        library.add(frame, source=source)
    return library.results() if job.source.library is None else job.source.rows()


def _library_name(imports: Sequence[tuple[pd.DataFrame, str]]) -> str:
    """Name a new library by what goes into it.

    A repeated import finds its own; changed files, or logs reduced in another way by a
    newer version, meet no rows that they would contradict.
    """
    from thermcmp.results.hashing import content_hash

    content = "".join(content_hash(frame) for frame, _ in imports)
    return f"library-{hashlib.sha256(content.encode()).hexdigest()[:12]}"


def _beside(job: Job, rows: pd.DataFrame, sensor: str) -> tuple[str, ...]:
    """Return the further sensors on which the fix is attributed: those named, or the demo's."""
    held = sorted(str(name) for name in rows["sensor"].dropna().unique() if name != sensor)
    faults = [
        Fault("no rows of this other sensor", f"use one of {', '.join(held) or 'none'}", value=name)
        for name in job.beside
        if name not in held
    ]
    if job.beside and not (job.before and job.after):
        faults.append(Fault("no fix to attribute on them", "give --before and --after too"))
    if faults:
        raise InputError("The further sensors are not clear:", faults)
    return tuple(dict.fromkeys(job.beside))


def _rules(job: Job, rows: pd.DataFrame, sensor: str) -> dict[str, Rule]:
    """Read the firmware rule of each build, where the job has a firmware table."""
    if job.firmware is None:
        return {}
    return rules_of(
        existing(job.firmware),
        job.builds,
        rows,
        sensor=sensor,
        duty=None if job.duty is None else existing(job.duty),
        cooler_id=job.cooler_id,
    )


def _ask(job: Job, fit: Any, beside: Sequence[Any]) -> Iterator[tuple[str, Answer | str]]:
    """Yield name and answer of each question but the margin, or why there is no answer."""
    import thermcmp as tc

    before, after, allowed = job.before, job.after, job.source.allowed
    held = job.at.on_bench(fit.results)
    if before and after:
        # The fix comes first: it is the verdict, and the separation the reasons for it.
        yield (
            "Attribution",
            _tried(lambda: tc.attribute(fit, before, after, **held, **allowed)),
        )
        if beside:
            yield (
                SENSORS,
                _tried(lambda: tc.attribute_sensors([fit, *beside], before, after, **allowed)),
            )
        alone = _study_alone(job, fit, before, after)
        if alone is not None:
            answer = tc.separate(alone, before=before, after=after, **allowed)
            first, *more = answer.sentences
            yield (
                "Study alone",
                replace(
                    answer,
                    title=f"The study alone: effects on {fit.sensor}, specimens",
                    sentences=(f"In the study's own rows: {first}", *more),
                ),
            )
        yield "Separation", tc.separate(fit, before=before, after=after, **allowed)
    else:
        yield "Separation", tc.separate(fit, **allowed)
        yield "Attribution", "not asked; give --before and --after as 'product / firmware'."
    at = tc.Conditions(**job.at.to_rank(fit.results))
    yield "Ranking", _tried(lambda: tc.rank(fit, at=at, **allowed))


def _tried(ask: Callable[[], Answer]) -> Answer | str:
    """Return an answer, or in words which run it lacks: the others are not lost by it."""
    try:
        return ask()
    except NotEstimableError as error:
        return f"no answer. {error}"


def _margins(
    job: Job, fits: Mapping[str, Any], sensor: str, rules: Mapping[str, Rule]
) -> Iterator[tuple[str, Answer | str]]:
    """Yield the margin of each build, under its firmware's rule where that is known."""
    import thermcmp as tc

    if job.limit_c is None or job.case_air_c is None or not job.builds:
        yield "Margin", "not asked; give --limit-c, --case-air-c, and --before or --after."
        return
    held = job.at.on_bench(fits[sensor].results)
    at = tc.Conditions(**{**held, "ambient_c": job.case_air_c})
    for build in job.builds:
        loop: dict[str, Any] = dict(job.source.allowed)
        if build in rules:
            rule = rules[build]
            loop["firmware"] = rule.firmware
            if rule.follows:
                loop["control"] = fits[rule.follows]
        ask = partial(tc.margin, fits[sensor], build, at=at, limit_c=job.limit_c, **loop)
        yield "Margin", _tried(ask)


def _study_alone(job: Job, fit: Any, before: str, after: str) -> Any:
    """Fit the parts of the two builds alone; None if there is little else or too little."""
    import thermcmp as tc
    from thermcmp.prediction.builds import build_of

    builds = [build_of(fit, name) for name in (before, after)]
    rows = fit.results
    study = rows["cooler_model"].isin([build.cooler_model for build in builds])
    study &= rows["board_model"].isin([build.board_model for build in builds])
    if study.all() or study.sum() < _FEWEST_ROWS:
        return None
    return tc.fit(rows[study], sensor=fit.sensor, **job.source.sampling)


def _headline(fit: Any, sensor: str, rows: pd.DataFrame, reduced: Reduced | None) -> str:
    products = rows["product"].nunique() if "product" in rows else 0
    text = f"Data: {len(rows)} rows of the {sensor} sensor, {products} products; fit {fit.status}."
    if reduced is None:
        return text
    kept, refused = reduced.results["run"].nunique(), reduced.refused["run"].nunique()
    named = ", ".join(reduced.refused["run"].unique())
    return f"{text} Logs: {kept} runs kept, {refused} refused" + (f" ({named})." if named else ".")
