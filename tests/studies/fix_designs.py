"""Libraries in which a fix is attributed: how much of it was measured.

Each takes the rows of a swap-free revision study, two cards with one factory and some
bench assemblies each, and leaves out what that library does not have.
"""

from thermcmp.simulation import RevisionStudy

OLD, NEW = "Alder r1 / fw 1", "Alder r2 / fw 2"
STUDY = RevisionStudy(combinations="shipped", remounts=3, fan_speeds_rpm=(1400.0, 1800.0, 2200.0))


def all_corners(rows):
    """Both cards under both firmwares, and at fixed speeds."""
    return rows


def one_corner_missing(rows):
    """The old card was never run under the new firmware, nor at its fan speed."""
    old = rows["cooler_model"].eq("Alder-C1")
    missing = old & (rows["firmware"].eq("fw 2") | rows["fan_rpm"].sub(2100.0).abs().lt(150.0))
    return rows[~missing]


def stock_runs_and_one_card(rows):
    """Stock runs of each card as shipped, and the old card at fixed speeds."""
    shipped = {"Alder-C1": "fw 1", "Alder-C2": "fw 2"}
    stock = rows["fan_mode"].eq("stock") & rows["firmware"].eq(rows["cooler_model"].map(shipped))
    fixed = rows["fan_mode"].eq("fixed") & rows["cooler_model"].eq("Alder-C1")
    return rows[stock | fixed]


def stock_runs_only(rows):
    """Stock runs of each card as shipped, and nothing else."""
    kept = stock_runs_and_one_card(rows)
    return kept[kept["fan_mode"].eq("stock")]


#: Designs that are answered, the last with a range of the parts that its runs do not hold.
DESIGNS = {
    "all corners measured": all_corners,
    "one corner missing": one_corner_missing,
    "stock runs, and one card at fixed speeds": stock_runs_and_one_card,
}
