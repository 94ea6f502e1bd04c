"""Two coolers swapped between two boards, reassembled, with what a test adds to them."""

import numpy as np
from plain_rows import CARD, SPECIMENS, plain_rows

#: Spread of assemblies and scatter of runs [K].
ASSEMBLY_K, RUN_K = 0.4, 0.2


def swap_campaign(
    *, cooler_k=-5.0, pairing_k=0.0, odd_k=0.0, assemblies=3, runs=3, seed=1, assembly_k=ASSEMBLY_K
):
    """Rows of every pair's assemblies; `odd_k` is added to the second assembly of all."""
    rng = np.random.default_rng(seed)
    cooler, board, assembly, _ = (np.ravel(each) for each in np.mgrid[:2, :2, :assemblies, :runs])
    level = assembly_k * rng.standard_normal((2, 2, assemblies))[cooler, board, assembly]
    rise = 60.0 + cooler_k * cooler + 2.0 * board + pairing_k * cooler * board + level
    number = (2 * cooler + board) * assemblies + assembly
    rise += odd_k * (number == 1) + RUN_K * rng.standard_normal(len(rise))
    coolers, boards = (
        np.char.add(first, (numbers + 1).astype(str))
        for first, numbers in (("Heron-C", cooler), ("Heron-B", board))
    )
    return plain_rows(
        {**CARD, **SPECIMENS},
        cooler_model=coolers,
        cooler_id=np.char.add(coolers, "-1"),
        board_model=boards,
        board_id=np.char.add(boards, "-1"),
        assembly=np.char.add("m", number.astype(str)),
        session=np.char.add("day ", assembly.astype(str)),
        temperature_c=21.0 + rise,
        ambient_c=21.0,
    )
