"""Draw the figures of the gallery from the demo campaign's table."""

from collections.abc import Callable
from pathlib import Path

import thermcmp as tc

OLD, NEW = "Alder r1 / fw 1", "Alder r2 / fw 2"
#: File name and the question whose figure it is.
FIGURES: dict[str, Callable[[tc.Fit], tc.Answer]] = {
    "attribution": lambda fit: tc.attribute(fit, OLD, NEW),
    "separation": lambda fit: tc.separate(fit, before=OLD, after=NEW),
    "ranking": lambda fit: tc.rank(fit, noise_dba=38.0, power_w=200.0, ambient_c=21.0),
    "margin": lambda fit: tc.margin(fit, OLD, ambient_c=35.0, limit_c=100.0),
    "prediction": lambda fit: tc.predict(fit, NEW, ambient_c=30.0, fan_rpm=1700.0),
    "error-budget": lambda fit: tc.error_budget(fit, NEW),
    "checks": lambda fit: tc.check_fit(fit).left_out,
}
FOLDER = Path(__file__).with_name("gallery")


def main() -> None:
    """Draw every figure."""
    demo = Path(__file__).parents[1] / "datasets" / "demo"
    rows = tc.read_results(demo / "campaign.csv", columns=demo / "columns.json")
    fit = tc.fit(rows, sensor="memory", seed=1)
    FOLDER.mkdir(exist_ok=True)
    for name, ask in FIGURES.items():
        ask(fit).save_plot(FOLDER / f"{name}.svg")


if __name__ == "__main__":
    main()
