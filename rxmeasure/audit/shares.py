"""A share with the interval that its units allow."""

from __future__ import annotations

from collections.abc import Sequence

from rxmeasure.audit.results import Share
from rxmeasure.audit.statistics.proportions import clustered_proportion, proportion


def share_of(name: str, met: Sequence[bool], patients: Sequence[str], *, level: float) -> Share:
    """A share with an interval over patients.

    Where no unit has a patient, units are taken as independent; without units, or with all
    of one patient, there is no interval.
    """
    found = None
    if met and not any(patients):
        found = proportion(sum(met), len(met), level=level)
    elif len(set(patients)) > 1:
        found = clustered_proportion(met, patients, level=level)
    return Share(name=name, met=sum(met), total=len(met), proportion=found)
