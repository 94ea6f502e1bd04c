"""Commands that fit and ask."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from thermcmp._cli.option_groups import (
    FILE,
    At,
    FitSource,
    Shown,
    answer_options,
    collected,
    condition_options,
    fit_options,
    pairs_of,
    sensor_of,
)
from thermcmp._cli.terminal import progress, say
from thermcmp.errors import NotEstimableError

_DUTY = click.option("--duty", type=FILE, metavar="FILE", help="Fan speed by duty, for curves.")
_BUILD = "A build is 'product' or 'product / firmware'."


@dataclass(frozen=True, slots=True, kw_only=True)
class FirmwareTable:
    """The table of what firmwares do, for a fan that answers the temperature."""

    firmware: Path | None
    duty: Path | None
    cooler_id: str | None

    def fit(self, source: FitSource, build: str) -> tuple[Any, dict[str, Any]]:
        """Return the fit, and the firmware of a build with the fit of the sensor it follows."""
        from thermcmp._cli.firmware_rules import rules_of

        fitted = source.fit()
        if self.firmware is None:
            return fitted, {}
        every = fitted.results if source.library is None else source.rows()
        rule = rules_of(
            self.firmware, [build], every, sensor=fitted.sensor,
            duty=self.duty, cooler_id=self.cooler_id,
        )[build]  # fmt: skip
        if not rule.follows:
            return fitted, {"firmware": rule.firmware}
        fits = fit_each(every, [fitted.sensor, rule.follows], source.sampling)
        return fits[fitted.sensor], {"firmware": rule.firmware, "control": fits[rule.follows]}


@click.command("fit")
@fit_options
@click.option("--save", type=FILE, metavar="FILE", help="Save the fit for --fit of the questions.")
def fit_command(source: FitSource, save: Path | None) -> None:
    """Fit a sensor's rows, and say whether the fit can be trusted."""
    fitted = source.fit()
    rows = fitted.results
    say(f"{len(rows)} rows of the {fitted.sensor} sensor; fit {fitted.status}.")
    if save is not None:
        fitted.save(save)
        click.echo(f"Saved: {save}")


@click.command("separate")
@fit_options
@answer_options
@click.option("--before", metavar="BUILD", help="Old build of a fix whose parts are compared.")
@click.option("--after", metavar="BUILD", help="New build.")
def separate_command(
    shown: Shown, source: FitSource, before: str | None, after: str | None
) -> None:
    """State each factor's effect, and what cannot be separated."""
    import thermcmp as tc

    shown.show(tc.separate(source.fit(), before=before, after=after, **source.allowed))


@click.command("attribute", epilog=_BUILD)
@click.argument("before")
@click.argument("after")
@fit_options
@condition_options
@answer_options
@click.option(
    "--beside", multiple=True, metavar="SENSOR", help="A further sensor; may be repeated."
)
@click.option(
    "--allow-prior", is_flag=True,
    help="Split although no run shows how the fan acts: the shares then rest on assumptions.",
)  # fmt: skip
def attribute_command(
    shown: Shown,
    at: At,
    source: FitSource,
    before: str,
    after: str,
    beside: tuple[str, ...],
    allow_prior: bool,
) -> None:
    """Split the fix that took BEFORE to AFTER into hardware, fan and power."""
    import thermcmp as tc

    if not beside:
        allowed = {"allow_prior": allow_prior, **source.allowed}
        fitted = source.fit()
        answer = tc.attribute(fitted, before, after, **at.on_bench(fitted.results), **allowed)
        return shown.show(answer)
    with progress("Reading the results"):
        rows = source.rows()
        sensors = [sensor_of(rows, source.sensor), *(sensor_of(rows, name) for name in beside)]
    with progress(f"Fitting {', '.join(sensors)}"):
        fits = fit_each(rows, sensors, source.sampling)
    conditions = tc.Conditions(**at.on_bench(rows))
    return shown.show(
        tc.attribute_sensors(list(fits.values()), before, after, conditions, **source.allowed)
    )


@click.command("chain", epilog=_BUILD)
@click.argument("builds", nargs=-1, required=True)
@fit_options
@condition_options
@answer_options
def chain_command(shown: Shown, at: At, source: FitSource, builds: tuple[str, ...]) -> None:
    """State what each step from build to build improved."""
    import thermcmp as tc

    fitted = source.fit()
    held = at.on_bench(fitted.results)
    shown.show(tc.chain(fitted, list(builds), **held, **source.allowed))


@click.command("rank")
@fit_options
@condition_options
@answer_options
@click.option(
    "--scope", type=click.Choice(["product line", "specimens"]), default="product line",
    show_default=True, help="The models, or the very cards tested.",
)  # fmt: skip
@click.option(
    "--firmware", type=FILE, metavar="FILE",
    help="Rank as bought, each product under its own firmware of this table.",
)  # fmt: skip
@_DUTY
def rank_command(
    shown: Shown, at: At, source: FitSource, scope: Any, firmware: Path | None, duty: Path | None
) -> None:
    """Rank products at equal noise, or fan speed, and equal power; or as bought."""
    import thermcmp as tc

    if firmware is None:
        fitted = source.fit()
        conditions = at.to_rank(fitted.results)
    else:
        rules = tc.read_firmware(firmware, duty=duty)
        fitted = source.fit()
        conditions = at.on_bench(fitted.results) | {"firmware": rules}
    shown.show(tc.rank(fitted, scope=scope, **conditions, **source.allowed))


firmware_options = collected(
    FirmwareTable,
    (
        click.option("--firmware", type=FILE, metavar="FILE", help="What the firmwares do."),
        _DUTY,
        click.option("--cooler-id", metavar="ID", help="Which specimen of the duty table."),
    ),
)


@click.command("predict", epilog=_BUILD)
@click.argument("build")
@fit_options
@condition_options
@answer_options
@firmware_options
def predict_command(
    table: FirmwareTable, shown: Shown, at: At, source: FitSource, build: str
) -> None:
    """Predict temperature, fan speed and noise of BUILD at conditions."""
    import thermcmp as tc

    fitted, loop = table.fit(source, build)
    conditions = at.on_bench(fitted.results)
    shown.show(tc.predict(fitted, build, **conditions, **loop, **source.allowed))


@click.command("margin", epilog=_BUILD)
@click.argument("build")
@fit_options
@condition_options
@answer_options
@firmware_options
@click.option("--limit-c", type=float, required=True, metavar="C", help="Highest allowed, °C.")
def margin_command(
    table: FirmwareTable, shown: Shown, at: At, source: FitSource, build: str, limit_c: float
) -> None:
    """State the margin of BUILD to a temperature limit, over warmer air."""
    import thermcmp as tc

    fitted, loop = table.fit(source, build)
    conditions = at.on_bench(fitted.results)
    shown.show(tc.margin(fitted, build, limit_c=limit_c, **conditions, **loop, **source.allowed))


@click.command("compare-labs")
@fit_options
@answer_options
@click.option("--left-out", is_flag=True, help="Show the products without each laboratory.")
@click.option("--funnel", is_flag=True, help="Show results against their standard errors.")
def compare_labs_command(shown: Shown, source: FitSource, *, left_out: bool, funnel: bool) -> None:
    """Compare laboratories: how far apart they read, and which is odd."""
    import thermcmp as tc

    answer = tc.compare_labs(source.fit(), **source.allowed)
    if funnel:
        shown.show(answer.funnel())
    elif not left_out:
        shown.show(answer)
    elif answer.left_out is not None:
        shown.show(answer.left_out)
    else:
        raise NotEstimableError(
            "No two products were run at several laboratories each. Fix: add another laboratory's "
            "results of products that were tested here."
        )


@click.command("compare-models")
@fit_options
@answer_options
@click.option("--before", metavar="BUILD", help="Old build, whose effects are compared.")
@click.option("--after", metavar="BUILD", help="New build.")
@click.option("--student", is_flag=True, help="With Student's t too, which takes minutes.")
@click.option(
    "--budget-s", type=float, default=60.0, show_default=True, metavar="S",
    help="No further model is started after so many seconds.",
)  # fmt: skip
def compare_models_command(shown: Shown, source: FitSource, **asked: Any) -> None:
    """Say which answers hang on the model, by fitting others too."""
    import thermcmp as tc

    fitted = source.fit()
    with progress("Fitting the other models"):
        answer = tc.compare_models(fitted, **asked, **source.allowed)
    shown.show(answer)


@click.command("check")
@fit_options
@click.option("--refits", type=int, metavar="N", help="Refit without up to so many units.")
@click.option("--before", metavar="BUILD", help="Old build, whose effects are checked.")
@click.option("--after", metavar="BUILD", help="New build.")
def check_command(
    source: FitSource, refits: int | None, before: str | None, after: str | None
) -> None:
    """Check how far a fit can be trusted."""
    import thermcmp as tc

    fitted = source.fit()
    with progress("Checking the fit"):
        checked = tc.check_fit(fitted, refits=refits, before=before, after=after)
    say(str(checked))


@click.command("ask")
@click.argument("question")
@click.argument("options", nargs=-1, metavar="[OPTION=VALUE]...")
@fit_options
@answer_options
def ask_command(shown: Shown, source: FitSource, question: str, options: tuple[str, ...]) -> None:
    """Ask a QUESTION by its name, such as one of a plug-in."""
    import thermcmp as tc
    from thermcmp.questions.plugin_questions import typed_options

    stated = typed_options(question, dict(pairs_of(options, "ask")))
    shown.show(tc.ask(source.fit(), question, **stated))


def fit_each(rows: Any, sensors: list[str], sampling: dict[str, Any]) -> dict[str, Any]:
    """Fit each sensor: together where the rows allow it, else one by one."""
    import thermcmp as tc

    sensors = list(dict.fromkeys(sensors))
    if len(sensors) > 1 and "engine" not in sampling:
        # Readings at a limit and sensors without common assemblies are for single fits.
        try:
            together = tc.fit_sensors(rows, sensors, **sampling)
        except tc.ModelError:
            together = None
        if together is not None and all(fit.health != "bad" for fit in together.values()):
            return dict(together.items())
    return {s: tc.fit(rows[rows["sensor"] == s], sensor=s, **sampling) for s in sensors}
