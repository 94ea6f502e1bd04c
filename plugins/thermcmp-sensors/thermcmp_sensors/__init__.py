"""Two questions about sensors, as a plug-in of thermcmp."""

from __future__ import annotations

from thermcmp.hooks import Question, hookimpl
from thermcmp_sensors.contact import contact_or_airflow
from thermcmp_sensors.together import sensors_together

__all__ = ["contact_or_airflow", "sensors_together"]

#: Version of thermcmp's hooks that this package is written for.
api_version = 1


@hookimpl
def thermcmp_questions() -> list[Question]:
    """Return the questions; both need more than a fit, so no report asks them by itself."""
    return [
        Question("sensors together", sensors_together, in_report=False),
        Question("contact or airflow", contact_or_airflow, in_report=False),
    ]
