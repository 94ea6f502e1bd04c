"""Hand calculations from two fan speeds, to compare the library's answers with.

Rise over ambient = F + C g(N) with g = (N / N_1)^(-m), at equal power and held hardware.
"""

import numpy as np


def effective_exponent(rise_1_k, rise_2_k, speed_1, speed_2):
    """Return the exponent of the rise between two fan speeds: -ln(rise ratio) / ln(speed ratio).

    It is below the airflow exponent, since conduction and contact do not change with the fan.
    """
    return -np.log(rise_2_k / rise_1_k) / np.log(speed_2 / speed_1)


def convective_share(rise_1_k, rise_2_k, speed_1, speed_2, *, exponent):
    """Return the convective share of the rise at the first speed.

    C / (F + C) = (1 - rise_2 / rise_1) / (1 - g(N_2)).
    """
    factor = (speed_2 / speed_1) ** -exponent
    return (1.0 - rise_2_k / rise_1_k) / (1.0 - factor)
