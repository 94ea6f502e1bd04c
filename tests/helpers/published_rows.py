"""Published effects as results rows: temperatures are the effects, times ten."""

import numpy as np
from plain_rows import plain_rows

from thermcmp.model.priors import Normal

#: Kelvins per published unit of the meta-analyses, and their zero.
SCALE, ZERO = 10.0, 50.0
VAGUE = {"baseline": Normal(ZERO, 1000.0)}
#: Study, treatment, people who stopped smoking and people asked: 24 studies of no contact (A),
#: self-help (B), individual (C) and group counselling (D). Hasselblad, Medical Decision Making 18
#: (1998) 37-43; counts from memory.
SMOKING = """
1 A 9 140    1 C 23 140   1 D 10 138   2 B 11 78    2 C 12 85    2 D 29 170   3 A 75 731
3 C 363 714  4 A 2 106    4 C 9 205    5 A 58 549   5 C 237 1561 6 A 0 33     6 C 9 48
7 A 3 100    7 C 31 98    8 A 1 31     8 C 26 95    9 A 6 39     9 C 17 77    10 A 79 702
10 B 77 694  11 A 18 671  11 B 21 535  12 A 64 642  12 C 107 761 13 A 5 62    13 C 8 90
14 A 20 234  14 C 34 237  15 A 0 20    15 D 9 20    16 B 20 49   16 C 16 43   17 B 7 66
17 D 32 127  18 C 12 76   18 D 20 74   19 C 9 55    19 D 3 26    20 A 8 116   20 B 19 149
21 A 95 1107 21 C 143 1031 22 A 15 187 22 C 36 504  23 A 78 584  23 C 73 675  24 A 69 1177
24 C 54 888
"""


def summaries(effect, variance, **columns):
    """Rows of published summaries: their stated error is all their scatter."""
    return plain_rows(
        temperature_c=ZERO + SCALE * np.asarray(effect),
        ambient_c=0.0,
        n=10,
        standard_error_k=SCALE * np.sqrt(variance),
        **columns,
    )


def smoking_network():
    """Studies, treatments, log odds and their variances."""
    table = np.array(SMOKING.split()).reshape(-1, 4)
    study, arm = table[:, 0], table[:, 1]
    stopped, asked = table[:, 2].astype(float), table[:, 3].astype(float)
    # Half a person is added in all cells of a study with an empty one.
    half = 0.5 * np.isin(study, study[stopped == 0.0])
    stopped, rest = stopped + half, asked - stopped + half
    return study, arm, np.log(stopped / rest), 1.0 / stopped + 1.0 / rest
